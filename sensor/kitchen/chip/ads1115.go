package chip

import (
	"fmt"
	"math"
	"time"

	"holdbell/sensor/its90"
	"holdbell/sensor/resist"
)

// ADS1115 is the converter of datasheet SBAS444D. Conversions take no time: a kitchen's clock stands still while
// its probes are read.
type ADS1115 struct {
	inputs  [4]func() float64 // volts; nil is an input at ground
	pointer byte
	config  uint16
	result  int16
}

// NewADS1115 makes a chip that has just been powered.
func NewADS1115() *ADS1115 { return &ADS1115{config: 0x8583} }

// Wire puts a voltage in volts on one of the inputs 0 to 3.
func (c *ADS1115) Wire(input int, volts func() float64) error {
	if input < 0 || input >= len(c.inputs) || c.inputs[input] != nil {
		return fmt.Errorf("input %d: give each its own of 0 to 3", input)
	}
	c.inputs[input] = volts
	return nil
}

// Wired reports whether an input has its voltage.
func (c *ADS1115) Wired(input int) bool {
	return input >= 0 && input < len(c.inputs) && c.inputs[input] != nil
}

// PowerCycle implements Chip.
func (c *ADS1115) PowerCycle(time.Duration) { c.pointer, c.config, c.result = 0, 0x8583, 0 }

// Tx implements Chip.
func (c *ADS1115) Tx(_ time.Duration, w, r []byte) error {
	if err := calls("ADS1115", w, r); err != nil {
		return err
	}
	if len(w) > 0 {
		c.pointer = w[0] & 3
	}
	if len(w) == 3 && c.pointer == 1 {
		c.config = uint16(w[1])<<8 | uint16(w[2])
		const start, single = 1 << 15, 1 << 8
		if c.config&(start|single) == start|single {
			c.convert()
		}
		c.config |= start // read: no conversion is under way
	}
	switch c.pointer {
	case 0:
		word(uint16(c.result), r)
	case 1:
		word(c.config, r)
	}
	return nil
}

// convert measures once (tables 3 and 8).
func (c *ADS1115) convert() {
	at := func(i int) float64 {
		if i < 0 || c.inputs[i] == nil {
			return 0
		}
		return c.inputs[i]()
	}
	mux := c.config >> 12 & 7
	v := at([8]int{0, 0, 1, 2, 0, 1, 2, 3}[mux]) - at([8]int{1, 3, 3, 3, -1, -1, -1, -1}[mux])
	full := [8]float64{6.144, 4.096, 2.048, 1.024, 0.512, 0.256, 0.256, 0.256}[c.config>>9&7]
	c.result = int16(quantise(v, full/32768, 16))
}

// Amplifier is the output of an AD8495 in volts: 122.4 times the thermocouple's voltage, trimmed to 5 mV/°C at 25
// °C, above its reference and between its stops.
func Amplifier(reference, supply float64, p Pins) float64 {
	tip := p.Tip
	switch p.Wiring {
	case Open, ToSupply:
		return supply - 0.05
	case ToGround:
		return 0.02
	case Touching:
		tip = p.Board
	}
	out := reference + 0.125 + 122.4*(emf(its90.K, tip)-emf(its90.K, 25))/1000
	return min(max(out, 0.02), supply-0.05)
}

// DividerVolts is the voltage between a thermistor and its fixed resistor.
func DividerVolts(curve *resist.Thermistor, d resist.Divider, excitation float64, p Pins) float64 {
	ohms, err := curve.Ohms(p.Tip)
	switch {
	case p.Wiring == Open || err != nil:
		ohms = math.Inf(1)
	case p.Wiring == Touching:
		ohms = 0
	case p.Wiring == ToGround:
		return 0
	case p.Wiring == ToSupply:
		return excitation
	}
	return excitation * d.Ratio(ohms)
}
