package board

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"holdbell/sensor/bus"
	"holdbell/sensor/sysfs"
)

// Stretch is what is to be said of an MCP9600 on the chip's own I2C of an older Raspberry Pi (raspberrypi/linux#4884:
// the BCM283x's I2C cuts stretched clocks short).
const (
	Stretch     = "a mcp9600 stretches the clock, which the I2C of the Raspberry Pi 0 to 4 cuts short"
	StretchMend = "give it a bus of its own by dtoverlay=i2c-gpio, or slow this one down by dtparam=i2c_arm_baudrate=10000"
)

// The fastest clocks of the chips on I2C: 100 kHz for an MCP9600 (DS20005426G), 400 kHz for the others
// (fast mode, NXP UM10204); their faster modes are not used. Steady is where a stretched clock does no harm.
const (
	slowest = 100_000
	fast    = 400_000
	steady  = 10_000
)

// leastTransfer is more than any driver of ours sends over SPI at once, in bytes: a MAX31856's registers are 17.
const leastTransfer = 32

// nodes looks at the device nodes that the probes hang on.
func (b *board) nodes() {
	all := bus.List(b.root)
	probes := map[string][]string{}
	var buses []string
	tender := map[string]bool{} // buses with an MCP9600
	for i := range b.config.Probes {
		p := &b.config.Probes[i]
		if p.Bus == "" {
			continue
		}
		if probes[p.Bus] == nil {
			buses = append(buses, p.Bus)
		}
		probes[p.Bus] = append(probes[p.Bus], p.Name)
		tender[p.Bus] = tender[p.Bus] || p.Chip == "mcp9600"
	}
	if p := b.config.Panel; p != nil && p.Display != nil && p.Display.Bus != "" {
		if probes[p.Display.Bus] == nil {
			buses = append(buses, p.Display.Bus)
		}
		probes[p.Display.Bus] = append(probes[p.Display.Bus], "the display")
	}
	if len(b.config.Probes) == 0 {
		b.look("probes", "the configuration has no probe: nothing is watched", "write probes and stations into it; holdbell probes prints a line for each bus")
		for _, line := range bus.Missing(all) {
			what, mend, _ := strings.Cut(line, ": ")
			b.look("buses", what, mend)
		}
		return
	}
	if len(buses) == 0 {
		b.ok("buses", "no probe hangs on a bus of this board")
	}
	for _, name := range buses {
		b.node(name, strings.Join(probes[name], ", "), all)
		at := slices.IndexFunc(all, func(n bus.Node) bool { return n.Name == name })
		if at >= 0 && strings.HasPrefix(name, "I2C") {
			b.speed(name, all[at].Hz, tender[name])
		}
	}
	if slices.ContainsFunc(buses, func(name string) bool { return strings.HasPrefix(name, "SPI") }) {
		b.transfer()
	}
}

// node looks at one: there, and open to the user. One that another program holds gives both of them nonsense.
func (b *board) node(name, probes string, all []bus.Node) {
	need, err := bus.Want(b.root, name)
	if err != nil {
		b.wrong(name, err.Error(), "mend the bus of "+probes)
		return
	}
	info, err := os.Stat(b.path(need.Path))
	switch {
	case errors.Is(err, fs.ErrNotExist):
		b.wrong(name, fmt.Sprintf("%s is missing, for %s; there is %s", need.Path, probes, need.Found), need.Add)
		return
	case err != nil:
		b.look(name, fmt.Sprintf("%s cannot be looked at: %s", need.Path, why(err)), "run this check with sudo")
		return
	}
	is := fmt.Sprintf("%s, for %s: %s", need.Path, probes, b.owned(info))
	held := slices.IndexFunc(all, func(n bus.Node) bool { return n.Name == name && n.Holder != 0 })
	if b.may(info, 6) && held >= 0 && b.running == nil {
		b.look(name, fmt.Sprintf("%s; process %d has it, and no daemon answers", is, all[held].Holder), "see what that process is: ps "+strconv.Itoa(all[held].Holder))
		return
	}
	b.rights(name, is, info, need.Rule)
}

