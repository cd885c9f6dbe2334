// Package chip holds simulated thermocouple converters. Each answers transactions as its datasheet says the
// chip does, from what its pins see; the drivers cannot tell. They are written from the datasheets apart from
// the drivers, so that a mistake in one does not hide in the other.
package chip

import (
	"fmt"
	"time"

	"holdbell/sensor"
	"holdbell/sensor/its90"
)

// Wiring is the state of the leads between thermocouple and chip.
type Wiring uint8

// The states of the leads.
const (
	Intact   Wiring = iota
	Open            // a lead is broken
	Touching        // the leads touch near the terminals: a junction there, which reads the chip's own temperature
	ToGround        // a lead touches ground
	ToSupply        // a lead touches the supply
	numWirings
)

// String gives a word for the state.
func (w Wiring) String() string {
	if w >= numWirings {
		return fmt.Sprintf("wiring(%d)", uint8(w))
	}
	return [numWirings]string{"intact", "open", "touching", "to ground", "to supply"}[w]
}

// Valid reports whether w is one of the states.
func (w Wiring) Valid() bool { return w < numWirings }

// Pins is what a chip sees as it converts.
type Pins struct {
	Tip    float64 // of the thermocouple, °C, noise included
	Type   its90.Type
	Board  float64 // of the chip itself, °C
	Wiring Wiring
}

// emf is the voltage between the terminals in mV.
func (p *Pins) emf() float64 {
	if p.Wiring == Touching {
		return 0
	}
	return emf(p.Type, p.Tip) - emf(p.Type, p.Board)
}

// emf is the reference function, carried on by its last degree's slope beyond the ends of the range.
func emf(t its90.Type, celsius float64) float64 {
	lowest, highest := its90.Range(t)
	in := min(max(celsius, lowest), highest)
	mv, err := its90.EMF(t, in)
	if err != nil {
		return 0 // NaN: no temperature, no voltage
	}
	if in == celsius {
		return mv
	}
	inner := in + 1
	if celsius > in {
		inner = in - 1
	}
	beside, err := its90.EMF(t, inner)
	if err != nil {
		return mv
	}
	return mv + (celsius-in)*(beside-mv)/(inner-in)
}

// Chip is a simulated converter on a bus. Its methods are not safe for concurrent use: the kitchen holds the
// lock.
type Chip interface {
	// Tx is one transaction as in sensor.Transport, at a point in virtual time that never steps back.
	Tx(now time.Duration, w, r []byte) error
	// PowerCycle takes the supply away for a moment: registers return to their power-on values.
	PowerCycle(now time.Duration)
}

// OnSPI is a Chip behind a chip select.
type OnSPI interface {
	Chip
	// Accepts says whether the chip can follow a bus driven so.
	Accepts(c sensor.SPIConfig) error
}

// highestClock of the thermocouple chips of datasheets 19-5793 and 19-7534 in Hz (electrical characteristics).
const highestClock = 5_000_000

func accepts(name string, c sensor.SPIConfig, highest int64, modes ...int) error {
	if c.Hz <= 0 || c.Hz > highest {
		return fmt.Errorf("%s: a clock of %d Hz: it takes up to %d", name, c.Hz, highest)
	}
	for _, m := range modes {
		if c.Mode == m {
			return nil
		}
	}
	return fmt.Errorf("%s: SPI mode %d: it takes %v", name, c.Mode, modes)
}

// exchange checks a transaction's lengths as a real bus does, and gives how many bytes are clocked.
func exchange(w, r []byte) (int, error) {
	if len(w) != 0 && len(r) != 0 && len(w) != len(r) {
		return 0, fmt.Errorf("%d bytes out and %d in: SPI clocks both at once, so give equal lengths or one of them nil", len(w), len(r))
	}
	return max(len(w), len(r)), nil
}

// quantise rounds v/step to an integer within what the given number of bits holds, signed.
func quantise(v, step float64, bits int) int32 {
	limit := float64(int32(1) << (bits - 1))
	n := v / step
	if !(n == n) {
		return 0
	}
	if n >= 0 {
		n += 0.5
	} else {
		n -= 0.5
	}
	return int32(min(max(n, -limit), limit-1))
}
