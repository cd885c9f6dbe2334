// Package accuracy tells how good a thermometer and the chip behind it can claim to be: the tolerance class of
// the wire or the platinum, and what the chip's datasheet promises, added up, since both may err the same way. A
// check against ice or boiling water can do better; nothing here can do worse than a broken probe.
package accuracy

import (
	"math"
	"strings"

	"holdbell/sensor"
	"holdbell/sensor/its90"
)

// Class is a tolerance class of a thermometer.
type Class string

// The classes. Of the thermocouples' no copy of the standards was seen: the figures are those of published tables,
// which testdata names.
const (
	IEC1         Class = "iec-1" // IEC 60584-1
	IEC2         Class = "iec-2"
	IEC3         Class = "iec-3"
	ASTMStandard Class = "astm-standard" // ASTM E230
	ASTMSpecial  Class = "astm-special"
	PlatinumA    Class = "a" // IEC 60751
	PlatinumB    Class = "b"
)

// Classes gives those of thermocouples, or those of platinum thermometers.
func Classes(platinum bool) []Class {
	if platinum {
		return []Class{PlatinumA, PlatinumB}
	}
	return []Class{IEC1, IEC2, IEC3, ASTMStandard, ASTMSpecial}
}

// tolerance is one class of some types over a range: the greater of a fixed half-width and a share of the
// temperature's size, °C. From over on, each degree adds more of itself.
type tolerance struct {
	class           Class
	types           string
	low, high       float64
	fixed, fraction float64
	over, more      float64
}

// tolerances of wire. For type K below 0 °C under ASTM E230 two sources differ, by 2 and by 1 % of the
// temperature; the wider stands here.
var tolerances = [...]tolerance{
	{class: IEC1, types: "KN", low: -40, high: 1000, fixed: 1.5, fraction: 0.004},
	{class: IEC1, types: "E", low: -40, high: 800, fixed: 1.5, fraction: 0.004},
	{class: IEC1, types: "J", low: -40, high: 750, fixed: 1.5, fraction: 0.004},
	{class: IEC1, types: "T", low: -40, high: 350, fixed: 0.5, fraction: 0.004},
	{class: IEC1, types: "RS", low: 0, high: 1600, fixed: 1, over: 1100, more: 0.003},
	{class: IEC2, types: "KN", low: -40, high: 1200, fixed: 2.5, fraction: 0.0075},
	{class: IEC2, types: "E", low: -40, high: 900, fixed: 2.5, fraction: 0.0075},
	{class: IEC2, types: "J", low: -40, high: 750, fixed: 2.5, fraction: 0.0075},
	{class: IEC2, types: "T", low: -40, high: 350, fixed: 1, fraction: 0.0075},
	{class: IEC2, types: "RS", low: 0, high: 1600, fixed: 1.5, fraction: 0.0025},
	{class: IEC2, types: "B", low: 600, high: 1700, fraction: 0.0025},
	{class: IEC3, types: "KNE", low: -200, high: 40, fixed: 2.5, fraction: 0.015},
	{class: IEC3, types: "T", low: -200, high: 40, fixed: 1, fraction: 0.015},
	{class: IEC3, types: "B", low: 600, high: 1700, fixed: 4, fraction: 0.005},
	{class: ASTMStandard, types: "J", low: 0, high: 760, fixed: 2.2, fraction: 0.0075},
	{class: ASTMStandard, types: "KN", low: 0, high: 1260, fixed: 2.2, fraction: 0.0075},
	{class: ASTMStandard, types: "T", low: 0, high: 370, fixed: 1, fraction: 0.0075},
	{class: ASTMStandard, types: "E", low: 0, high: 870, fixed: 1.7, fraction: 0.005},
	{class: ASTMStandard, types: "K", low: -200, high: 0, fixed: 2.2, fraction: 0.02},
	{class: ASTMStandard, types: "T", low: -200, high: 0, fixed: 1, fraction: 0.015},
	{class: ASTMStandard, types: "E", low: -200, high: 0, fixed: 1.7, fraction: 0.01},
	{class: ASTMSpecial, types: "J", low: 0, high: 760, fixed: 1.1, fraction: 0.004},
	{class: ASTMSpecial, types: "KN", low: 0, high: 1260, fixed: 1.1, fraction: 0.004},
	{class: ASTMSpecial, types: "T", low: 0, high: 370, fixed: 0.5, fraction: 0.004},
	{class: ASTMSpecial, types: "E", low: 0, high: 870, fixed: 1, fraction: 0.004},
}

