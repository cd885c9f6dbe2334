package configs

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml/ast"

	"holdbell/rules"
	"holdbell/sensor"
	"holdbell/sensor/accuracy"
	"holdbell/sensor/condition"
)

// probe reads one entry of probes.
func (k *kitchen) probe(n ast.Node) {
	r := &k.reader
	p := entry[Probe]{T: Probe{MaxSlew: condition.OpenAir.MaxSlew()}, at: placeOf(n)}
	before := len(r.problems)
	p.of = r.mapping(n, "a probe", append([]field{
		{"name", scalar(r, &p.T.Name, "name", "warmer-core", parseName)},
		{"chip", scalar(r, &p.T.Chip, "chip", "max31855", parseChip)},
		{"bus", scalar(r, &p.T.Bus, "bus", "SPI0.0", parseBus)},
		{"type", scalar(r, &p.T.Type, "type", "K", parseType)},
		{"mains_hz", scalar(r, &p.T.MainsHz, "mains_hz", "60", oneNumber(50, 60))},
		{"averaging", scalar(r, &p.T.Averaging, "averaging", "4", oneNumber(1, 2, 4, 8, 16))},
		{"open_detect", scalar(r, &p.T.OpenDetect, "open_detect", string(OpenUnder5k), oneOf(OpenUnder5k, Open40kFast, Open40kSlow))},
		{"cold_junction_offset", scalar(r, &p.T.ColdJunctionOffset, "cold_junction_offset", "0.5C", parseColdJunctionOffset)},
		{"rtd", scalar(r, &p.T.RTD, "rtd", string(Pt100), oneOf(Pt100, Pt1000))},
		{"wires", scalar(r, &p.T.Wires, "wires", "3", oneNumber(2, 3, 4))},
		{"reference", scalar(r, &p.T.Reference, "reference", "430", parseOhms)},
		{"class", scalar(r, &p.T.Class, "class", string(accuracy.IEC1), oneOf(append(accuracy.Classes(false), accuracy.Classes(true)...)...))},
		{"ignore_faults", func(n ast.Node) {
			r.list(n, "ignore_faults", func(n ast.Node) {
				var f sensor.Fault
				scalar(r, &f, "a fault", "short_gnd", parseIgnored)(n)
				if f != sensor.None && !slices.Contains(p.T.IgnoreFaults, f) {
					p.T.IgnoreFaults = append(p.T.IgnoreFaults, f)
				}
			})
		}},
		{"file", scalar(r, &p.T.File, "file", "/sys/bus/iio/devices/iio:device0", parsePath)},
		{"driver", scalar(r, &p.T.Driver, "driver", "max31856", parseDriver)},
		{"topic", scalar(r, &p.T.Topic, "topic", "kitchen/walk-in", parseTopic)},
		{"pointer", scalar(r, &p.T.Pointer, "pointer", "/temperature", parsePointer)},
		{"unit", scalar(r, &p.T.Unit, "unit", string(rules.Celsius), oneOf(rules.Celsius, rules.Fahrenheit))},
		{"max_age", scalar(r, &p.T.MaxAge, "max_age", "60s", parseMaxAge)},
		{"offset", scalar(r, &p.T.Offset, "offset", "-0.4C", parseDifference)},
		{"calibration", func(n ast.Node) { p.T.Check = r.calibration(n) }},
		{"calibration_every", pointer(r, &p.T.CalibrationEvery, "calibration_every", "8760h", parseCalibrationEvery)},
		{"max_slew", scalar(r, &p.T.MaxSlew, "max_slew", "20C", parseSlew)},
		{"accuracy", scalar(r, &p.T.Accuracy, "accuracy", "1C", parsePositiveDifference)},
	}, k.i2cFields(&p.T)...)...)
	if p.T.Topic != "" && p.T.MaxAge == 0 {
		p.T.MaxAge = DefaultMaxAge
	}
	clean := len(r.problems) == before
	if p.of == nil {
		return
	}
	_, moved := p.of["offset"]
	_, checked := p.of["calibration"]
	if moved && checked {
		r.fail(p.key("offset"), "keep one of the two: a calibration holds its own offset", "probe %s has both an offset and a calibration", p.T.Name)
	}
	p.T.Calibrated = moved || checked
	if c, ok := chipNamed(p.T.Chip); ok && len(c.types) == 1 && p.T.Type == "" {
		p.T.Type = c.types // the only one that the chip is made for
	}
	k.probes = append(k.probes, p)
	if _, ok := p.of["name"]; !ok {
		r.fail(p.at, "add name:", "a probe has no name")
	}
	if clean {
		k.checkProbe(&p)
		k.checkTopic(&p)
	}
}

