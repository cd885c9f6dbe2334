// Package mcp9808 reads the MCP9808 temperature sensor (Microchip DS25095A), a chip that measures its own
// temperature: the air of a cabinet or a walk-in, ±0.5 °C at most from -20 to 100 °C.
//
// The chip is driven by periph's mcp9808. That driver never asks who answers, drops the reason of an error, knows
// nothing of a lost supply, and turns any two bytes into a temperature: a dead line reads as 0 °C or as -0.06 °C.
// So each reading asks for the chip's identity first, and looks for a limit that the set-up has left in it, which
// a lost supply erases. The three flags above the temperature then have to be down: they say whether it lies
// beyond limits that are the chip's own range.
package mcp9808

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"periph.io/x/conn/v3/physic"
	"periph.io/x/devices/v3/mcp9808"

	"holdbell/sensor"
)

// Lowest and Highest are the addresses that the chip can be set to by its pins A0 to A2.
const (
	Lowest  = 0x18
	Highest = 0x1f
)

// Registers and what they hold (DS25095A, registers 5-1 to 5-6).
const (
	regCritical     = 0x04
	regTemperature  = 0x05
	regManufacturer = 0x06
	regDevice       = 0x07
	manufacturer    = 0x0054
	device          = 0x04 // the upper byte; the lower is the revision
	flags           = 0xe000
)

// The limits that are left in the chip, °C: its range. They mark it as set up, and raise a flag beside a
// temperature that it is not made for.
const (
	lowest   = -40
	highest  = 124.75
	critical = 125
)

// Dev is one chip. It implements sensor.Probe.
type Dev struct {
	gate gate
	dev  *mcp9808.Dev // nil: to be set up
}

// New makes a probe of the chip behind t. It does not touch the bus: the first Read sets the chip up.
func New(t sensor.Transport) (*Dev, error) {
	if t == nil {
		return nil, errors.New("mcp9808: no transport")
	}
	return &Dev{gate: gate{t: t}}, nil
}

// MinInterval is the longest conversion at the finest resolution (electrical characteristics, with room).
func (d *Dev) MinInterval() time.Duration { return 300 * time.Millisecond }

// String names the chip and its place.
func (d *Dev) String() string { return "MCP9808 on " + d.gate.t.String() }

// Read implements sensor.Probe. The first Read, and the one that meets a chip without its set-up, set the chip up
// and give Stale.
func (d *Dev) Read(ctx context.Context) (sensor.Reading, error) {
	d.gate.ctx, d.gate.err = ctx, nil
	defer func() { d.gate.ctx = nil }()
	if err := d.identify(); err != nil {
		return d.failed(err)
	}
	limit, err := d.gate.word(regCritical)
	if err != nil {
		return d.failed(err)
	}
	// 12 bits of sixteenths; the two lowest are never set.
	if d.dev == nil || limit != critical*16 {
		return d.setUp()
	}
	t, err := d.sense()
	if err != nil {
		return d.failed(err)
	}
	inside := t >= lowest*1000 && t <= highest*1000
	switch up := d.gate.last & flags; {
	case up != 0 && inside:
		return d.bad(sensor.BusFault, fmt.Sprintf("the word %#04x says at once that it lies beyond its limits and that it does not: look at the wiring", d.gate.last))
	case !inside:
		return d.bad(sensor.Range, fmt.Sprintf("%.2f °C is outside the chip's %d to %d °C", t.Celsius(), lowest, critical))
	}
	return sensor.Reading{Temp: t}, nil
}

func (d *Dev) identify() error {
	maker, err := d.gate.word(regManufacturer)
	if err != nil {
		return err
	}
	part, err := d.gate.word(regDevice)
	if err != nil {
		return err
	}
	if maker != manufacturer || part>>8 != device {
		return fmt.Errorf("maker %#04x and part %#04x, not 0x0054 and 0x04xx: another chip at this address, or a dead data line", maker, part)
	}
	return nil
}

func (d *Dev) setUp() (sensor.Reading, error) {
	d.dev = nil
	// The gate knows the address; the driver's default is one that it accepts.
	dev, err := mcp9808.New(&d.gate, &mcp9808.DefaultOpts)
	if err == nil {
		d.dev = dev
		_, err = d.sense() // writes the limits
	}
	if err != nil {
		d.dev = nil
		return d.failed(err)
	}
	limit, err := d.gate.word(regCritical)
	if err != nil {
		return d.failed(err)
	}
	if limit != critical*16 {
		return d.bad(sensor.BusFault, "the set-up does not read back as it was written: look at the wiring and the supply")
	}
	return d.bad(sensor.Stale, "set up anew, first conversion under way")
}

// sense makes one reading through the driver.
func (d *Dev) sense() (sensor.Temp, error) {
	at := func(celsius float64) physic.Temperature {
		return physic.ZeroCelsius + physic.Temperature(celsius*float64(physic.Kelvin))
	}
	t, _, err := d.dev.SenseWithAlerts(at(lowest), at(highest), at(critical))
	if err != nil {
		return 0, err
	}
	return sensor.Temp(math.Round(float64(t-physic.ZeroCelsius) / float64(physic.MilliKelvin))), nil
}

func (d *Dev) bad(f sensor.Fault, words string) (sensor.Reading, error) {
	return sensor.Bad(f), fmt.Errorf("%v: %s", d, words)
}

func (d *Dev) failed(err error) (sensor.Reading, error) {
	if d.gate.err != nil {
		err = d.gate.err // the driver has put its own words in its place
	}
	fault := sensor.BusFault
	if errors.Is(err, context.DeadlineExceeded) {
		fault = sensor.Stale
	}
	return sensor.Bad(fault), fmt.Errorf("%v: %w", d, err)
}

// gate is the bus that periph's driver sees: the chip's transport, with the context and the error that the driver
// drops.
type gate struct {
	t    sensor.Transport
	ctx  context.Context // of the read under way
	err  error           // the first one
	last uint16          // the temperature register as it was read
}

// Tx implements periph's i2c.Bus.
func (g *gate) Tx(_ uint16, w, r []byte) error {
	if g.ctx == nil {
		return errors.New("a transaction outside of a read")
	}
	err := g.t.Tx(g.ctx, w, r)
	if err != nil && g.err == nil {
		g.err = err
	}
	if err == nil && len(w) == 1 && w[0] == regTemperature && len(r) == 2 {
		g.last = uint16(r[0])<<8 | uint16(r[1])
	}
	return err
}

// word reads a register of two bytes.
func (g *gate) word(reg byte) (uint16, error) {
	var r [2]byte
	err := g.Tx(0, []byte{reg}, r[:])
	return uint16(r[0])<<8 | uint16(r[1]), err
}

// SetSpeed implements periph's i2c.Bus. The kernel has set the speed.
func (g *gate) SetSpeed(physic.Frequency) error { return errors.New("the bus's speed is the kernel's") }

// String names the place.
func (g *gate) String() string { return g.t.String() }
