package chip

import (
	"errors"
	"time"

	"holdbell/sensor"
)

// Registers (datasheet 19-7534 Rev 0, table 6, p. 18).
const (
	cr0 = iota
	cr1
	mask
	cjHigh
	cjLow
	tcHighMSB
	tcHighLSB
	tcLowMSB
	tcLowLSB
	cjOffset
	cjMSB
	cjLSB
	tcHigh
	tcMid
	tcLow
	status
	numRegisters
)

// Bits of CR0 (p. 19).
const (
	auto         = 1 << 7
	oneShot      = 1 << 6
	openDetect   = 3 << 4
	coldDisabled = 1 << 3
	interrupt    = 1 << 2
	clearFaults  = 1 << 1
	notch50      = 1 << 0
)

// Bits of SR (p. 26).
const (
	coldRange = 1 << 7
	hotRange  = 1 << 6
	coldHigh  = 1 << 5
	coldLow   = 1 << 4
	hotHigh   = 1 << 3
	hotLow    = 1 << 2
	voltage   = 1 << 1
	open      = 1 << 0
)

// writeBit in the address marks a write.
const writeBit = 0x80

// powerOn are the registers' values at power-up (table 6, p. 18).
var powerOn = [numRegisters]byte{cr1: 0x03, mask: 0xff, cjHigh: 0x7f, cjLow: 0xc0,
	tcHighMSB: 0x7f, tcHighLSB: 0xff, tcLowMSB: 0x80}

// limits are what each type is specified for, °C, in the order of CR1's type codes, which is that of its90.B to
// T (table 1).
var limits = [8]struct{ low, high, coldLow float64 }{
	{250, 1820, 0}, {-200, 1000, -55}, {-210, 1200, -55}, {-200, 1372, -55},
	{-200, 1300, -55}, {-50, 1768, -50}, {-50, 1768, -50}, {-200, 400, -55},
}

const coldHighest = 125

// MAX31856 is the linearising converter of datasheet 19-7534 Rev 0.
type MAX31856 struct {
	sense func() Pins
	reg   [numRegisters]byte
	due   time.Duration // end of the conversion under way
	busy  bool
}

// NewMAX31856 makes a chip that has just been powered. sense gives what the pins see, once a sample: as often
// as CR1's averaging says in a conversion.
func NewMAX31856(sense func() Pins) *MAX31856 { return &MAX31856{sense: sense, reg: powerOn} }

// Accepts implements OnSPI: clock phase 1, either polarity.
func (c *MAX31856) Accepts(s sensor.SPIConfig) error {
	return accepts("MAX31856", s, highestClock, 1, 3)
}

// PowerCycle implements Chip.
func (c *MAX31856) PowerCycle(time.Duration) { *c = *NewMAX31856(c.sense) }

// Tx implements Chip: an address, then bytes whose address counts up by itself.
func (c *MAX31856) Tx(now time.Duration, w, r []byte) error {
	if _, err := exchange(w, r); err != nil {
		return err
	}
	if len(w) == 0 {
		return errors.New("a MAX31856 transaction begins with an address: give bytes to write")
	}
	c.run(now)
	clear(r)
	address := int(w[0] &^ writeBit)
	if w[0]&writeBit != 0 {
		for i, v := range w[1:] {
			c.write(now, address+i, v)
		}
		return nil
	}
	for i := 1; i < len(r) && address+i-1 < numRegisters; i++ {
		r[i] = c.reg[address+i-1]
	}
	return nil
}

// write stores a byte where the map allows it (table 6): the measurement and SR are read-only, but for the cold
// junction's temperature while its sensor is off.
func (c *MAX31856) write(now time.Duration, address int, v byte) {
	switch {
	case address == cr0:
		c.control(now, v)
	case address == cjMSB || address == cjLSB:
		if c.reg[cr0]&coldDisabled != 0 {
			c.reg[address] = v
		}
	case address < cjMSB:
		c.reg[address] = v
	}
}

// control writes CR0 (p. 19).
func (c *MAX31856) control(now time.Duration, v byte) {
	was := c.reg[cr0]
	if v&clearFaults != 0 && v&interrupt != 0 {
		c.reg[status] &= coldRange | hotRange
	}
	c.reg[cr0] = v &^ (clearFaults | oneShot)
	switch {
	case v&auto == 0:
		c.busy = false
		if v&oneShot != 0 {
			c.begin(now, true)
			c.reg[cr0] |= oneShot
		}
	case was&auto == 0:
		c.begin(now, true)
	}
}

// begin starts a conversion; how long it takes at most stands in the electrical characteristics, p. 4.
func (c *MAX31856) begin(from time.Duration, first bool) {
	long, each := 90*time.Millisecond, 16_670*time.Microsecond
	if first {
		long = 155 * time.Millisecond
	}
	if c.reg[cr0]&notch50 != 0 {
		long, each = 110*time.Millisecond, 20*time.Millisecond
		if first {
			long = 185 * time.Millisecond
		}
	}
	if first {
		each *= 2
		// The test for an open lead (table 4). Later on every sixteenth conversion has one, which is left out
		// here.
		long += [4]time.Duration{0, 15 * time.Millisecond, 37 * time.Millisecond, 125 * time.Millisecond}[c.reg[cr0]&openDetect>>4]
	}
	long += time.Duration(c.samples()-1) * each
	if c.reg[cr0]&coldDisabled != 0 {
		long -= 25 * time.Millisecond
	}
	c.due, c.busy = from+long, true
}

// samples is how many make a conversion (CR1, p. 20).
func (c *MAX31856) samples() int { return 1 << min(c.reg[cr1]>>4&7, 4) }

// run ends the conversions that were due by now. The pins are sensed as they are now, whenever the conversion
// ended, so a long time unread costs one conversion.
func (c *MAX31856) run(now time.Duration) {
	if !c.busy || now < c.due {
		return
	}
	c.convert()
	if c.reg[cr0]&auto == 0 {
		c.busy, c.reg[cr0] = false, c.reg[cr0]&^oneShot
		return
	}
	c.begin(c.due, false)
	if now >= c.due {
		// Unread for longer than a conversion: those between were overwritten, and the next one begins now.
		c.begin(now, false)
	}
}
