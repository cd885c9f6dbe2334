package bus

import (
	"encoding/binary"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
)

// Node is a bus, or a chip select of one, that this machine offers.
type Node struct {
	Name    string   // as a configuration writes it: "SPI0.1", "I2C1"
	Path    string   // "/dev/spidev0.1"
	Refused string   // why this process may not use it, and the fix; empty when it may
	Holder  int      // the process that has it locked; 0 for none
	Hz      int      // of an I2C bus by the device tree; 0 when that does not say
	Claimed []string // addresses of an I2C bus that kernel drivers hold, such as "0x48 (ads1015)"
}

// List finds the nodes under root, / on a board, SPI first. It looks at files alone: nothing goes over a
// bus, and no node is opened.
func List(root string) []Node {
	b := board{strings.TrimSuffix(root, "/")}
	var found []Node
	for _, kind := range [...]struct{ dev, name, group string }{{"spidev", "SPI", "spi"}, {"i2c-", "I2C", "i2c"}} {
		paths, _ := filepath.Glob(b.root + "/dev/" + kind.dev + "[0-9]*") // the pattern is ours and well formed
		slices.SortFunc(paths, byNumbers)
		for _, path := range paths {
			n := Node{Path: strings.TrimPrefix(path, b.root)}
			number := strings.TrimPrefix(n.Path, "/dev/"+kind.dev)
			n.Name = kind.name + number
			if err := syscall.Access(path, 6); err != nil {
				n.Refused = b.permission(place{node: n.Path, group: kind.group})
			}
			n.Holder = holder(path)
			if kind.group == "i2c" {
				n.Hz, n.Claimed = b.clock(number), b.claimed(number)
			}
			found = append(found, n)
		}
	}
	return found
}

// byNumbers orders paths by the numbers in them: bus 10 after bus 2.
func byNumbers(x, y string) int {
	return slices.Compare(numbers(x), numbers(y))
}

func numbers(path string) []int {
	var all []int
	for _, s := range strings.FieldsFunc(filepath.Base(path), func(r rune) bool { return r < '0' || r > '9' }) {
		if n, err := strconv.Atoi(s); err == nil {
			all = append(all, n)
		}
	}
	return all
}

// holder is the process that has a node locked, by /proc/locks; 0 when there is none or that cannot be told.
func holder(path string) int {
	var stat syscall.Stat_t
	if err := syscall.Stat(path, &stat); err != nil {
		return 0
	}
	pid, err := strconv.Atoi(lockedBy(stat.Ino))
	if err != nil {
		return 0
	}
	return pid
}

// clock is an I2C bus's speed in hertz by the device tree: a big-endian word (devicetree specification 0.4,
// 2.2.4).
func (b board) clock(bus string) int {
	word, err := os.ReadFile(b.root + "/sys/class/i2c-adapter/i2c-" + bus + "/of_node/clock-frequency")
	if err != nil || len(word) != 4 {
		return 0
	}
	return int(binary.BigEndian.Uint32(word))
}

// claimed lists the addresses of a bus that kernel drivers have.
func (b board) claimed(bus string) []string {
	drivers, _ := filepath.Glob(b.root + "/sys/bus/i2c/devices/" + bus + "-[0-9a-f]*/driver")
	var all []string
	for _, d := range drivers {
		_, address, _ := strings.Cut(filepath.Base(filepath.Dir(d)), "-")
		a, err := strconv.ParseUint(address, 16, 16)
		link, linkErr := os.Readlink(d)
		if err != nil || linkErr != nil {
			continue // the device left between the two calls
		}
		all = append(all, fmt.Sprintf("%#02x (%s)", a, filepath.Base(link)))
	}
	return all
}

// Missing says what would add buses that are not there, for a board of Raspberry Pi OS: SPI and I2C.
func Missing(nodes []Node) []string {
	has := func(kind string) bool {
		return slices.ContainsFunc(nodes, func(n Node) bool { return strings.HasPrefix(n.Name, kind) })
	}
	var lines []string
	if !has("SPI") {
		lines = append(lines, "no SPI: "+configLine("dtparam=spi=on"))
	}
	if !has("I2C") {
		lines = append(lines, "no I2C: "+configLine("dtparam=i2c_arm=on")+", and see that the module i2c-dev is loaded")
	}
	return lines
}
