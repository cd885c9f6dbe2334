// Package ads1115 reads temperatures through the ADS1115 analogue converter (Texas Instruments SBAS444D) and what
// stands before it: an AD8495 thermocouple amplifier, or a thermistor in a divider.
//
// The conversions are periph's ads1x15's. That driver waits for as long as a conversion takes by name and then
// reads what is there; the chip's clock may be a tenth slower, and then it hands out the conversion of before,
// which may be another channel's. It also believes a chip that has lost its set-up. So its traffic passes
// through a gate that waits for the chip's own word that it is done, and compares what it was told to do.
package ads1115

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"periph.io/x/conn/v3/physic"
	"periph.io/x/devices/v3/ads1x15"

	"holdbell/sensor"
)

// Lowest and Highest are the addresses that the chip can be set to by its ADDR pin.
const (
	Lowest  = 0x48
	Highest = 0x4b
)

// Channel is what is measured: an input against ground, or the difference of two inputs.
type Channel uint8

// The channels, by the multiplexer's numbers (table 8, MUX).
const (
	A0Minus1 Channel = iota
	A0Minus3
	A1Minus3
	A2Minus3
	A0
	A1
	A2
	A3
	numChannels
)

var channelNames = [numChannels]string{"0-1", "0-3", "1-3", "2-3", "0", "1", "2", "3"}

// ParseChannel reads "0" to "3", or a pair, "0-1", "0-3", "1-3" or "2-3".
func ParseChannel(s string) (Channel, error) {
	for i, name := range channelNames {
		if s == name {
			return Channel(i), nil
		}
	}
	return 0, fmt.Errorf("channel %q: the chip measures 0, 1, 2, 3 and the differences %s", s, strings.Join(channelNames[:A0], ", "))
}

// String gives the channel as ParseChannel reads it.
func (c Channel) String() string {
	if c >= numChannels {
		return fmt.Sprintf("channel(%d)", uint8(c))
	}
	return channelNames[c]
}

// Chip is one converter, which probes on its channels share. It makes one conversion at a time.
type Chip struct {
	gate  gate
	adc   *ads1x15.Dev
	turn  chan struct{} // holds whoever converts
	total time.Duration // what one conversion for every probe takes
	taken map[Channel]bool
}

// NewChip makes a chip behind t. It does not touch the bus.
func NewChip(t sensor.Transport) (*Chip, error) {
	if t == nil {
		return nil, errors.New("ads1115: no transport")
	}
	c := &Chip{gate: gate{t: t}, turn: make(chan struct{}, 1), taken: make(map[Channel]bool)}
	// The gate knows the address; the one given here is for the driver alone.
	adc, err := ads1x15.NewADS1115(&c.gate, &ads1x15.DefaultOpts)
	if err != nil {
		return nil, fmt.Errorf("ADS1115 on %v: %w", t, err)
	}
	c.adc = adc
	return c, nil
}

// pin is a channel with its range and rate.
func (c *Chip) pin(ch Channel, fullScale float64, rate int) (ads1x15.PinADC, error) {
	return c.adc.PinForChannel(ads1x15.Channel(ch), physic.ElectricPotential(fullScale*float64(physic.Volt)),
		physic.Frequency(rate)*physic.Hertz, ads1x15.BestQuality)
}

// convert measures a pin in volts. The caller has the turn.
func (c *Chip) convert(ctx context.Context, pin ads1x15.PinADC, takes time.Duration) (float64, error) {
	// The driver sleeps without looking at the context, so it is not let in when there is no time left for that.
	if end, ok := ctx.Deadline(); ok && time.Until(end) < takes {
		return 0, fmt.Errorf("no time left for a conversion of %v: %w", takes, context.DeadlineExceeded)
	}
	c.gate.ctx, c.gate.err = ctx, nil
	sample, err := pin.Read()
	c.gate.ctx = nil
	if c.gate.err != nil {
		return 0, c.gate.err
	}
	if err != nil {
		return 0, err
	}
	return float64(sample.V) / float64(physic.Volt), nil
}

// take waits for the turn.
func (c *Chip) take(ctx context.Context) error {
	select {
	case c.turn <- struct{}{}:
		return nil
	case <-ctx.Done():
		return fmt.Errorf("another channel of the chip has it: %w", ctx.Err())
	}
}

func (c *Chip) release() { <-c.turn }

// Registers and bits (SBAS444D, tables 7 and 8).
const (
	regConversion = 0x00
	regConfig     = 0x01
	configDone    = 1 << 15 // written: start a conversion; read: none is under way
)

// looks is how often the chip is asked whether it is done, a tenth of a conversion apart, beyond the time that
// the driver has waited.
const looks = 12

// gate is the bus that periph's driver sees: the chip's transport, with what the driver leaves out.
type gate struct {
	t     sensor.Transport
	ctx   context.Context // of the read under way
	err   error           // the first one, which the driver may reword
	told  uint16          // the configuration last written
	pause time.Duration   // between two looks
	w     [1]byte
	r     [2]byte
}

// Tx implements periph's i2c.Bus.
func (g *gate) Tx(_ uint16, w, r []byte) error {
	if g.ctx == nil {
		g.err = errors.New("a transaction outside of a read")
		return g.err
	}
	switch {
	case len(w) == 3 && w[0] == regConfig:
		g.told = uint16(w[1])<<8 | uint16(w[2])
	case len(w) == 1 && w[0] == regConversion && len(r) == len(g.r):
		if g.err = g.done(); g.err == nil {
			g.err = g.twice(w, r)
		}
		return g.err
	}
	g.err = g.t.Tx(g.ctx, w, r)
	return g.err
}

// done waits until the conversion has ended, and compares the set-up.
func (g *gate) done() error {
	for range looks {
		// Before the first look too: by then the slowest clock is through, so that a flipped bit in that look cannot
		// pass the conversion of before.
		wait := time.NewTimer(g.pause)
		select {
		case <-wait.C:
		case <-g.ctx.Done():
			wait.Stop()
			return fmt.Errorf("no conversion in time: %w", g.ctx.Err())
		}
		g.w[0] = regConfig
		if err := g.t.Tx(g.ctx, g.w[:], g.r[:]); err != nil {
			return err
		}
		have := uint16(g.r[0])<<8 | uint16(g.r[1])
		if have|configDone != g.told|configDone {
			return fmt.Errorf("the set-up reads %#04x after %#04x was written: another program on the chip, a lost supply, or a dead data line",
				have, g.told)
		}
		if have&configDone != 0 {
			return nil
		}
	}
	return errors.New("the conversion does not end: look at the chip's supply")
}

// twice reads the result until two readings in a row agree: it stands still once the conversion has ended, and a bit
// that flips on the way is nowhere else to be seen.
func (g *gate) twice(w, r []byte) error {
	for n := range 4 {
		if err := g.t.Tx(g.ctx, w, g.r[:]); err != nil {
			return err
		}
		if n > 0 && g.r == [2]byte(r) {
			return nil
		}
		copy(r, g.r[:])
	}
	return errors.New("the result reads differently each time: look at the bus's length, its pull-ups and what runs beside it")
}

// SetSpeed implements periph's i2c.Bus. The kernel has set the speed.
func (g *gate) SetSpeed(physic.Frequency) error { return errors.New("the bus's speed is the kernel's") }

// String names the place.
func (g *gate) String() string { return g.t.String() }
