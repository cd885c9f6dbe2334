package sysfs

import (
	"path"
	"strings"

	"holdbell/sensor"
)

// hwmon is tempN_input of a hardware monitor, in thousandths of a degree (sysfs-class-hwmon); tempN_fault
// holding 1 says that it is none.
type hwmon struct{ place }

func (d *hwmon) read() (float64, error) {
	dir, _, err := d.find()
	if err != nil {
		return 0, err
	}
	file := d.channel
	if file == "" {
		file = "temp1_input"
	}
	if base, ok := strings.CutSuffix(file, "_input"); ok && d.flag(path.Join(dir, base+"_fault")) {
		return 0, fail(sensor.Open, "%s_fault tells that the sensor is open or missing", base)
	}
	milli, err := d.number(path.Join(dir, file))
	if err != nil {
		return 0, err
	}
	return milli / 1000, nil
}
