package sysfs

import (
	"io/fs"
	"path"
)

// Supply is what the kernel says of the board's own supply.
type Supply uint8

// What it may say. Most boards say nothing.
const (
	SupplyUnknown Supply = iota
	SupplyFine
	SupplyLow
)

// ReadSupply asks the monitor of a Raspberry Pi's supply: hwmon device rpi_volt, whose in0_lcrit_alarm is 1 while the
// board is or was under its lowest voltage since the last look (Linux drivers/hwmon/raspberrypi-hwmon.c). A board
// without it is SupplyUnknown, which is no error.
func ReadSupply(tree fs.FS) Supply {
	const class = "sys/class/hwmon"
	entries, err := fs.ReadDir(tree, class)
	if err != nil {
		return SupplyUnknown
	}
	p := place{tree: tree}
	for _, e := range entries {
		dir := path.Join(class, e.Name())
		if name, err := p.text(path.Join(dir, "name")); err != nil || name != "rpi_volt" {
			continue
		}
		switch s, err := p.text(path.Join(dir, "in0_lcrit_alarm")); {
		case err != nil:
		case s == "1":
			return SupplyLow
		case s == "0":
			return SupplyFine
		}
	}
	return SupplyUnknown
}
