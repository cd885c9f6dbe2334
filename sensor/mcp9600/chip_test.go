package mcp9600

import (
	"context"
	"fmt"

	"holdbell/sensor"
)

// chip is a register file that behaves as the data sheet says, as far as a driver can see it over the bus. A look
// at the identity lets a conversion end first: that is how often the driver is called.
type chip struct {
	id        byte
	sensor    byte
	device    byte
	status    byte
	hot, cold int16 // what conversions give, sixteenths
	th, tc    int16 // the registers
	late      bool  // no conversion ends
	stuck     bool  // the set-up does not take
	pointer   byte
	lastByte  byte // what a host that does not wait reads
	hasty     bool // the host does not wait
	logging   bool
	log       []string
}

func newChip(id byte) *chip { return &chip{id: id, hot: 1605, cold: 400} } // 100.3125 and 25 °C

func (c *chip) String() string { return "I2C1 0x67" }

func (c *chip) Tx(ctx context.Context, w, r []byte) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if len(w) == 0 {
		return fmt.Errorf("an empty write, which the chip does not answer")
	}
	if c.logging {
		c.log = append(c.log, fmt.Sprintf("% x>%d", w, len(r)))
	}
	c.pointer = w[0]
	if len(w) == 2 {
		switch v := w[1]; w[0] {
		case regStatus:
			c.status &= v | 0x3f
		case regSensor:
			if !c.stuck {
				c.sensor = v &^ sensorSpare
			}
		case regDevice:
			c.device = v
		default:
			return fmt.Errorf("register %#02x written", w[0])
		}
		return nil
	}
	if len(w) > 2 {
		return fmt.Errorf("%d bytes written", len(w))
	}
	var v []byte
	switch c.pointer {
	case regHot:
		v = []byte{byte(uint16(c.th) >> 8), byte(c.th)}
	case regCold:
		v = []byte{byte(uint16(c.tc) >> 8), byte(c.tc)}
	case regStatus:
		v = []byte{c.status}
	case regSensor:
		v = []byte{c.sensor}
	case regDevice:
		v = []byte{c.device}
	case regID:
		if !c.late {
			c.th, c.tc, c.status = c.hot, c.cold, c.status|statusUpdated
		}
		v = []byte{c.id, 0x12}
	}
	if len(r) != len(v) {
		return fmt.Errorf("%d bytes read from register %#02x", len(r), c.pointer)
	}
	for i := range r {
		if c.hasty {
			r[i], c.lastByte = c.lastByte, v[i]
		} else {
			r[i] = v[i]
		}
	}
	return nil
}

// powerCut is a brown-out: everything is as after power-on.
func (c *chip) powerCut() { *c = chip{id: c.id, hot: c.hot, cold: c.cold, late: c.late} }

var _ sensor.Transport = (*chip)(nil)
