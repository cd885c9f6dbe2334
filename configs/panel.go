package configs

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml/ast"
)

// Panel is what hangs at the cabinet itself: each part is nil without one.
type Panel struct {
	Buzzer, Lamp, Button *GPIO
	Display              *Display
}

// Lines gives all GPIO lines of the panel, each with what it is for.
func (p *Panel) Lines() (lines []GPIO, uses []string) {
	add := func(use string, l *GPIO) {
		if l != nil {
			lines, uses = append(lines, *l), append(uses, use)
		}
	}
	add("buzzer", p.Buzzer)
	add("lamp", p.Lamp)
	add("button", p.Button)
	if d := p.Display; d != nil && d.Bus == "" {
		add("display's rs", &d.RS)
		add("display's e", &d.E)
		for i := range d.Data {
			add("display's data", &d.Data[i])
		}
	}
	return lines, uses
}

// GPIO is one line: by its Name, or by its Offset on its Chip when Name is empty.
type GPIO struct {
	Chip      string // such as "gpiochip0"; empty with a Name: whichever has it
	Name      string // such as "GPIO17"
	Offset    int
	ActiveLow bool
}

// Display is a small display: of points (an ssd1306), or of characters (an hd44780) on I2C behind a PCF8574 or on GPIO
// lines.
type Display struct {
	Kind          string
	Width, Height int
	Bus           string // empty: on lines
	Address       uint16
	RS, E         GPIO
	Data          [4]GPIO // D4 to D7
}

// The kinds of display.
const (
	SSD1306 = "ssd1306"
	HD44780 = "hd44780"
)

// DefaultGPIOChip is the chip of a line that is given as a number.
const DefaultGPIOChip = "gpiochip0"

// The first addresses by the data sheets: SSD1306 8.1.5, PCF8574 with its address pins high.
const (
	firstOLED = 0x3c
	firstPack = 0x27
)

func displaySizes(kind string) []string {
	if kind == SSD1306 {
		return []string{"128x64", "128x32"}
	}
	return []string{"16x2", "20x2", "20x4"}
}

// panel reads the section of that name.
func (k *kitchen) panel(n ast.Node) {
	r := &k.reader
	p := &Panel{}
	chip := ""
	if m, ok := n.(*ast.MappingNode); ok {
		// The chip is that of every line, wherever in the section it stands.
		for _, v := range m.Values {
			if keyOf(v) == "chip" && v.Value != nil {
				scalar(&reader{}, &chip, "chip", DefaultGPIOChip, parseGPIOChip)(v.Value)
			}
		}
	}
	before := len(r.problems)
	at := r.mapping(n, "panel",
		field{"chip", scalar(r, &chip, "chip", DefaultGPIOChip, parseGPIOChip)},
		field{"buzzer", func(n ast.Node) { p.Buzzer = k.gpio(n, "buzzer", chip, false) }},
		field{"lamp", func(n ast.Node) { p.Lamp = k.gpio(n, "lamp", chip, false) }},
		field{"button", func(n ast.Node) { p.Button = k.gpio(n, "button", chip, true) }},
		field{"display", func(n ast.Node) { p.Display = k.display(n, chip) }},
	)
	if at == nil {
		return
	}
	k.c.Panel, k.panelAt = p, at
	if len(r.problems) > before {
		return
	}
	lines, uses := p.Lines()
	if len(lines) == 0 && p.Display == nil {
		r.fail(placeOf(n), "add buzzer:, lamp:, button: or display:, or remove the section", "the panel has no part")
		return
	}
	seen := map[GPIO]string{}
	for i, l := range lines {
		l.ActiveLow = false // whichever way round, it is one line
		if other, twice := seen[l]; twice {
			r.fail(at[strings.TrimSuffix(strings.Fields(uses[i])[0], "'s")], "give each its own", "%s and %s are both on %s", other, uses[i], l)
			return
		}
		seen[l] = uses[i]
	}
}

// String names the line as a configuration does.
func (g GPIO) String() string {
	switch {
	case g.Name == "":
		return fmt.Sprintf("line %d of %s", g.Offset, g.Chip)
	case g.Chip == "":
		return "line " + g.Name
	}
	return "line " + g.Name + " of " + g.Chip
}

// gpio reads a line: a number or a name, or keys. A button commonly goes to ground: it is active low unless somebody
// says otherwise.
func (k *kitchen) gpio(n ast.Node, what, chip string, low bool) *GPIO {
	r := &k.reader
	g := &GPIO{Chip: chip, ActiveLow: low}
	line := scalar(r, g, what, "17 or GPIO17", func(s string) (GPIO, string, string) { return parseGPIO(s, *g) })
	switch n.(type) {
	case *ast.MappingNode, *ast.MappingValueNode:
		at := r.mapping(n, what,
			field{"chip", scalar(r, &g.Chip, "chip", DefaultGPIOChip, parseGPIOChip)},
			field{"active_low", scalar(r, &g.ActiveLow, "active_low", "true", parseBool)},
			field{"line", func(n ast.Node) {
				was := *g
				line(n)
				g.ActiveLow = was.ActiveLow
			}})
		k.need(placeOf(n), at, "the "+what, "line")
	default:
		line(n)
	}
	if g.Name == "" && g.Chip == "" {
		g.Chip = DefaultGPIOChip
	}
	return g
}

var (
	gpioChipForm = regexp.MustCompile(`^gpiochip(0|[1-9][0-9]{0,2})$`)
	gpioNameForm = regexp.MustCompile(`^[A-Za-z][A-Za-z0-9._/ +-]{0,31}$`)
)

