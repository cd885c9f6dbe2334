package configs

import (
	"fmt"
	"regexp"
	"slices"
	"strings"

	"github.com/goccy/go-yaml/ast"

	"holdbell/sensor"
	"holdbell/sensor/condition"
)

// chip is what a front-end chip can be told.
type chip struct {
	name   string
	types  string // thermocouple letters
	mains  bool   // has a mains filter and averages conversions
	shorts bool   // tells a short to ground or supply from an open one
}

// chips are the front-ends that this version reads.
var chips = [...]chip{
	// MAX31855 datasheet, ordering information: one part a type, none for B.
	{name: "max31855", types: "KJNSTER", shorts: true},
	// MAX31856 datasheet, CR1 register: TC TYPE and AVGSEL; SR register: OPEN and OVUV, no shorts.
	{name: "max31856", types: "BEJKNRST", mains: true},
}

func chipNamed(name string) (chip, bool) {
	i := slices.IndexFunc(chips[:], func(c chip) bool { return c.name == name })
	if i < 0 {
		return chip{}, false
	}
	return chips[i], true
}

// probe reads one entry of probes.
func (k *kitchen) probe(n ast.Node) {
	r := &k.reader
	p := entry[Probe]{T: Probe{MaxSlew: condition.Default().MaxSlew}, at: placeOf(n)}
	before := len(r.problems)
	p.of = r.mapping(n, "a probe",
		field{"name", scalar(r, &p.T.Name, "name", "warmer-core", parseName)},
		field{"chip", scalar(r, &p.T.Chip, "chip", "max31855", parseChip)},
		field{"bus", scalar(r, &p.T.Bus, "bus", "SPI0.0", parseBus)},
		field{"type", scalar(r, &p.T.Type, "type", "K", parseType)},
		field{"mains_hz", scalar(r, &p.T.MainsHz, "mains_hz", "60", oneNumber(50, 60))},
		field{"averaging", scalar(r, &p.T.Averaging, "averaging", "4", oneNumber(1, 2, 4, 8, 16))},
		field{"ignore_faults", func(n ast.Node) {
			r.list(n, "ignore_faults", func(n ast.Node) {
				var f sensor.Fault
				scalar(r, &f, "a fault", "short_gnd", parseIgnored)(n)
				if f != sensor.None && !slices.Contains(p.T.IgnoreFaults, f) {
					p.T.IgnoreFaults = append(p.T.IgnoreFaults, f)
				}
			})
		}},
		field{"file", scalar(r, &p.T.File, "file", "/sys/bus/iio/devices/iio:device0", parsePath)},
		field{"offset", scalar(r, &p.T.Offset, "offset", "-0.4C", parseDifference)},
		field{"max_slew", scalar(r, &p.T.MaxSlew, "max_slew", "20C", parseSlew)},
		field{"accuracy", scalar(r, &p.T.Accuracy, "accuracy", "1C", parsePositiveDifference)},
	)
	clean := len(r.problems) == before
	if p.of == nil {
		return
	}
	k.probes = append(k.probes, p)
	if _, ok := p.of["name"]; !ok {
		r.fail(p.at, "add name:", "a probe has no name")
	}
	if clean {
		k.checkProbe(&p)
	}
}

