package chip

import (
	"errors"
	"time"

	"holdbell/sensor"
)

// MAX6675 is the read-only converter of datasheet 19-2235 Rev 1.
type MAX6675 struct {
	sense func() Pins
	word  uint16
	begun time.Duration // of the conversion under way
}

// From the electrical characteristics, p. 2 and 3, and the text, p. 4.
const (
	conversion75 = 220 * time.Millisecond // longest
	clock75      = 4_300_000
	gain75       = 41. // µV/°C of the straight line
	scaleEnd75   = 0xfff
)

// NewMAX6675 makes a chip that has just been powered. sense gives what the pins see, once a conversion.
func NewMAX6675(sense func() Pins) *MAX6675 { return &MAX6675{sense: sense, begun: -conversion75} }

// Accepts implements OnSPI.
func (c *MAX6675) Accepts(s sensor.SPIConfig) error { return accepts("MAX6675", s, clock75, 1) }

// PowerCycle implements Chip.
func (c *MAX6675) PowerCycle(now time.Duration) { c.word, c.begun = 0, now }

// Tx implements Chip. Chip select going low ends the conversion under way, whose result is lost unless it was
// done, and going high begins the next (p. 4).
func (c *MAX6675) Tx(now time.Duration, w, r []byte) error {
	n, err := exchange(w, r)
	if err != nil {
		return err
	}
	if n == 0 {
		return errors.New("an empty transaction")
	}
	if now-c.begun >= conversion75 {
		c.word = c.convert()
	}
	c.begun = now
	clear(r[copy(r, []byte{byte(c.word >> 8), byte(c.word)}):])
	return nil
}

// convert composes the word (figure 2, p. 5). T- is on ground, as the open test needs, so that a lead on ground
// shorts the inputs and reads as the board's own temperature; one on the supply is at the end of the scale.
func (c *MAX6675) convert() uint16 {
	p := c.sense()
	if p.Wiring == ToGround {
		p.Wiring = Touching
	}
	line := p.emf()*1000/gain75 + p.Board
	quarters := uint16(max(quantise(line, 1./4, 13), 0)) & scaleEnd75
	word := quarters << 3
	switch p.Wiring {
	case Open:
		word |= 1 << 2
	case ToSupply:
		word = scaleEnd75 << 3
	}
	return word
}
