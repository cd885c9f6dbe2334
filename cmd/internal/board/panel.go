package board

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"strings"
)

// gpioRule is the udev rule that systemd/60-holdbell.rules has too.
const gpioRule = `SUBSYSTEM=="gpio", KERNEL=="gpiochip*", GROUP="gpio", MODE="0660"`

// panel looks at the nodes that the panel's lines lie behind. No line is asked for: that would take it from whoever
// has it.
func (b *board) panel() {
	if b.config.Panel == nil {
		return
	}
	there := slices.DeleteFunc(b.names("dev"), func(name string) bool { return !strings.HasPrefix(name, "gpiochip") })
	lines, uses := b.config.Panel.Lines()
	wanted := map[string][]string{}
	var chips []string
	for i, l := range lines {
		// A name alone is looked for on all of them.
		for _, chip := range chipsOf(l.Chip, there) {
			if wanted[chip] == nil {
				chips = append(chips, chip)
			}
			if !slices.Contains(wanted[chip], uses[i]) {
				wanted[chip] = append(wanted[chip], uses[i])
			}
		}
	}
	if len(lines) > 0 && len(chips) == 0 {
		b.wrong("GPIO", "there is no /dev/gpiochip*, for "+strings.Join(slices.Compact(uses), ", "), "restart the board with a kernel that has its GPIO driver, or take the lines out of panel:")
	}
	for _, chip := range chips {
		path, use := "/dev/"+chip, strings.Join(wanted[chip], ", ")
		info, err := os.Stat(b.path(path))
		switch {
		case errors.Is(err, fs.ErrNotExist):
			found := "no /dev/gpiochip*"
			if len(there) > 0 {
				found = "/dev/" + strings.Join(there, ", /dev/")
			}
			b.wrong(chip, fmt.Sprintf("%s is missing, for %s; there is %s", path, use, found), "write one of those as chip: under panel:, or give the lines by their names, such as GPIO17")
		case err != nil:
			b.look(chip, fmt.Sprintf("%s cannot be looked at: %s", path, why(err)), "run this check with sudo")
		default:
			b.rights(chip, fmt.Sprintf("%s, for %s: %s", path, use, b.owned(info)), info, gpioRule)
		}
	}
}

// chipsOf are the chips that a line may be on.
func chipsOf(chip string, there []string) []string {
	if chip != "" {
		return []string{chip}
	}
	return there
}
