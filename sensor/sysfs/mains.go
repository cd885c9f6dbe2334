package sysfs

import (
	"io/fs"
	"path"
	"strings"
)

// Mains is what the kernel says of the board's mains power.
type Mains uint8

// What it may say. Most boards say nothing.
const (
	MainsUnknown Mains = iota
	MainsOn
	MainsOff
)

// supplies is the class of what feeds a board (Linux Documentation/ABI/testing/sysfs-class-power): type is Mains,
// USB, Battery or UPS, online is 0, or 1 and 2 for one that feeds, and status of a battery is Discharging while it
// does.
const supplies = "sys/class/power_supply"

// ReadMains asks a supply such as /sys/class/power_supply/AC by its online; with an empty name it looks at all of
// them. Then the mains is off when none of them feeds and a battery is running down: a board that is fed past its
// own charger has supplies that are offline, and lives. What has no such files is MainsUnknown, which is no error.
func ReadMains(tree fs.FS, name string) Mains {
	p := place{tree: tree}
	if name != "" {
		return p.online(strings.TrimPrefix(path.Clean("/"+name), "/"))
	}
	entries, err := fs.ReadDir(tree, supplies)
	if err != nil {
		return MainsUnknown
	}
	offline, draining := false, false
	for _, e := range entries {
		dir := path.Join(supplies, e.Name())
		kind, err := p.text(path.Join(dir, "type"))
		switch {
		case err != nil:
		case kind == "Battery", kind == "UPS":
			status, err := p.text(path.Join(dir, "status"))
			draining = draining || err == nil && status == "Discharging"
		default:
			switch p.online(dir) {
			case MainsOn:
				return MainsOn
			case MainsOff:
				offline = true
			}
		}
	}
	if offline && draining {
		return MainsOff
	}
	return MainsUnknown
}

func (p *place) online(dir string) Mains {
	switch s, err := p.text(path.Join(dir, "online")); {
	case err != nil:
	case s == "0":
		return MainsOff
	case s == "1", s == "2":
		return MainsOn
	}
	return MainsUnknown
}
