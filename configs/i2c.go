package configs

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml/ast"

	"holdbell/sensor/resist"
)

// AD8495 is the amplifier that can stand before an ADS1115.
const AD8495 = "ad8495"

// Thermistor is a thermistor in a divider before an ADS1115: by R25 and Beta, or by the three coefficients of
// SteinhartHart.
type Thermistor struct {
	R25, Beta     float64 // ohms at 25 °C, kelvin
	SteinhartHart [3]float64
	Series        float64 // the fixed resistor, ohms
	ToExcitation  bool    // the thermistor goes to the excitation, else to ground
	// The tolerances of R25, Beta and Series as shares, 0.01 for 1 %; 0 where nobody said.
	R25Off, BetaOff, SeriesOff float64
	// Excitation is the voltage over the divider; 0 when it is measured on ExcitationChannel.
	Excitation        float64
	ExcitationChannel string
}

// Curve gives the thermistor's curve. The error says what makes none.
func (t *Thermistor) Curve() (resist.Thermistor, error) {
	if t.Beta != 0 {
		return resist.Beta(t.R25, 25, t.Beta)
	}
	return resist.SteinhartHart(t.SteinhartHart[0], t.SteinhartHart[1], t.SteinhartHart[2])
}

var (
	adcChannels = [...]string{"0", "1", "2", "3", "0-1", "0-3", "1-3", "2-3"}
	adcRates    = [...]int{8, 16, 32, 64, 128, 250, 475, 860}
)

// i2cFields reads the keys of chips on I2C.
func (k *kitchen) i2cFields(p *Probe) []field {
	r := &k.reader
	return []field{
		{"address", scalar(r, &p.Address, "address", "0x67", parseAddress)},
		{"filter", scalar(r, &p.Filter, "filter", "3", oneNumber(0, 1, 2, 3, 4, 5, 6, 7))},
		{"channel", scalar(r, &p.Channel, "channel", "0", oneOf(adcChannels[:]...))},
		{"supply", scalar(r, &p.Supply, "supply", "3.3V", voltsWithin(2, 5.5))},
		{"rate", scalar(r, &p.Rate, "rate", "128", oneNumber(adcRates[:]...))},
		{"frontend", scalar(r, &p.FrontEnd, "frontend", AD8495, oneOf(AD8495))},
		{"reference_voltage", scalar(r, &p.ReferenceVoltage, "reference_voltage", "1.25V", voltsWithin(0, 5))},
		{"amplifier_supply", scalar(r, &p.AmplifierSupply, "amplifier_supply", "5V", voltsWithin(2.7, 36))},
		{"thermistor", func(n ast.Node) { k.thermistor(n, p) }},
		{"serial", scalar(r, &p.Serial, "serial", "28-0000075b2a3c", parseSerial)},
	}
}

// thermistor reads the key of that name.
func (k *kitchen) thermistor(n ast.Node, p *Probe) {
	r := &k.reader
	t := &Thermistor{}
	before := len(r.problems)
	of := r.mapping(n, "thermistor",
		field{"r25", scalar(r, &t.R25, "r25", "100k", parseOhms)},
		field{"beta", scalar(r, &t.Beta, "beta", "3950", parseBeta)},
		field{"steinhart_hart", func(n ast.Node) {
			i := 0
			r.list(n, "steinhart_hart", func(n ast.Node) {
				var v float64
				scalar(r, &v, "a coefficient", "1.295361e-3", parseNumber)(n)
				if i < len(t.SteinhartHart) {
					t.SteinhartHart[i] = v
				}
				i++
			})
			if i != len(t.SteinhartHart) {
				r.fail(placeOf(n), "write [A, B, C] of 1/T = A + B ln R + C (ln R)³", "steinhart_hart has %d coefficients, not 3", i)
			}
		}},
		field{"series", scalar(r, &t.Series, "series", "10k", parseOhms)},
		field{"r25_tolerance", scalar(r, &t.R25Off, "r25_tolerance", "1%", parsePercent)},
		field{"beta_tolerance", scalar(r, &t.BetaOff, "beta_tolerance", "1%", parsePercent)},
		field{"series_tolerance", scalar(r, &t.SeriesOff, "series_tolerance", "1%", parsePercent)},
		field{"to", func(n ast.Node) {
			var to string
			scalar(r, &to, "to", "ground", oneOf("ground", "excitation"))(n)
			t.ToExcitation = to == "excitation"
		}},
		field{"excitation", scalar(r, &t.Excitation, "excitation", "3.3V", voltsWithin(0.5, 5.5))},
		field{"excitation_channel", scalar(r, &t.ExcitationChannel, "excitation_channel", "3", oneOf(adcChannels[:4]...))},
	)
	if of == nil {
		return
	}
	at := placeOf(n)
	has := func(key string) bool { _, ok := of[key]; return ok }
	byBeta, bySteinhart := has("r25") || has("beta"), has("steinhart_hart")
	switch {
	case byBeta == bySteinhart:
		r.fail(at, "write r25: and beta: from the part's data sheet, or steinhart_hart: [A, B, C]", "a thermistor's curve is given by one of two ways")
	case byBeta && !(has("r25") && has("beta")):
		r.fail(at, "write both r25: and beta:", "a thermistor's curve needs its ohms at 25 °C and its beta")
	}
	for _, key := range [...]string{"r25_tolerance", "beta_tolerance"} {
		if has(key) && bySteinhart {
			r.fail(of[key], "remove it, and write accuracy: beside the thermistor if somebody found one", "a curve by steinhart_hart has no %s", key)
		}
	}
	if !has("series") {
		r.fail(at, "add series: with the fixed resistor's ohms, such as 10k", "the thermistor's divider has no fixed resistor")
	}
	if !has("to") {
		r.fail(at, "add to: ground or to: excitation, whichever the thermistor's other lead goes to", "the thermistor's divider can be wired two ways")
	}
	if has("excitation") == has("excitation_channel") {
		r.fail(at, "measure it: excitation_channel: 3; or write its voltage: excitation: 3.3V", "a divider's excitation is given by one of two ways")
	}
	if len(r.problems) > before {
		return
	}
	if _, err := t.Curve(); err != nil {
		r.fail(at, "look the figures up in the part's data sheet", "this is no thermistor: %v", err)
		return
	}
	p.Thermistor = t
}

