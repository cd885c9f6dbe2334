package chip

import (
	"errors"
	"math"
	"time"

	"holdbell/sensor"
	"holdbell/sensor/resist"
)

// Registers (datasheet 19-6478 Rev 3, table 1, p. 12).
const (
	rtdConfig = iota
	rtdMSB
	rtdLSB
	rtdHighMSB
	rtdHighLSB
	rtdLowMSB
	rtdLowLSB
	rtdStatus
	rtdRegisters
)

// Bits of the configuration (p. 13 and 14).
const (
	rtdBias    = 1 << 7
	rtdAuto    = 1 << 6
	rtdOneShot = 1 << 5
	rtdCycle   = 3 << 2
	rtdClear   = 1 << 1
	rtdNotch50 = 1 << 0
)

// Bits of the fault status (p. 15).
const (
	rtdTooHigh     = 1 << 7
	rtdTooLow      = 1 << 6
	rtdRefAbove    = 1 << 5
	rtdRefBelow    = 1 << 4
	rtdInputBelow  = 1 << 3
	rtdVoltage     = 1 << 2
	rtdLeads       = 0.3 // Ω, of leads that touch (common practice)
	rtdFullScale   = 0x7fff
	rtdDatasheetHz = 5_000_000
)

// MAX31865 is the converter for platinum thermometers of datasheet 19-6478 Rev 3, with its reference resistor.
type MAX31865 struct {
	sense       func() Pins
	thermometer resist.RTD
	reference   float64
	reg         [rtdRegisters]byte
	due         time.Duration // end of the conversion under way
	busy        bool
}

// NewMAX31865 makes a chip that has just been powered, with a thermometer on it and a reference resistor in
// ohms. sense gives what the pins see, once a conversion; the type in it means nothing.
func NewMAX31865(thermometer resist.RTD, reference float64, sense func() Pins) (*MAX31865, error) {
	if thermometer.R0() == 0 || !(reference > 0) {
		return nil, errors.New("a MAX31865 wants a platinum thermometer and a reference resistor above zero")
	}
	c := &MAX31865{sense: sense, thermometer: thermometer, reference: reference}
	c.PowerCycle(0)
	return c, nil
}

// Accepts implements OnSPI: clock phase 1, either polarity.
func (c *MAX31865) Accepts(s sensor.SPIConfig) error {
	return accepts("MAX31865", s, rtdDatasheetHz, 1, 3)
}

// PowerCycle implements Chip.
func (c *MAX31865) PowerCycle(time.Duration) {
	c.reg = [rtdRegisters]byte{rtdHighMSB: 0xff, rtdHighLSB: 0xff}
	c.busy = false
}

// Tx implements Chip: an address, then bytes whose address counts up by itself.
func (c *MAX31865) Tx(now time.Duration, w, r []byte) error {
	if _, err := exchange(w, r); err != nil {
		return err
	}
	if len(w) == 0 {
		return errors.New("a MAX31865 transaction begins with an address: give bytes to write")
	}
	c.run(now)
	clear(r)
	address := int(w[0] &^ writeBit)
	if w[0]&writeBit == 0 {
		for i := 1; i < len(r) && address+i-1 < rtdRegisters; i++ {
			r[i] = c.reg[address+i-1]
		}
		return nil
	}
	for i, v := range w[1:] {
		switch at := address + i; {
		case at == rtdConfig:
			c.control(now, v)
		case at >= rtdHighMSB && at <= rtdLowLSB:
			c.reg[at] = v
		}
	}
	return nil
}

// control writes the configuration. What ends by itself has ended by the next transaction: a fault detection
// cycle takes half a millisecond, which virtual time does not part.
func (c *MAX31865) control(now time.Duration, v byte) {
	was := c.reg[rtdConfig]
	if v&rtdClear != 0 && v&(rtdOneShot|rtdCycle) == 0 {
		c.reg[rtdStatus] = 0
	}
	if v&rtdCycle == 1<<2 && v&rtdBias != 0 && v&(rtdAuto|rtdOneShot) == 0 {
		c.detect()
	}
	c.reg[rtdConfig] = v &^ (rtdClear | rtdCycle | rtdOneShot)
	c.flag()
	switch {
	case v&rtdAuto == 0:
		c.busy = false
		if v&rtdOneShot != 0 {
			c.reg[rtdConfig] |= rtdOneShot
			c.begin(now, true)
		}
	case was&rtdAuto == 0:
		c.begin(now, true)
	}
}

// begin starts a conversion (longest times, electrical characteristics, p. 4).
func (c *MAX31865) begin(from time.Duration, first bool) {
	long := [2]time.Duration{17_600 * time.Microsecond, 21 * time.Millisecond}
	if first {
		long = [2]time.Duration{55 * time.Millisecond, 66 * time.Millisecond}
	}
	c.due, c.busy = from+long[c.reg[rtdConfig]&rtdNotch50], true
}

// run ends the conversions that were due by now. The pins are sensed as they are now.
func (c *MAX31865) run(now time.Duration) {
	if !c.busy || now < c.due {
		return
	}
	c.convert()
	if c.reg[rtdConfig]&rtdAuto == 0 {
		c.busy, c.reg[rtdConfig] = false, c.reg[rtdConfig]&^rtdOneShot
		return
	}
	if c.begin(c.due, false); now >= c.due {
		c.begin(now, false)
	}
}

// convert measures once (tables 5 and 10 to 12). Without bias there is no current and nothing to measure. With
// an input beyond the supply the chip holds still.
func (c *MAX31865) convert() {
	p := c.sense()
	if p.Wiring == ToSupply {
		c.reg[rtdStatus] |= rtdVoltage
		c.flag()
		return
	}
	code := 0
	if c.reg[rtdConfig]&rtdBias != 0 {
		code = c.code(&p)
	}
	word := func(at int) int { return (int(c.reg[at])<<8 | int(c.reg[at+1])) >> 1 }
	if code >= word(rtdHighMSB) {
		c.reg[rtdStatus] |= rtdTooHigh
	}
	if code <= word(rtdLowMSB) {
		c.reg[rtdStatus] |= rtdTooLow
	}
	c.reg[rtdMSB], c.reg[rtdLSB] = byte(code>>7), byte(code<<1)
	c.flag()
}

// code is the ratio in 32768ths. A thermometer with a lead on ground "appears to be valid".
func (c *MAX31865) code(p *Pins) int {
	ohms := rtdLeads
	switch p.Wiring {
	case Open:
		return rtdFullScale
	case Intact, ToGround:
		r, err := c.thermometer.Ohms(min(max(p.Tip, -200), 850))
		if err != nil {
			return 0 // NaN: no temperature, no resistance
		}
		ohms = r
	}
	return int(min(math.Round(ohms/c.reference*(rtdFullScale+1)), rtdFullScale))
}

// detect is a fault detection cycle (p. 14, tables 10 to 12).
func (c *MAX31865) detect() {
	switch p := c.sense(); p.Wiring {
	case Open:
		c.reg[rtdStatus] |= rtdRefAbove
	case ToGround:
		c.reg[rtdStatus] |= rtdRefBelow | rtdInputBelow
	case ToSupply:
		c.reg[rtdStatus] |= rtdVoltage
	}
}

// flag keeps the lowest bit of the measurement: whether any fault stands (p. 14).
func (c *MAX31865) flag() {
	c.reg[rtdLSB] &^= 1
	if c.reg[rtdStatus] != 0 {
		c.reg[rtdLSB] |= 1
	}
}
