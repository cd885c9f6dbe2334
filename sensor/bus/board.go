package bus

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"

	"holdbell/sensor"
)

// board explains why a device of this machine does not open.
type board struct{ root string }

// place is a device and what its kind needs.
type place struct {
	name    string // "SPI0.1"
	node    string // "/dev/spidev0.1"
	kind    string // pattern of all nodes of its kind
	group   string // the group that Raspberry Pi OS gives them to
	overlay string // what would add it
}

// Need is what a bus of a configuration wants of the board.
type Need struct {
	Path  string // of the device node, "/dev/spidev0.1"
	Found string // when that is missing: what there is in its place; empty when it is there
	Add   string // what adds a missing node
	Rule  string // the udev rule that gives nodes of this kind to their group
}

// Want looks for the node of a bus's name, "SPI0.1" or "I2C1", under root, / on a board. It opens nothing. The error
// is for a name that is none.
func Want(root, name string) (Need, error) {
	b := board{strings.TrimSuffix(root, "/")}
	var n, cs int
	var p place
	switch {
	case parse(name, "SPI%d.%d", &n, &cs):
		p = b.spi(name, n, cs)
	case parse(name, "I2C%d", &n):
		p = b.i2c(name, n)
	default:
		return Need{}, fmt.Errorf(`%q names no bus: write one such as "SPI0.1" or "I2C1"`, name)
	}
	need := Need{Path: p.node, Add: p.overlay, Rule: p.rule()}
	if _, err := os.Lstat(b.root + p.node); errors.Is(err, fs.ErrNotExist) {
		need.Found = b.nodes(p.kind) + b.kernelDriver(p)
	}
	return need, nil
}

func (b board) spi(name string, bus, cs int) place {
	return place{name, fmt.Sprintf("/dev/spidev%d.%d", bus, cs), "/dev/spidev*", "spi", b.spiOverlay(bus, cs)}
}

func (b board) i2c(name string, bus int) place {
	return place{name, fmt.Sprintf("/dev/i2c-%d", bus), "/dev/i2c-*", "i2c", i2cOverlay(bus)}
}

// rule is the line of udev's that systemd/60-holdbell.rules has too.
func (p place) rule() string {
	return fmt.Sprintf("SUBSYSTEM==%q, GROUP=%q, MODE=\"0660\"", map[string]string{"spi": "spidev", "i2c": "i2c-dev"}[p.group], p.group)
}

// explain puts an opening's error into words that name the fix. It gives nil for nil.
func (b board) explain(err error, p place) error {
	switch {
	case err == nil:
		return nil
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("%s: %w: %s is missing; found %s%s; %s",
			p.name, sensor.ErrNoDevice, p.node, b.nodes(p.kind), b.kernelDriver(p), p.overlay)
	case errors.Is(err, fs.ErrPermission):
		return fmt.Errorf("%s: %w: %s", p.name, err, b.permission(p))
	}
	return fmt.Errorf("%s: %w", p.name, err)
}

// nodes lists the device nodes of a kind.
func (b board) nodes(pattern string) string {
	found, _ := filepath.Glob(b.root + pattern) // the pattern is ours and well formed
	if len(found) == 0 {
		return "no " + pattern
	}
	for i := range found {
		found[i] = strings.TrimPrefix(found[i], b.root)
	}
	slices.Sort(found)
	return strings.Join(found, ", ")
}