// checkI2C looks at the keys of one probe on I2C together.
func (k *kitchen) checkI2C(p *entry[Probe], c chip) {
	r := &k.reader
	has := func(key string) bool { _, ok := p.of[key]; return ok }
	if has("bus") && !strings.HasPrefix(p.T.Bus, "I2C") {
		r.fail(p.key("bus"), "write I2C1 for I2C bus 1", "%s is an SPI bus; a %s sits on I2C", p.T.Bus, c.name)
	}
	if has("address") && (p.T.Address < c.low || p.T.Address > c.high) {
		r.fail(p.key("address"), "write one of "+c.addresses()+", as its address pins are wired", "no %s has the address 0x%02x", c.name, p.T.Address)
	}
	switch c.name {
	case "mcp9600":
		r.warn(p.key("chip"), "fit an MCP9601 and write chip: mcp9601, or look at the leads each day", "probe %s: an MCP9600 cannot tell a broken thermocouple, and then reads its own temperature", p.T.Name)
	case "ads1115":
		k.checkADC(p)
	}
}

func (k *kitchen) checkADC(p *entry[Probe]) {
	r := &k.reader
	has := func(key string) bool { _, ok := p.of[key]; return ok }
	pair := strings.Contains(p.T.Channel, "-")
	switch amp := has("frontend"); {
	case amp == has("thermistor"):
		r.fail(p.key("chip"), "write either frontend: ad8495, or thermistor: with its curve and divider", "probe %s: one of two things stands before an ads1115", p.T.Name)
	case amp:
		for _, need := range []struct{ key, fix string }{
			{"reference_voltage", "add reference_voltage: with the voltage at the amplifier's REF pin; 1.25V on many boards, 0V where it is grounded"},
			{"amplifier_supply", "add amplifier_supply: with the amplifier's own supply, such as 5V"},
		} {
			if !has(need.key) {
				r.fail(p.key("frontend"), need.fix, "probe %s has an ad8495 but no %s", p.T.Name, need.key)
			}
		}
		if has("reference_voltage") && has("amplifier_supply") && p.T.ReferenceVoltage > p.T.AmplifierSupply-1 {
			r.fail(p.key("reference_voltage"), "measure the REF pin again", "a reference of %g V leaves no room below a supply of %g V", p.T.ReferenceVoltage, p.T.AmplifierSupply)
		}
	default:
		for _, key := range []string{"reference_voltage", "amplifier_supply"} {
			if has(key) {
				r.fail(p.key(key), "remove it", "a thermistor has no %s", key)
			}
		}
		t := p.T.Thermistor
		switch {
		case pair:
			r.fail(p.key("channel"), "write one of 0, 1, 2, 3", "a thermistor's divider is measured against ground, not on a pair")
		case t.ExcitationChannel != "" && t.ExcitationChannel == p.T.Channel:
			r.fail(p.key("thermistor"), "measure the excitation on another channel", "probe %s and its excitation are both on channel %s", p.T.Name, p.T.Channel)
		case has("supply") && t.Excitation > p.T.Supply+0.2:
			r.fail(p.key("thermistor"), "feed the divider from the chip's own supply", "an excitation of %g V lies above the chip's supply of %g V, which an input does not stand", t.Excitation, p.T.Supply)
		}
	}
}

// claims is what a probe occupies on its bus: names that no other probe may claim. what says it to a person.
func (p *Probe) claims() (key, what string) {
	if !strings.HasPrefix(p.Bus, "I2C") {
		return p.Bus, p.Bus
	}
	place := fmt.Sprintf("%s address 0x%02x", p.Bus, p.Address)
	switch {
	case p.Channel != "":
		what = place + " channel " + p.Channel
	case p.Serial != "":
		what = place + " serial " + p.Serial
	default:
		what = place
	}
	return what, what
}

