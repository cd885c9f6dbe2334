package chip

import (
	"fmt"
	"time"
)

// MCP9808 is the sensor of datasheet DS25095A, which measures its own temperature: its tip is the chip.
type MCP9808 struct {
	sense      func() Pins
	config     uint16
	limits     [3]uint16 // upper, lower, critical
	resolution byte
	word       uint16
	due        time.Duration
}

// NewMCP9808 makes a chip that has just been powered.
func NewMCP9808(sense func() Pins) *MCP9808 {
	c := &MCP9808{sense: sense}
	c.PowerCycle(0)
	return c
}

// PowerCycle implements Chip.
func (c *MCP9808) PowerCycle(now time.Duration) {
	*c = MCP9808{sense: c.sense, resolution: 3}
	c.due = now + c.takes()
}

// takes is the time of a conversion (table 5-3).
func (c *MCP9808) takes() time.Duration {
	return [4]time.Duration{30, 65, 130, 250}[c.resolution&3] * time.Millisecond
}

// Tx implements Chip.
func (c *MCP9808) Tx(now time.Duration, w, r []byte) error {
	if err := calls("MCP9808", w, r); err != nil {
		return err
	}
	if len(w) == 0 || w[0] > 8 {
		return fmt.Errorf("MCP9808: % x is no register", w)
	}
	const shutDown = 1 << 8
	if c.config&shutDown == 0 && now >= c.due {
		c.convert()
		c.due = now + c.takes()
	}
	if reg := w[0]; len(w) == 3 && reg >= 1 && reg <= 4 {
		v := uint16(w[1])<<8 | uint16(w[2])
		if reg == 1 {
			c.config = v
		} else {
			c.limits[reg-2] = v & 0x1ffc
		}
	} else if len(w) == 2 && reg == 8 {
		c.resolution = w[1] & 3
	}
	switch w[0] {
	case 1:
		word(c.config, r)
	case 2, 3, 4:
		word(c.limits[w[0]-2], r)
	case 5:
		word(c.word, r)
	case 6:
		word(0x0054, r)
	case 7:
		word(0x0400, r)
	case 8:
		fill(c.resolution, r)
	}
	return nil
}

// convert measures once: thirteen bits of sixteenths, and above them how they lie to the limits (register 5-4).
func (c *MCP9808) convert() {
	t := sixteenths(c.sense().Tip, -40, 125)
	t &^= 1<<(3-c.resolution&3) - 1
	c.word = uint16(t) & 0x1fff
	limit := func(i int) int16 { return int16(c.limits[i]<<3) >> 3 }
	if t >= limit(2) {
		c.word |= 1 << 15
	}
	if t > limit(0) {
		c.word |= 1 << 14
	}
	if t < limit(1) {
		c.word |= 1 << 13
	}
}