// checkProbe looks at the keys of one probe together.
func (k *kitchen) checkProbe(p *entry[Probe]) {
	r := &k.reader
	has := func(key string) bool { _, ok := p.of[key]; return ok }
	c, chipped := chipNamed(p.T.Chip)
	if !chipped {
		for _, key := range []string{"bus", "type", "mains_hz", "averaging", "ignore_faults"} {
			if has(key) {
				r.fail(p.key(key), "add chip: max31855 or chip: max31856, or remove "+key, "probe %s has %s without a chip", p.T.Name, key)
			}
		}
		return
	}
	if has("file") {
		r.fail(p.key("file"), "keep one of the two", "probe %s has both a chip and a file", p.T.Name)
	}
	for _, need := range []struct{ key, fix string }{
		{"bus", "add bus: SPI0.0 for chip select 0 of SPI bus 0"},
		{"type", "add type: with the thermocouple's letter, such as K"},
	} {
		if !has(need.key) {
			r.fail(p.key("chip"), need.fix, "probe %s has a chip but no %s", p.T.Name, need.key)
		}
	}
	if has("type") && !strings.Contains(c.types, p.T.Type) {
		r.fail(p.key("type"), "write one of "+strings.Join(strings.Split(c.types, ""), ", "), "no %s reads type %s", c.name, p.T.Type)
	}
	if c.mains && !has("mains_hz") {
		r.fail(p.key("chip"), "add mains_hz: 60 or mains_hz: 50, whichever the wall socket has", "probe %s: a %s filters the mains and has to know its frequency", p.T.Name, c.name)
	}
	for _, key := range []string{"mains_hz", "averaging"} {
		if !c.mains && has(key) {
			r.fail(p.key(key), "remove it", "a %s has no %s to set", c.name, key)
		}
	}
	if !c.shorts && has("ignore_faults") {
		r.fail(p.key("ignore_faults"), "remove it", "a %s reports no short that could be ignored", c.name)
	}
}

// parseChip makes no guess at what was meant: one digit more or less is another chip that exists.
func parseChip(s string) (string, string, string) {
	if _, ok := chipNamed(s); ok {
		return s, "", ""
	}
	names := make([]string, len(chips))
	for i, c := range chips {
		names[i] = c.name
	}
	return "", fmt.Sprintf("%q is not read by this version", shorten(s)), "write one of: " + strings.Join(names, ", ")
}

var busForm = regexp.MustCompile(`^SPI(0|[1-9][0-9]?)\.(0|[1-9][0-9]?)$`)

func parseBus(s string) (string, string, string) {
	const fix = "write SPI0.1 for chip select 1 of SPI bus 0"
	switch spelled := strings.ToUpper(strings.TrimPrefix(s, "/dev/spidev")); {
	case busForm.MatchString(s):
		return s, "", ""
	case strings.TrimSpace(s) == "":
		return "", "the bus has no name: the first one found would be luck", fix
	case busForm.MatchString(spelled):
		return "", fmt.Sprintf("%q is no bus", s), "did you mean " + spelled + "?"
	case busForm.MatchString("SPI" + spelled):
		return "", fmt.Sprintf("%q is no bus", s), "did you mean SPI" + spelled + "?"
	case strings.HasPrefix(strings.ToUpper(s), "I2C"):
		return "", fmt.Sprintf("%q is an I2C bus; the chips read here sit on SPI", shorten(s)), fix
	}
	return "", fmt.Sprintf("%q is no bus", shorten(s)), fix
}

func parseType(s string) (string, string, string) {
	const letters = "BEJKNRST"
	up := strings.ToUpper(s)
	switch known := len(up) == 1 && strings.Contains(letters, up); {
	case known && up == s:
		return s, "", ""
	case known:
		return "", fmt.Sprintf("%q is no thermocouple type", s), "did you mean " + up + "?"
	}
	return "", fmt.Sprintf("%q is no thermocouple type", shorten(s)), "write one of: " + strings.Join(strings.Split(letters, ""), ", ")
}

// parseIgnored allows short faults alone: a cheap board that ties the probe to ground always reports one.
// An open probe or a dead bus cannot be wished away.
func parseIgnored(s string) (sensor.Fault, string, string) {
	f, ok := sensor.ParseFault(s)
	switch {
	case f == sensor.ShortGND, f == sensor.ShortVCC:
		return f, "", ""
	case ok:
		return sensor.None, fmt.Sprintf("the fault %s cannot be ignored: no reading would be behind it", s), "only short_gnd and short_vcc can"
	}
	return sensor.None, fmt.Sprintf("no fault is called %q", shorten(s)), didYouMean(s, []string{"short_gnd", "short_vcc"})
}