// Wire gives the half-width in °C of a thermocouple's class at a temperature; ok is false where the class does not
// hold for the type.
func Wire(c Class, t its90.Type, celsius float64) (halfWidth float64, ok bool) {
	for i := range tolerances {
		w := &tolerances[i]
		if w.class != c || !strings.Contains(w.types, t.String()) || !(celsius >= w.low && celsius <= w.high) {
			continue
		}
		h := max(w.fixed, float64(w.fraction*math.Abs(celsius)))
		if w.more > 0 && celsius > w.over {
			h += float64(w.more * (celsius - w.over))
		}
		return h, true
	}
	return 0, false
}

// Platinum gives the half-width in °C of a platinum thermometer's class at a temperature (IEC 60751; the ranges are
// those of wound thermometers, from memory); ok is false where the class does not hold.
func Platinum(c Class, celsius float64) (halfWidth float64, ok bool) {
	size := math.Abs(celsius)
	switch {
	case c == PlatinumA && celsius >= -100 && celsius <= 450:
		return 0.15 + float64(0.002*size), true
	case c == PlatinumB && celsius >= -196 && celsius <= 600:
		return 0.3 + float64(0.005*size), true
	}
	return 0, false
}

// Chain is a thermometer and what reads it.
type Chain struct {
	Chip  string     // as a configuration has it, such as "max31855"
	Type  its90.Type // of a thermocouple, else zero
	Wires int        // of a platinum thermometer, else 0
	Class Class      // empty for the usual one: iec-2, or b
	// Reference is the voltage at the REF pin of an AD8495 before an ADS1115, in volts.
	Reference float64
	// Thermistor is what is known of one before an ADS1115; nil without one.
	Thermistor *Thermistor
}

// At gives the half-width in °C that the chain can claim at a temperature; ok is false when nothing can be
// claimed: an unknown chip, a class that does not hold there, or two wires, whose own resistance nobody has
// measured (a Pt100 reads 2.6 °C more for each ohm).
func (c Chain) At(celsius float64) (halfWidth float64, ok bool) {
	if h, ok := silicon(c.Chip, celsius); ok {
		return h, true
	}
	if c.Chip == "max31865" {
		class := c.Class
		if class == "" {
			class = PlatinumB
		}
		h, ok := Platinum(class, celsius)
		if !ok || c.Wires < 3 {
			return 0, false
		}
		return h + ratio(celsius), true
	}
	if c.Thermistor != nil {
		return c.Thermistor.at(celsius)
	}
	class := c.Class
	if class == "" {
		class = IEC2
	}
	h, ok := Wire(class, c.Type, celsius)
	if !ok {
		return 0, false
	}
	if c.Chip == "ads1115" {
		return h + amplifier(c.Reference, celsius), c.Type == its90.K
	}
	own, ok := converter(c.Chip, c.Type, celsius)
	return h + own, ok
}

// silicon is what a chip claims that is the thermometer itself (datasheets DS25095 of the MCP9808 and 19-7487 of the
// DS18B20, from memory).
func silicon(chip string, celsius float64) (halfWidth float64, ok bool) {
	switch {
	case chip == "mcp9808" && celsius >= -20 && celsius <= 100, chip == "ds18b20" && celsius >= -10 && celsius <= 85:
		return 0.5, true
	case chip == "mcp9808" && celsius >= -40 && celsius <= 125:
		return 1, true
	case chip == "ds18b20" && celsius >= -55 && celsius <= 125:
		return 2, true
	}
	return 0, false
}

// ratio is what a MAX31865 and its reference resistor add: 0.5 °C at most (datasheet 19-6478 Rev 3, p. 1), and a
// resistor good to 0.1 % (common practice), which is as much of the ohms, and platinum's ohms rise by about 0.39 %
// of R0 a degree.
func ratio(celsius float64) float64 {
	return 0.5 + float64(0.001*(1/0.0039+celsius))
}

// converter is what a thermocouple chip adds, its cold junction and half of its step included, with the chip between
// -20 and 85 °C.
func converter(chip string, t its90.Type, celsius float64) (halfWidth float64, ok bool) {
	switch chip {
	case "max31855":
		// ±2 °C from -200 to 700 °C for type K (datasheet 19-5793, p. 1); for the others from memory.
		if celsius >= -200 && celsius <= 700 && t != its90.B {
			return 2, true
		}
	case "max6675":
		// Eight steps of a quarter from 0 to 700 °C (datasheet 19-2235, p. 1), and what the chip's own temperature costs,
		// which it does not tell (package max6675).
		if celsius > 0 && celsius <= 700 && t == its90.K {
			return 2 + 0.25, true
		}
	case "max31856":
		return precision(t, celsius)
	case "mcp9600", "mcp9601":
		// 1.5 °C at most of the hot junction (datasheet DS20005426, from memory).
		if celsius >= -200 && celsius <= 1350 {
			return 1.5, true
		}
	}
	return 0, false
}