func parseGPIOChip(s string) (string, string, string) {
	const fix = "write one of those that ls /dev/gpiochip* lists, such as gpiochip0"
	if gpioChipForm.MatchString(s) {
		return s, "", ""
	}
	if short := strings.TrimPrefix(s, "/dev/"); gpioChipForm.MatchString(short) {
		return "", fmt.Sprintf("%q is not in the form read here", s), "did you mean " + short + "?"
	}
	return "", fmt.Sprintf("%q is no GPIO chip", shorten(s)), fix
}

// maxGPIO is more than any chip has; the kernel's interface takes no more.
const maxGPIO = 1023

// parseGPIO puts the line into what is known of it.
func parseGPIO(s string, g GPIO) (GPIO, string, string) {
	if n, err := strconv.Atoi(s); err == nil {
		if n < 0 || n > maxGPIO {
			return g, fmt.Sprintf("%s is no line's number", shorten(s)), "write the GPIO's number, such as 17: not the pin's place on the header"
		}
		g.Name, g.Offset = "", n
		return g, "", ""
	}
	if !gpioNameForm.MatchString(s) {
		return g, fmt.Sprintf("%q is no line", shorten(s)), "write the GPIO's number, such as 17, or its name, such as GPIO17"
	}
	g.Name, g.Offset = s, 0
	return g, "", ""
}

// display reads the key of that name.
func (k *kitchen) display(n ast.Node, chip string) *Display {
	r := &k.reader
	d := &Display{}
	size := ""
	before := len(r.problems)
	pin := func(key string, to *GPIO) field {
		return field{key, func(n ast.Node) { *to = *k.gpio(n, key, chip, false) }}
	}
	data := 0
	at := r.mapping(n, "display",
		field{"kind", scalar(r, &d.Kind, "kind", SSD1306, oneOf(SSD1306, HD44780))},
		field{"size", scalar(r, &size, "size", "128x64", oneOf(append(displaySizes(SSD1306), displaySizes(HD44780)...)...))},
		field{"bus", scalar(r, &d.Bus, "bus", "I2C1", parseBus)},
		field{"address", scalar(r, &d.Address, "address", "0x3c", parseAddress)},
		pin("rs", &d.RS), pin("e", &d.E),
		field{"data", func(n ast.Node) {
			r.list(n, "data", func(n ast.Node) {
				if g := k.gpio(n, "data", chip, false); data < len(d.Data) {
					d.Data[data] = *g
				}
				data++
			})
			if data != len(d.Data) {
				r.fail(placeOf(n), "write the lines of D4, D5, D6 and D7 in this order, such as [25, 24, 23, 18]", "data has %d lines, not 4", data)
			}
		}},
	)
	if at == nil {
		return d
	}
	k.need(placeOf(n), at, "the display", "kind")
	if len(r.problems) > before {
		return d
	}
	k.checkDisplay(d, size, placeOf(n), at)
	return d
}

// checkDisplay looks at its keys together, and fills in what was left out.
func (k *kitchen) checkDisplay(d *Display, size string, n place, at map[string]place) {
	r := &k.reader
	has := func(key string) bool { _, ok := at[key]; return ok }
	sizes := displaySizes(d.Kind)
	if size == "" {
		size = sizes[0]
	}
	if !slices.Contains(sizes, size) {
		r.fail(at["size"], "write one of: "+strings.Join(sizes, ", "), "no %s has %s", d.Kind, size)
		return
	}
	if _, err := fmt.Sscanf(size, "%dx%d", &d.Width, &d.Height); err != nil {
		return // the sizes are ours and well formed
	}
	lines := slices.DeleteFunc([]string{"rs", "e", "data"}, func(key string) bool { return !has(key) })
	switch {
	case d.Kind == SSD1306 && !has("bus"):
		r.fail(n, "add bus: I2C1", "an %s hangs on I2C and the display has no bus", d.Kind)
	case has("bus") && !strings.HasPrefix(d.Bus, "I2C"):
		r.fail(at["bus"], "write bus: I2C1, or the number that the board gives the bus", "%s is an SPI bus, and a display hangs on I2C here", d.Bus)
	case has("bus") && len(lines) > 0:
		r.fail(at[lines[0]], "keep bus: or the lines", "the display is on %s and has %s", d.Bus, lines[0])
	case !has("bus") && has("address"):
		r.fail(at["address"], "add bus: I2C1, or remove it", "the display has an address without a bus")
	case !has("bus") && len(lines) < 3:
		r.fail(n, "add rs:, e: and data:, or bus: I2C1 for one behind a PCF8574", "an %s without a bus hangs on six lines", d.Kind)
	case has("bus") && !has("address"):
		if d.Address = firstOLED; d.Kind == HD44780 {
			d.Address = firstPack
		}
	}
}

// crossPanel checks the display's address against the probes.
func (k *kitchen) crossPanel() {
	if k.c.Panel == nil || k.c.Panel.Display == nil || k.c.Panel.Display.Bus == "" {
		return
	}
	d := k.c.Panel.Display
	for i := range k.probes {
		if p := &k.probes[i].T; p.Bus == d.Bus && p.Address == d.Address {
			k.fail(k.panelAt["display"], "set the address pins of one of them otherwise", "probe %s and the display are both on %s address 0x%02x", p.Name, d.Bus, d.Address)
		}
	}
}
