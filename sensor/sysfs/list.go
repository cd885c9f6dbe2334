package sysfs

import (
	"io/fs"
	"path"
	"strings"
)

// Found is one temperature that a kernel driver offers.
type Found struct {
	Path   string // for New
	Driver string // the device's name, as its driver gives it; the family for a 1-wire thermometer
	Label  string // what a hardware monitor calls it; mostly empty
}

// List gives every temperature in the three trees, in the order of their paths. What cannot be read is left
// out: a board without a tree has none of its devices.
func List(tree fs.FS) []Found {
	p := place{tree: tree}
	var found []Found
	each := func(dir string, visit func(dir string)) {
		entries, err := fs.ReadDir(tree, dir)
		if err != nil {
			return
		}
		for _, e := range entries {
			visit(path.Join(dir, e.Name()))
		}
	}
	text := func(file string) string {
		s, err := p.text(file)
		if err != nil {
			return ""
		}
		return s
	}
	each("sys/bus/iio/devices", func(dir string) {
		each(dir, func(file string) {
			if isChannel(path.Base(file)) {
				found = append(found, Found{Path: "/" + file, Driver: text(path.Join(dir, "name"))})
			}
		})
	})
	each("sys/bus/w1/devices", func(dir string) {
		if base := path.Base(dir); familyForm.MatchString(base) {
			found = append(found, Found{Path: "/" + dir, Driver: "1-wire family " + base[:2]})
		}
	})
	each("sys/class/hwmon", func(dir string) {
		each(dir, func(file string) {
			base, ok := strings.CutSuffix(path.Base(file), "_input")
			if ok && strings.HasPrefix(base, "temp") {
				found = append(found, Found{"/" + file, text(path.Join(dir, "name")), text(path.Join(dir, base+"_label"))})
			}
		})
	})
	return found
}