// precision is what a MAX31856 adds (datasheet 19-7534, electrical characteristics, p. 4): 0.7 °C of its cold
// junction, through the type's slope there; 11.7 µV of offset; and 0.15 %, read here as of the voltage measured.
func precision(t its90.Type, celsius float64) (halfWidth float64, ok bool) {
	const board = 25 // °C
	tip, e1 := its90.EMF(t, celsius)
	cold, e2 := its90.EMF(t, board)
	up, e3 := its90.EMF(t, celsius+0.5)
	down, e4 := its90.EMF(t, celsius-0.5)
	coldUp, e5 := its90.EMF(t, board+1)
	if e1 != nil || e2 != nil || e3 != nil || e4 != nil || e5 != nil || up <= down {
		return 0, false
	}
	millivolts := float64(0.7*(coldUp-cold)) + 0.0117 + float64(0.0015*math.Abs(tip-cold))
	return millivolts / (up - down), true
}

// amplifier is what an AD8495 and the ADS1115 behind it add, with the amplifier between 0 and 50 °C. Its makers promise
// of the better grade 1 °C at 25 °C and 0.025 °C for each degree that it is warmer or colder there (datasheet
// AD8494/AD8495/AD8496/AD8497, features, p. 1); of the plain one, which nobody can tell from outside, 3 °C and 0.05 °C a
// degree, and 0.3 % of gain (its table of specifications, from memory). The converter adds 0.15 % of the voltage at most
// (datasheet SBAS444D, gain error, from memory), and whoever measured the REF pin 0.2 % of that (common practice).
func amplifier(reference, celsius float64) float64 {
	const perDegree = 0.005 // volts
	own := 3 + float64(0.05*25) + float64(0.003*math.Abs(celsius-25))
	return own + (float64(0.0015*math.Abs(reference+float64(perDegree*celsius)))+float64(0.002*reference))/perDegree
}

// Thermistor is one by R25 and beta before an ADS1115, whose excitation is measured on the same converter. The
// tolerances are shares, such as 0.01 for 1 %; zero where nobody said one.
type Thermistor struct {
	Beta                    float64 // kelvin
	R25Off, BetaOff, Series float64 // of the ohms at 25 °C, of beta, and of the fixed resistor
}

// betaFits is how far the curve by beta lies from a published thermistor's own between 0 and 100 °C, °C: 0.76 at 0 °C
// for the NTCLE100E3 of Vishay with its B25/85 of 3977 K (its datasheet's four coefficients, from a secondary source;
// another part may lie further).
const betaFits = 0.8

// at is worked out from the curve 1/T = 1/T25 + ln(R/R25)/beta: a share of the ohms moves T by T²/beta, a share of beta by
// T·|T-T25|/T25. It claims nothing where a tolerance is not known.
func (t *Thermistor) at(celsius float64) (halfWidth float64, ok bool) {
	if !(t.Beta > 0 && t.R25Off > 0 && t.BetaOff > 0 && t.Series > 0) || celsius < foodLow || celsius > foodHigh {
		return 0, false
	}
	const t25 = 298.15
	k := celsius + 273.15
	ohms := float64((t.R25Off + t.Series) * (k * k) / t.Beta)
	return betaFits + ohms + float64(t.BetaOff*k*math.Abs(k-t25)/t25), true
}

// The temperatures at which food is judged, °C: ice to boiling water.
const (
	foodLow  = 0
	foodHigh = 100
)

// Food gives the half-width that the chain can claim wherever food is judged, from 0 to 100 °C; zero when there
// is a temperature in between at which it can claim none. A chip that knows nothing of 0 °C is asked from a
// degree above.
func (c Chain) Food() sensor.Temp {
	worst := 0.0
	from := foodLow
	if c.Chip == "max6675" {
		from++
	}
	for at := from; at <= foodHigh; at++ {
		h, ok := c.At(float64(at))
		if !ok {
			return 0
		}
		worst = max(worst, h)
	}
	t, _ := sensor.FromCelsius(math.Ceil(float64(worst*10)) / 10) // a claim to a tenth
	return t
}
