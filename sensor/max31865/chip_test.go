package max31865

import (
	"context"
	"errors"
	"fmt"

	"holdbell/sensor"
)

// powerOn is the register file after power-on (datasheet table 1).
var powerOn = [numRegs]byte{0x00, 0x00, 0x00, 0xff, 0xff, 0x00, 0x00, 0x00}

// chip is a register file that behaves as the datasheet says, as far as a driver can see it over the bus:
// conversions fill the measurement while the configuration asks for them, thresholds are compared with it,
// faults stand until they are cleared, and the filter must not change meanwhile.
type chip struct {
	regs   [numRegs]byte
	code   uint16 // what conversions give
	leads  uint8  // what a fault detection cycle finds: faultRefHigh, faultRefLow, faultRTDLow
	volts  bool   // an input lies beyond the supply
	slow   int    // read transactions that a cycle takes
	left   int
	stuck  map[int]byte // registers that do not take what is written
	cycles int
	abuses []string
}

// newChip has a Pt100 at 100 °C beside 400 Ω on it: a row of datasheet table 9.
func newChip() *chip { return &chip{regs: powerOn, code: 11346} }

func (c *chip) String() string { return "SPI0.1" }

func (c *chip) Tx(ctx context.Context, w, r []byte) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if len(w) < 2 || len(r) != 0 && len(r) != len(w) {
		return fmt.Errorf("%d bytes out and %d in", len(w), len(r))
	}
	at := int(w[0] &^ writeBit)
	if at+len(w)-1 > numRegs {
		return errors.New("runs over the last register")
	}
	if w[0]&writeBit == 0 {
		c.look(len(w) > 2)
		copy(r[1:], c.regs[at:])
		return nil
	}
	for i, v := range w[1:] {
		if s, is := c.stuck[at+i]; is {
			v = s
		}
		switch {
		case at+i == regConfig:
			c.configure(v)
		case at+i >= regHigh && at+i < regFault:
			if c.regs[regConfig]&cfgAuto != 0 {
				c.abuses = append(c.abuses, fmt.Sprintf("register %02Xh written while converting", at+i))
			}
			c.regs[at+i] = v
		default:
			c.abuses = append(c.abuses, fmt.Sprintf("register %02Xh is read-only", at+i))
		}
	}
	return nil
}

func (c *chip) configure(v byte) {
	was := c.regs[regConfig]
	if was&v&cfgAuto != 0 && (was^v)&(cfgNotch50|cfgThreeWire) != 0 || was&cfgAuto != 0 && (was^v)&cfgNotch50 != 0 {
		c.abuses = append(c.abuses, "mains filter or wiring changed while converting")
	}
	if v&cfgCycle != 0 && (v&cfgAuto != 0 || v&cfgBias == 0) {
		c.abuses = append(c.abuses, "a cycle while converting, or without current")
	}
	if v&cfgFaultClear != 0 {
		if v&(cfgOneShot|cfgCycle) != 0 {
			c.abuses = append(c.abuses, "faults cleared together with something else")
		}
		c.regs[regFault] = 0
	}
	if v&cfgCycle == cfgCycleAuto {
		c.left = c.slow
		c.cycles++
	}
	c.regs[regConfig] = v &^ cfgFaultClear
}

// look is what has happened by the time of a read. A look at the configuration alone follows its writing at
// once, before a conversion can have ended.
func (c *chip) look(all bool) {
	if all && c.regs[regConfig]&cfgAuto != 0 {
		c.convert()
	}
	if c.volts {
		c.regs[regFault] |= faultVoltage
	}
	if c.regs[regConfig]&cfgCycle != 0 {
		if c.left--; c.left < 0 {
			c.regs[regConfig] &^= cfgCycle
			c.regs[regFault] |= c.leads
		}
	}
}

func (c *chip) convert() {
	word := func(reg int) uint16 { return (uint16(c.regs[reg])<<8 | uint16(c.regs[reg+1])) >> 1 }
	if !c.volts {
		if c.code >= word(regHigh) {
			c.regs[regFault] |= faultHigh
		}
		if c.code <= word(regLow) {
			c.regs[regFault] |= faultLow
		}
		c.regs[regRTD], c.regs[regRTD+1] = byte(c.code>>7), byte(c.code<<1)
	}
	c.regs[regRTD+1] &^= 1
	if c.volts || c.regs[regFault] != 0 {
		c.regs[regRTD+1] |= 1
		if c.volts {
			c.regs[regFault] |= faultVoltage
		}
	}
}

// powerCut is a brown-out: everything is as after power-on.
func (c *chip) powerCut() { c.regs = powerOn }

var _ sensor.Transport = (*chip)(nil)