// kernelDriver says what driver in the kernel has taken a chip, and with it the node: one that holds this very
// chip select, else one of any thermometer.
func (b board) kernelDriver(p place) string {
	if cs, isSPI := strings.CutPrefix(p.node, "/dev/spidev"); isSPI {
		device := "/sys/bus/spi/devices/spi" + cs
		// The link leads to /sys/bus/spi/drivers/NAME; with spidev there the node is only late.
		if link, err := os.Readlink(b.root + device + "/driver"); err == nil && filepath.Base(link) != "spidev" {
			driver := filepath.Base(link)
			if iio, _ := filepath.Glob(b.root + device + "/iio:device*"); len(iio) > 0 {
				return fmt.Sprintf("; the kernel's own driver %s holds this chip: write file: /sys/bus/iio/devices/%s in place of chip and bus, or take its overlay out",
					driver, filepath.Base(iio[0]))
			}
			return fmt.Sprintf("; the kernel's own driver %s holds this chip select: take its overlay out, or give the probe another chip select", driver)
		}
	}
	names, _ := filepath.Glob(b.root + "/sys/bus/iio/devices/*/name")
	for _, path := range names {
		text, err := os.ReadFile(path)
		if err != nil {
			continue // the device left between the two calls
		}
		chip := strings.TrimSpace(string(text))
		for _, known := range [...]string{"max31855", "max31856", "max31865", "max6675", "maxim_thermocouple", "mcp9600"} {
			if strings.HasPrefix(chip, known) {
				return fmt.Sprintf("; the kernel's own driver has a %s: give %s as the probe's file, or take its overlay out",
					chip, strings.TrimPrefix(filepath.Dir(path), b.root))
			}
		}
	}
	return ""
}

// permission says who may open a node and which group this process lacks.
func (b board) permission(p place) string {
	info, err := os.Stat(b.root + p.node)
	if err != nil {
		return err.Error()
	}
	stat, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return fmt.Sprintf("mode %#o", info.Mode().Perm())
	}
	owner, group := strconv.Itoa(int(stat.Uid)), strconv.Itoa(int(stat.Gid))
	if u, err := user.LookupId(owner); err == nil {
		owner = u.Username
	}
	if g, err := user.LookupGroupId(group); err == nil {
		group = g.Name
	}
	s := fmt.Sprintf("owner %s, group %s, mode %#o", owner, group, info.Mode().Perm())
	if stat.Gid == 0 || info.Mode().Perm()&0o060 != 0o060 {
		return fmt.Sprintf("%s: no group but root's may use it: add the udev rule %s", s, p.rule())
	}
	return fmt.Sprintf("%s: this process is not in group %s: add SupplementaryGroups=%s to the unit, or the user to the group",
		s, group, group)
}

// configLine says which line of Raspberry Pi OS's boot configuration adds a device.
func configLine(line string) string {
	return fmt.Sprintf("on Raspberry Pi OS add the line %q to /boot/firmware/config.txt (older: /boot/config.txt) and restart the board",
		line)
}

// spiOverlay says what adds a chip select. Names are those of the overlays' README in
// raspberrypi/linux, arch/arm/boot/dts/overlays; which buses a board has differs by model.
func (b board) spiOverlay(bus, cs int) string {
	switch {
	case bus == 0 && cs <= 1:
		if _, err := os.Stat(b.root + "/dev/spidev0.0"); cs == 1 && err == nil {
			return configLine("dtoverlay=spi0-2cs") // an overlay with fewer selects is at work
		}
		return configLine("dtparam=spi=on")
	case bus >= 1 && bus <= 2 && cs <= 2, bus >= 3 && bus <= 6 && cs <= 1:
		return configLine(fmt.Sprintf("dtoverlay=spi%d-%dcs", bus, cs+1))
	}
	return "no overlay of Raspberry Pi OS gives this chip select: use one of SPI0.0, SPI0.1, SPI1.0 to SPI1.2"
}

// i2cOverlay is spiOverlay for an I2C bus.
func i2cOverlay(bus int) string {
	switch {
	case bus == 0:
		return configLine("dtparam=i2c_vc=on")
	case bus == 1:
		return configLine("dtparam=i2c_arm=on") + ", and see that the module i2c-dev is loaded"
	case bus >= 3 && bus <= 6:
		return configLine(fmt.Sprintf("dtoverlay=i2c%d", bus))
	}
	return configLine(fmt.Sprintf("dtoverlay=i2c-gpio,bus=%d", bus))
}
