package chip

import (
	"encoding/binary"
	"errors"
	"fmt"
	"time"

	"holdbell/sensor"
	"holdbell/sensor/its90"
)

// MAX31855 is the read-only converter of datasheet 19-5793.
type MAX31855 struct {
	sense     func() Pins
	gain      float64 // µV/°C
	frame     uint32
	converted time.Duration
	powered   time.Duration
	ready     bool // a first conversion has ended
}

// Times from the electrical characteristics, p. 3.
const (
	conversion55 = 100 * time.Millisecond // longest
	powerUp55    = 200 * time.Millisecond
)

// gains are the microvolts a degree of the straight line, by type from B on (table 1, p. 8). There is no
// variant for B.
var gains = [...]float64{0, 76.373, 57.953, 41.276, 36.256, 10.506, 9.587, 52.18}

// NewMAX31855 makes the variant for a thermocouple type. sense gives what the pins see, once a conversion. The
// chip has long been powered.
func NewMAX31855(variant its90.Type, sense func() Pins) (*MAX31855, error) {
	if !variant.Valid() || gains[variant-its90.B] == 0 {
		return nil, fmt.Errorf("the MAX31855 is not made for type %v: choose E, J, K, N, R, S or T", variant)
	}
	return &MAX31855{sense: sense, gain: gains[variant-its90.B], powered: -powerUp55}, nil
}

// Accepts implements OnSPI. The datasheet's timing is that of mode 0.
func (c *MAX31855) Accepts(s sensor.SPIConfig) error { return accepts("MAX31855", s, highestClock, 0) }

// PowerCycle implements Chip. Until the power-up time has passed the register reads all zeros.
func (c *MAX31855) PowerCycle(now time.Duration) { c.powered, c.ready, c.frame = now, false, 0 }

// Tx implements Chip: the frame is clocked out, most significant bit first, zeros after it; what is
// clocked in goes nowhere.
func (c *MAX31855) Tx(now time.Duration, w, r []byte) error {
	n, err := exchange(w, r)
	if err != nil {
		return err
	}
	if n == 0 {
		return errors.New("an empty transaction")
	}
	if !c.ready && now-c.powered >= powerUp55 || c.ready && now-c.converted >= conversion55 {
		c.frame, c.converted, c.ready = c.convert(), now, true
	}
	var word [4]byte
	binary.BigEndian.PutUint32(word[:], c.frame)
	clear(r[copy(r, word[:]):])
	return nil
}

// convert composes the word (tables 2 and 3, p. 9 and 10).
func (c *MAX31855) convert() uint32 {
	p := c.sense()
	board := quantise(p.Board, 1./16, 12)
	word := uint32(board) & 0xfff << 4
	fault := uint32(0)
	switch p.Wiring {
	case Open:
		fault = 1 << 0
	case ToGround:
		fault = 1 << 1
	case ToSupply:
		fault = 1 << 2
	}
	if fault != 0 {
		// An input that floats shows all ones below the sign (p. 10).
		return word | 0x1fff<<18 | 1<<16 | fault
	}
	// The straight line runs through the cold junction's temperature (p. 8), as the chip measured it.
	line := p.emf()*1000/c.gain + float64(board)/16
	return word | uint32(quantise(line, 1./4, 14))&0x3fff<<18
}
