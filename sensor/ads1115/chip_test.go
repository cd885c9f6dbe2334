package ads1115

import (
	"context"
	"fmt"
	"math"
	"time"

	"holdbell/sensor"
)

// chip is an ADS1115 as the data sheet says, as far as a driver can see it over the bus, in real time: a
// conversion takes its time, and until then the register holds the one before.
type chip struct {
	volts  [4]float64
	slow   float64 // how much longer conversions take than named
	config uint16
	code   uint16
	next   uint16
	due    time.Time
	force  *uint16 // what conversions give, whatever the volts
	resets int     // power is lost after so many more transactions
	dead   bool    // never ends a conversion
	abuses []string
	// seen are the multiplexer's settings of the conversions, in their order.
	seen []uint16
}

const powerOn = 0x8583 // the configuration register after power-on (table 8)

func newChip() *chip { return &chip{config: powerOn, slow: 1, resets: -1} }

func (c *chip) String() string { return "I2C1 0x48" }

func (c *chip) busy() bool {
	if c.due.IsZero() {
		return false
	}
	if c.dead || time.Now().Before(c.due) {
		return true
	}
	c.due, c.code = time.Time{}, c.next
	return false
}

func (c *chip) Tx(ctx context.Context, w, r []byte) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if c.resets--; c.resets == -1 {
		c.config, c.code, c.due = powerOn, 0, time.Time{}
	}
	busy := c.busy()
	switch {
	case len(w) == 3 && w[0] == 1:
		if busy {
			c.abuses = append(c.abuses, "set up while converting")
		}
		c.config = uint16(w[1])<<8 | uint16(w[2])
		if c.config&0x8000 != 0 {
			rate := [8]float64{8, 16, 32, 64, 128, 250, 475, 860}[c.config>>5&7]
			c.due = time.Now().Add(time.Duration(float64(time.Second) * c.slow / rate))
			c.next = c.convert()
		}
	case len(w) == 1 && w[0] == 1 && len(r) == 2:
		v := c.config | 0x8000
		if busy {
			v = c.config &^ 0x8000
		}
		r[0], r[1] = byte(v>>8), byte(v)
	case len(w) == 1 && w[0] == 0 && len(r) == 2:
		r[0], r[1] = byte(c.code>>8), byte(c.code)
	default:
		return fmt.Errorf("% x written and %d bytes read", w, len(r))
	}
	return nil
}

func (c *chip) convert() uint16 {
	mux := c.config >> 12 & 7
	c.seen = append(c.seen, mux)
	if c.force != nil {
		return *c.force
	}
	plus, minus := [8]int{0, 0, 1, 2, 0, 1, 2, 3}[mux], [8]int{1, 3, 3, 3, -1, -1, -1, -1}[mux]
	v := c.volts[plus]
	if minus >= 0 {
		v -= c.volts[minus]
	}
	full := [8]float64{6.144, 4.096, 2.048, 1.024, 0.512, 0.256, 0.256, 0.256}[c.config>>9&7]
	return uint16(int16(min(max(math.Round(v/full*32768), -32768), 32767)))
}

var _ sensor.Transport = (*chip)(nil)
