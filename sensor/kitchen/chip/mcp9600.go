package chip

import (
	"fmt"
	"time"

	"holdbell/sensor/its90"
)

// MCP9600 is the converter of datasheet DS20005426G, or an MCP9601.
type MCP9600 struct {
	sense    func() Pins
	identity byte
	pointer  byte
	hot      int16 // sixteenths of a degree
	cold     int16
	status   byte
	sensor   byte
	device   byte
	smooth   float64
	settled  bool // smooth holds something
	due      time.Duration
}

// The status bits (register 5-5) and what an MCP9601 says of itself (register 5-13).
const (
	hotUpdated = 1 << 6
	hotShort   = 1 << 5
	hotInput   = 1 << 4
	is9601     = 0x41
)

// NewMCP9600 makes a chip that has just been powered; telling makes it an MCP9601, which tells an open or shorted
// thermocouple.
func NewMCP9600(telling bool, sense func() Pins) *MCP9600 {
	c := &MCP9600{sense: sense, identity: 0x40}
	if telling {
		c.identity = is9601
	}
	return c
}

// PowerCycle implements Chip.
func (c *MCP9600) PowerCycle(now time.Duration) {
	*c = MCP9600{sense: c.sense, identity: c.identity, due: now + c.takes()}
}

// takes is the time of a conversion at the set resolution, and of the cold junction's (register 5-7).
func (c *MCP9600) takes() time.Duration {
	cold := 250 * time.Millisecond
	if c.device&0x80 != 0 {
		cold = 63 * time.Millisecond
	}
	return cold + [4]time.Duration{320, 80, 20, 5}[c.device>>5&3]*time.Millisecond
}

// Tx implements Chip.
func (c *MCP9600) Tx(now time.Duration, w, r []byte) error {
	if err := calls("MCP9600", w, r); err != nil {
		return err
	}
	if len(w) == 0 {
		return fmt.Errorf("MCP9600: a read without a register before it")
	}
	if c.device&3 == 0 && now >= c.due {
		c.convert()
		c.due = now + c.takes()
	}
	c.pointer = w[0]
	if len(w) == 2 {
		switch v := w[1]; c.pointer {
		case 0x04:
			c.status &= v | 0x3f
		case 0x05:
			c.sensor, c.settled = v&0x77, false
		case 0x06:
			c.device, c.due = v, now+c.takes()
		}
	}
	switch c.pointer {
	case 0x00:
		word(uint16(c.hot), r)
	case 0x01:
		word(uint16(c.hot-c.cold), r)
	case 0x02:
		word(uint16(c.cold), r)
	case 0x04:
		fill(c.status, r)
	case 0x05:
		fill(c.sensor, r)
	case 0x06:
		fill(c.device, r)
	case 0x20:
		word(uint16(c.identity)<<8|0x12, r)
	default:
		fill(0, r)
	}
	return nil
}

// convert measures once.
func (c *MCP9600) convert() {
	p := c.sense()
	step := 1.0 / 16
	if c.device&0x80 != 0 {
		step = 0.25
	}
	board := float64(quantise(min(max(p.Board, -40), 125), step, 16)) * step
	c.status &^= hotShort | hotInput
	mv := 0.0
	switch p.Wiring {
	case Open:
		// An MCP9600 sees no voltage; an MCP9601 tells.
		if c.identity == is9601 {
			c.status |= hotInput
		}
	case ToGround:
		// The lead is at ground through the input's own filter: no voltage is left.
		if c.identity == is9601 {
			c.status |= hotShort
		}
	case ToSupply:
		c.status |= hotInput
		if c.identity == is9601 {
			c.status |= hotShort
		}
	default:
		mv = p.emf()
	}
	typ := [8]its90.Type{its90.K, its90.J, its90.T, its90.N, its90.S, its90.E, its90.B, its90.R}[c.sensor>>4&7]
	low, high := its90.Range(typ)
	t, out := within(typ, mv+emf(typ, board), low, high)
	if out != 0 {
		c.status |= hotInput
	}
	if n := c.sensor & 7; n > 0 && c.settled {
		t = c.smooth + (t-c.smooth)*2/float64(int(1)<<n+1)
	}
	c.smooth, c.settled = t, true
	c.hot, c.cold = sixteenths(t, -2000, 2000), sixteenths(board, -40, 125)
	c.status |= hotUpdated
}
