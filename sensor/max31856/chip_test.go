package max31856

import (
	"context"
	"errors"
	"fmt"

	"holdbell/sensor"
)

// powerOn is the register file after power-on (datasheet table 6).
var powerOn = [numRegs]byte{0x00, 0x03, 0xff, 0x7f, 0xc0, 0x7f, 0xff, 0x80, 0x00, 0x00}

// chip is a register file that behaves as the datasheet says, as far as a driver can see it over the bus:
// conversions fill the measurement registers only while CR0 asks for them, and the mains filter must not
// change meanwhile.
type chip struct {
	regs   [numRegs]byte
	data   [6]byte      // what conversions give
	looks  int          // read transactions since conversions were started
	stuck  map[int]byte // registers that do not take what is written
	abuses []string
}

func newChip() *chip {
	// 25 °C cold, 100.9375 °C hot: rows of datasheet tables 2 and 3.
	return &chip{regs: powerOn, data: [6]byte{0x19, 0x00, 0x06, 0x4f, 0x00, 0x00}}
}

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
		if c.regs[regCR0]&cr0Auto != 0 {
			// The first look follows the start at once, before a conversion can have ended.
			if c.looks++; c.looks > 1 {
				copy(c.regs[regCJTH:], c.data[:])
			}
		}
		copy(r[1:], c.regs[at:])
		return nil
	}
	for i, v := range w[1:] {
		if at+i == regCR0 {
			if c.regs[regCR0]&cr0Auto != 0 && (c.regs[regCR0]^v)&cr0Notch50 != 0 {
				c.abuses = append(c.abuses, "mains filter changed while converting")
			}
			if v&cr0Auto != 0 && c.regs[regCR0]&cr0Auto == 0 {
				c.looks = 0
			}
		} else if c.regs[regCR0]&cr0Auto != 0 {
			c.abuses = append(c.abuses, fmt.Sprintf("register %02Xh written while converting", at+i))
		}
		if s, is := c.stuck[at+i]; is {
			v = s
		}
		c.regs[at+i] = v
	}
	return nil
}

// powerCut is a brown-out: everything is as after power-on.
func (c *chip) powerCut() { c.regs, c.looks = powerOn, 0 }

var _ sensor.Transport = (*chip)(nil)