// rights says whether the user may use a node, and what would let him.
func (b *board) rights(about, is string, info fs.FileInfo, rule string) {
	_, gid := b.owner(info)
	group := b.called("etc/group", gid)
	switch {
	case b.may(info, 6):
		b.ok(about, is+"; "+b.user.name+" may use it")
	case gid == 0 || info.Mode().Perm()&0o060 != 0o060:
		b.wrong(about, fmt.Sprintf("%s: no group but root's may use it, so %s may not", is, b.user.name), "add the udev rule "+rule)
	default:
		b.wrong(about, fmt.Sprintf("%s: %s is not in group %s", is, b.user.name, group),
			fmt.Sprintf("add SupplementaryGroups=%s to the unit, or: sudo adduser %s %s", group, b.user.name, group))
	}
}

// speed says how fast an I2C bus goes by the device tree; 0 where that does not say.
func (b *board) speed(name string, hz int, tender bool) {
	about := name + " speed"
	said := fmt.Sprintf("%d kHz by the device tree", hz/1000)
	const slower = "on Raspberry Pi OS add dtparam=i2c_arm_baudrate=100000 to /boot/firmware/config.txt and restart the board"
	switch {
	case hz == 0:
		b.ok(about, "this kernel does not say")
	case tender && hz > slowest:
		b.wrong(about, said+": a mcp9600 takes no more than 100 kHz", slower)
	case hz > fast:
		b.wrong(about, said+": the chips on it take no more than 400 kHz", slower)
	case tender && hz > steady:
		b.look(about, said+"; "+Stretch, StretchMend)
	default:
		b.ok(about, said)
	}
}

// transfer says how much the SPI driver takes at once (Linux drivers/spi/spidev.c, parameter bufsiz).
func (b *board) transfer() {
	const about, file = "SPI buffer", "/sys/module/spidev/parameters/bufsiz"
	text, err := b.text(file)
	n, numErr := strconv.Atoi(text)
	switch {
	case err != nil:
		b.ok(about, "this kernel does not say")
	case numErr != nil:
		b.look(about, fmt.Sprintf("%s holds %s, no number", file, quoted(text)), "restart the board; if it stays, report it with the kernel's version")
	case n < leastTransfer:
		b.wrong(about, fmt.Sprintf("%d bytes: too little for one reading", n), "take spidev.bufsiz out of /boot/firmware/cmdline.txt, or set it to 4096, and restart the board")
	default:
		b.ok(about, fmt.Sprintf("%d bytes", n))
	}
}

// kernelFiles looks whether the devices of kernel drivers are there. Their temperatures are not read.
func (b *board) kernelFiles() {
	var all []sysfs.Found
	for i := range b.config.Probes {
		p := &b.config.Probes[i]
		if p.File == "" {
			continue
		}
		if all == nil {
			all = sysfs.List(os.DirFS(b.root))
		}
		oneWire := strings.HasPrefix(p.File, "/sys/bus/w1/") // which is known by its serial number, not by a driver
		same := func(f sysfs.Found) bool {
			return f.Path == p.File || strings.HasPrefix(f.Path, p.File+"/") || oneWire && f.Path == filepath.Dir(p.File)
		}
		named := func(f sysfs.Found) bool { return p.Driver == "" || oneWire || f.Driver == p.Driver }
		here := slices.ContainsFunc(all, func(f sysfs.Found) bool { return same(f) && named(f) })
		moved := slices.IndexFunc(all, func(f sysfs.Found) bool {
			return p.Driver != "" && f.Driver == p.Driver && sameClass(f.Path, p.File)
		})
		switch {
		case here:
			b.ok(p.Name, p.File+" is there")
		case moved >= 0:
			b.ok(p.Name, fmt.Sprintf("%s is now %s, found by its driver's name", p.File, filepath.Dir(all[moved].Path)))
		case slices.ContainsFunc(all, same):
			other := all[slices.IndexFunc(all, same)].Driver
			b.wrong(p.Name, fmt.Sprintf("%s is a %s and no %s", p.File, other, p.Driver), "load the driver of "+p.Driver+", or take one of the files that holdbell probes lists")
		default:
			b.wrong(p.Name, p.File+" is not there", "load its driver, or take one of the files that holdbell probes lists")
		}
	}
}

// sameClass reports whether two files of the kernel's belong to the same kind of devices.
func sameClass(x, y string) bool {
	for _, class := range [...]string{"/sys/bus/iio/", "/sys/bus/w1/", "/sys/class/hwmon/"} {
		if strings.HasPrefix(x, class) && strings.HasPrefix(y, class) {
			return true
		}
	}
	return false
}

// quoted shows what a file holds, cut to what a person reads.
func quoted(s string) string {
	const most = 40
	if len(s) > most {
		s = s[:most] + "…"
	}
	return strconv.Quote(s)
}