// checkProbe looks at the keys of one probe together.
func (k *kitchen) checkProbe(p *entry[Probe]) {
	r := &k.reader
	has := func(key string) bool { _, ok := p.of[key]; return ok }
	c, chipped := chipNamed(p.T.Chip)
	if chipped && has("driver") {
		r.fail(p.key("driver"), "remove it, or write file: instead of chip:", "probe %s names a kernel driver and has a chip of its own", p.T.Name)
	}
	if !chipped {
		for _, key := range chipKeys {
			if has(key) && !(has("file") && slices.Contains(fileKeys[:], key)) {
				r.fail(p.key(key), "add chip: with one of "+chipNames()+", or remove "+key, "probe %s has %s without a chip", p.T.Name, key)
			}
		}
		return
	}
	if has("file") {
		r.fail(p.key("file"), "keep one of the two", "probe %s has both a chip and a file", p.T.Name)
	}
	for _, need := range c.needs {
		if !has(need) {
			wrong, fix := c.lacks(need)
			r.fail(p.key("chip"), fix, "probe %s%s", p.T.Name, wrong)
		}
	}
	for _, key := range chipKeys {
		if has(key) && !slices.Contains(c.needs, key) && !slices.Contains(c.takes, key) {
			wrong, fix := c.refuses(key)
			r.fail(p.key(key), fix, "%s", wrong)
			if key == "type" {
				return // what it is called does not matter then
			}
		}
	}
	if has("type") && !strings.Contains(c.types, p.T.Type) {
		r.fail(p.key("type"), "write "+oneOfLetters(c.types), "no %s reads type %s", c.name, p.T.Type)
	}
	if classes := accuracy.Classes(c.types == ""); has("class") && !slices.Contains(classes, p.T.Class) {
		words := make([]string, len(classes))
		for i, class := range classes {
			words[i] = string(class)
		}
		r.fail(p.key("class"), "write one of: "+strings.Join(words, ", "), "a %s reads %s, which has no class %s", c.name, c.kind(), p.T.Class)
	}
	switch {
	case has("bus") && strings.HasPrefix(p.T.Bus, "I2C") && !c.onI2C():
		r.fail(p.key("bus"), "write SPI0.1 for chip select 1 of SPI bus 0", "%s is an I2C bus; a %s sits on SPI", p.T.Bus, c.name)
	case c.onI2C():
		k.checkI2C(p, c)
	}
	if has("reference") && has("rtd") {
		r0 := p.T.RTD.Ohms()
		if p.T.Reference < 2*r0 || p.T.Reference > 10*r0 {
			r.fail(p.key("reference"), fmt.Sprintf("write what is printed on the board's resistor, commonly %g or %g", 4*r0, 4.3*r0),
				"a reference of %g ohms does not go with a %s", p.T.Reference, p.T.RTD)
		}
	}
}

// fileKeys are the chip's keys that a kernel file may have too: what its driver leaves undone.
var fileKeys = [...]string{"type", "rtd", "reference"}

var driverForm = regexp.MustCompile(`^[A-Za-z0-9_.-]{1,64}$`)

func parseDriver(s string) (string, string, string) {
	if driverForm.MatchString(s) {
		return s, "", ""
	}
	return "", fmt.Sprintf("%q is no driver's name", shorten(s)), "write what the file name in the device's folder holds, such as max31856"
}

// parseChip makes no guess at what was meant: one digit more or less is another chip that exists.
func parseChip(s string) (string, string, string) {
	if _, ok := chipNamed(s); ok {
		return s, "", ""
	}
	return "", fmt.Sprintf("%q is not read by this version", shorten(s)), "write one of: " + chipNames()
}

var busForm = regexp.MustCompile(`^(?:SPI(0|[1-9][0-9]?)\.(0|[1-9][0-9]?)|I2C(0|[1-9][0-9]?))$`)

func parseBus(s string) (string, string, string) {
	const fix = "write SPI0.1 for chip select 1 of SPI bus 0, or I2C1 for I2C bus 1"
	switch spelled := strings.ToUpper(strings.NewReplacer("/dev/spidev", "", "/dev/i2c-", "I2C", "i2c-", "I2C").Replace(s)); {
	case busForm.MatchString(s):
		return s, "", ""
	case strings.TrimSpace(s) == "":
		return "", "the bus has no name: the first one found would be luck", fix
	case busForm.MatchString(spelled):
		return "", fmt.Sprintf("%q is no bus", s), "did you mean " + spelled + "?"
	case busForm.MatchString("SPI" + spelled):
		return "", fmt.Sprintf("%q is no bus", s), "did you mean SPI" + spelled + "?"
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

// parseColdJunctionOffset takes what the register holds: signed sixteenths of a degree (MAX31856 datasheet,
// CJTO).
func parseColdJunctionOffset(s string) (sensor.Temp, string, string) {
	t, wrong, fix := parseDifference(s)
	if wrong == "" && (t < -8000 || t > 7937) {
		return 0, fmt.Sprintf("a cold junction %s off is more than the chip can take", shorten(s)), "write -8C to 7.9375C"
	}
	return t, wrong, fix
}

var ohmForm = regexp.MustCompile(`^([0-9]{1,8}(?:\.[0-9]{1,6})?)(|k|M)$`)

func parseOhms(s string) (float64, string, string) {
	const fix = "write the resistor's ohms, such as 430 or 10k"
	m := ohmForm.FindStringSubmatch(s)
	if m == nil {
		return 0, fmt.Sprintf("%q is no resistance", shorten(s)), fix
	}
	v, err := strconv.ParseFloat(m[1], 64)
	switch m[2] {
	case "k":
		v *= 1e3
	case "M":
		v *= 1e6
	}
	if err != nil || !(v >= 1 && v <= 10e6) {
		return 0, fmt.Sprintf("%s ohms are not on any board", shorten(s)), fix
	}
	return v, "", ""
}
