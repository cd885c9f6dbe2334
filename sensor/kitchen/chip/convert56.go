package chip

import "holdbell/sensor/its90"

// convert measures once and sets the measurement and the status.
func (c *MAX31856) convert() {
	n := c.samples()
	p := c.sense()
	tips := p.Tip
	for range n - 1 {
		tips += c.sense().Tip
	}
	p.Tip = tips / float64(n)

	faults := byte(0)
	if p.Wiring == Open && c.reg[cr0]&openDetect != 0 {
		faults |= open
	}
	// The chip has no word for a short: an input at or beyond a rail is a voltage fault (p. 26; that one at
	// ground counts as such is assumed).
	if p.Wiring == ToSupply || p.Wiring == ToGround {
		faults |= voltage
	}
	if faults&voltage == 0 { // else conversions are suspended and the registers keep what they held (p. 26)
		cold := c.measureCold(&p)
		if faults&open == 0 {
			faults |= c.measureHot(&p, cold)
		} else {
			faults |= c.reg[status] & hotRange
		}
		faults |= c.thresholds(cold)
		if low := limits[min(c.kind(), 7)].coldLow; cold < low || cold > coldHighest {
			faults |= coldRange
		}
	}
	if c.reg[cr0]&interrupt != 0 {
		faults |= c.reg[status] &^ (coldRange | hotRange) // latched until cleared (p. 19)
	}
	c.reg[status] = faults
}

// kind is CR1's type code: 0 to 7 a letter type, above that a voltage mode.
func (c *MAX31856) kind() byte { return c.reg[cr1] & 0x0f }

// measureCold fills the cold junction's registers, 1/64 °C in the upper 14 bits with the offset of 1/16 °C a
// bit already in, and gives what they then say.
func (c *MAX31856) measureCold(p *Pins) float64 {
	if c.reg[cr0]&coldDisabled == 0 {
		v := quantise(p.Board+float64(int8(c.reg[cjOffset]))/16, 1./64, 14) << 2
		c.reg[cjMSB], c.reg[cjLSB] = byte(v>>8), byte(v)
	}
	return float64(int16(uint16(c.reg[cjMSB])<<8|uint16(c.reg[cjLSB]))>>2) / 64
}

// measureHot fills the linearised temperature, 1/128 °C in the upper 19 bits (table 3). Beyond the type's range
// it is held at the limit and SR says so (p. 16). A floating input with its test switched off reads as no
// voltage.
func (c *MAX31856) measureHot(p *Pins, cold float64) (faults byte) {
	mv := 0.0
	if p.Wiring != Open {
		mv = p.emf()
	}
	kind := c.kind()
	if kind >= 8 {
		gain := 8.0
		if kind >= 12 {
			gain = 32
		}
		// Voltage mode: code = gain * 1.6 * 2^17 * volts (p. 20).
		c.hot(quantise(gain*1.6*(1<<17)*mv/1000, 1, 19))
		return 0
	}
	typ := its90.B + its90.Type(kind)
	celsius, faults := within(typ, mv+emf(typ, cold), limits[kind].low, limits[kind].high)
	c.hot(quantise(celsius, 1./128, 19))
	return faults
}

// within looks a voltage up, held between two temperatures.
func within(typ its90.Type, mv, low, high float64) (celsius float64, faults byte) {
	switch {
	case mv < emf(typ, low):
		return low, hotRange
	case mv > emf(typ, high):
		return high, hotRange
	}
	t, err := its90.Temperature(typ, mv)
	if err != nil {
		return low, hotRange
	}
	return t, 0
}

func (c *MAX31856) hot(v int32) {
	v <<= 5
	c.reg[tcHigh], c.reg[tcMid], c.reg[tcLow] = byte(v>>16), byte(v>>8), byte(v)
}

// thresholds compares with the limits set: 1 °C a bit for the cold junction, 1/16 °C for the tip (p. 22 to 24).
// In comparator mode a fault stays until 2 °C inside (p. 19).
func (c *MAX31856) thresholds(cold float64) (faults byte) {
	hot := float64(int32(uint32(c.reg[tcHigh])<<24|uint32(c.reg[tcMid])<<16|uint32(c.reg[tcLow])<<8)>>13) / 128
	over := func(bit byte, v, limit float64) {
		if v > limit || c.reg[status]&bit != 0 && v > limit-2 {
			faults |= bit
		}
	}
	word := func(i int) float64 { return float64(int16(uint16(c.reg[i])<<8|uint16(c.reg[i+1]))) / 16 }
	over(coldHigh, cold, float64(int8(c.reg[cjHigh])))
	over(coldLow, -cold, -float64(int8(c.reg[cjLow])))
	over(hotHigh, hot, word(tcHighMSB))
	over(hotLow, -hot, -word(tcLowMSB))
	return faults
}