// crossI2C checks what lies in more than one probe on I2C: two chips at one address, and a channel that another
// probe's excitation is measured on.
func (k *kitchen) crossI2C() {
	chips := make(map[string]*entry[Probe])
	for i := range k.probes {
		p := &k.probes[i]
		if p.T.Address == 0 || p.T.Bus == "" {
			continue
		}
		place := fmt.Sprintf("%s address 0x%02x", p.T.Bus, p.T.Address)
		first := chips[place]
		if first == nil {
			chips[place] = p
			continue
		}
		if first.T.Chip != p.T.Chip {
			k.fail(p.key("address"), "set the address pins of one of them otherwise", "probes %s and %s put a %s and a %s on %s", first.T.Name, p.T.Name, first.T.Chip, p.T.Chip, place)
		} else if first.T.Supply != p.T.Supply {
			k.fail(p.key("supply"), "write the same for both", "probes %s and %s are on one chip and give it a supply of %g V and of %g V", first.T.Name, p.T.Name, first.T.Supply, p.T.Supply)
		}
	}
	for i := range k.probes {
		p := &k.probes[i]
		for j := range k.probes {
			o := &k.probes[j]
			if o.T.Thermistor == nil || o.T.Bus != p.T.Bus || o.T.Address != p.T.Address || i == j {
				continue
			}
			if ch := o.T.Thermistor.ExcitationChannel; ch != "" && slices.Contains(strings.Split(p.T.Channel, "-"), ch) {
				k.fail(p.key("channel"), "give one of them another channel", "probe %s is on channel %s, where the excitation of %s is measured", p.T.Name, ch, o.T.Name)
			}
		}
	}
}

var addressForm = regexp.MustCompile(`^0x[0-9a-f]{2}$`)

func parseAddress(s string) (uint16, string, string) {
	v, err := strconv.ParseUint(s, 0, 16)
	switch {
	case err == nil && addressForm.MatchString(s):
		return uint16(v), "", ""
	case err == nil && v < 0x80:
		return 0, fmt.Sprintf("%q is not in the form read here", shorten(s)), fmt.Sprintf("did you mean 0x%02x?", v)
	}
	return 0, fmt.Sprintf("%q is no address", shorten(s)), "write two hexadecimal digits after 0x, such as 0x67"
}

var serialForm = regexp.MustCompile(`^28-[0-9a-f]{12}$`)

func parseSerial(s string) (string, string, string) {
	if serialForm.MatchString(s) {
		return s, "", ""
	}
	if low := strings.ToLower(s); serialForm.MatchString(low) {
		return "", fmt.Sprintf("%q is no serial", s), "did you mean " + low + "?"
	}
	return "", fmt.Sprintf("%q is no serial of a DS18B20", shorten(s)), "write 28, a dash and twelve hexadecimal digits, such as 28-0000075b2a3c"
}

var percentForm = regexp.MustCompile(`^([0-9]{1,2}(?:\.[0-9]{1,3})?)%$`)

// parsePercent reads a part's tolerance as a share.
func parsePercent(s string) (float64, string, string) {
	m := percentForm.FindStringSubmatch(s)
	if m == nil {
		return 0, fmt.Sprintf("%q is no tolerance", shorten(s)), "write percent with their sign, such as 1%"
	}
	v, err := strconv.ParseFloat(m[1], 64)
	if err != nil || v <= 0 || v > 20 {
		return 0, s + " is no tolerance of such a part", "write more than 0% and at most 20%"
	}
	return v / 100, "", ""
}

var voltForm = regexp.MustCompile(`^([0-9]{1,3}(?:\.[0-9]{1,6})?)V$`)

// voltsWithin reads a voltage with its unit and bounds.
func voltsWithin(low, high float64) func(string) (float64, string, string) {
	return func(s string) (float64, string, string) {
		m := voltForm.FindStringSubmatch(s)
		if m == nil {
			if _, err := strconv.ParseFloat(s, 64); err == nil {
				return 0, fmt.Sprintf("%s has no unit", shorten(s)), fmt.Sprintf("write %sV", shorten(s))
			}
			return 0, fmt.Sprintf("%q is no voltage", shorten(s)), "write a number with its unit, such as 3.3V"
		}
		v, err := strconv.ParseFloat(m[1], 64)
		if err != nil || v < low || v > high {
			return 0, fmt.Sprintf("%s is out of range", s), fmt.Sprintf("write a voltage from %gV to %gV", low, high)
		}
		return v, "", ""
	}
}

func parseBeta(s string) (float64, string, string) {
	v, wrong, fix := parseNumber(strings.TrimSuffix(s, "K"))
	if wrong == "" && !(v >= 1000 && v <= 10_000) {
		return 0, fmt.Sprintf("%s is no thermistor's beta", s), "write the maker's figure in kelvin, such as 3950"
	}
	return v, wrong, fix
}

func parseNumber(s string) (float64, string, string) {
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || v-v != 0 {
		return 0, fmt.Sprintf("%q is no number", shorten(s)), "write a number, such as 1.295361e-3"
	}
	return v, "", ""
}
