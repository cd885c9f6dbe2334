package sysfs

import (
	"testing"
	"testing/fstest"
)

func TestReadSupply(t *testing.T) {
	file := func(s string) *fstest.MapFile { return &fstest.MapFile{Data: []byte(s)} }
	for _, tc := range []struct {
		name string
		tree fstest.MapFS
		want Supply
	}{
		{"no such tree", fstest.MapFS{}, SupplyUnknown},
		{"another board", fstest.MapFS{"sys/class/hwmon/hwmon0/name": file("cpu_thermal\n"), "sys/class/hwmon/hwmon0/in0_lcrit_alarm": file("1\n")}, SupplyUnknown},
		{"fine", fstest.MapFS{"sys/class/hwmon/hwmon1/name": file("rpi_volt\n"), "sys/class/hwmon/hwmon1/in0_lcrit_alarm": file("0\n")}, SupplyFine},
		{"low, second of two", fstest.MapFS{"sys/class/hwmon/hwmon0/name": file("cpu_thermal\n"), "sys/class/hwmon/hwmon1/name": file("rpi_volt\n"),
			"sys/class/hwmon/hwmon1/in0_lcrit_alarm": file("1\n")}, SupplyLow},
		{"without its file", fstest.MapFS{"sys/class/hwmon/hwmon0/name": file("rpi_volt\n")}, SupplyUnknown},
		{"a file of nonsense", fstest.MapFS{"sys/class/hwmon/hwmon0/name": file("rpi_volt\n"), "sys/class/hwmon/hwmon0/in0_lcrit_alarm": file("yes\n")}, SupplyUnknown},
	} {
		if got := ReadSupply(tc.tree); got != tc.want {
			t.Errorf("%s: %d, want %d", tc.name, got, tc.want)
		}
	}
}
