package sysfs

import (
	"testing"
	"testing/fstest"
)

func TestReadMains(t *testing.T) {
	// tree makes one of lines such as "AC/online": "1".
	tree := func(files ...string) fstest.MapFS {
		m := fstest.MapFS{}
		for i := 0; i < len(files); i += 2 {
			m["sys/class/power_supply/"+files[i]] = &fstest.MapFile{Data: []byte(files[i+1] + "\n")}
		}
		return m
	}
	for _, tc := range []struct {
		name, given string
		tree        fstest.MapFS
		want        Mains
	}{
		{"no such tree", "", fstest.MapFS{}, MainsUnknown},
		{"named, and not there", "/sys/class/power_supply/AC", fstest.MapFS{}, MainsUnknown},
		{"named and on", "/sys/class/power_supply/AC", tree("AC/online", "1"), MainsOn},
		{"named and off", "/sys/class/power_supply/AC/", tree("AC/online", "0", "USB/type", "USB", "USB/online", "1"), MainsOff},
		{"named, with a mode of its own", "/sys/class/power_supply/AC", tree("AC/online", "2"), MainsOn},
		{"named, and nonsense", "/sys/class/power_supply/AC", tree("AC/online", "yes"), MainsUnknown},
		{"on, with a battery", "", tree("AC/type", "Mains", "AC/online", "1", "BAT/type", "Battery", "BAT/status", "Charging"), MainsOn},
		{"off, and the battery runs down", "", tree("AC/type", "Mains", "AC/online", "0", "BAT/type", "Battery", "BAT/status", "Discharging"), MainsOff},
		{"off, with a UPS", "", tree("in/type", "Mains", "in/online", "0", "ups/type", "UPS", "ups/status", "Discharging"), MainsOff},
		{"fed past its charger", "", tree("AC/type", "Mains", "AC/online", "0", "USB/type", "USB", "USB/online", "0"), MainsUnknown},
		{"fed by the other plug", "", tree("AC/type", "Mains", "AC/online", "0", "USB/type", "USB", "USB/online", "1", "BAT/type", "Battery", "BAT/status", "Discharging"), MainsOn},
		{"a battery alone", "", tree("BAT/type", "Battery", "BAT/status", "Discharging"), MainsUnknown},
	} {
		if got := ReadMains(tc.tree, tc.given); got != tc.want {
			t.Errorf("%s: %d, want %d", tc.name, got, tc.want)
		}
	}
}
