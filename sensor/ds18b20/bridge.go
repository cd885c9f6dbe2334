// Package ds18b20 reads DS18B20 thermometers (Maxim 19-7487) on a 1-Wire line that hangs on an I2C bridge, a
// DS2482-100 or DS2483. A line on a pin of the board is the kernel's; its sensors are read as files.
//
// Both are driven by periph's ds248x and ds18b20, whose known lies are caught here. The sensor wakes up with 85 °C
// in its register; the driver's own guard against that compares with 85 K and never sees it. A line shorted to
// ground gives a scratchpad of zeros, whose checksum is right. The bridge's driver knows two of the four addresses
// wrong, and, to tell the bridge's model, asks for registers that a DS2482-100 refuses, which looks like a dead
// bus. A bridge that once failed is dead for ever until it is made anew.
//
// So the alarm registers of every sensor, which nobody uses, are given a mark that is not in its permanent memory:
// a sensor that has lost its supply, if only by a failed conversion, has lost its mark too, and is not believed.
package ds18b20

import (
	"context"
	"errors"
	"fmt"
	"time"

	"periph.io/x/conn/v3/onewire"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/devices/v3/ds248x"

	"holdbell/sensor"
)

// Lowest and Highest are the addresses that the bridge can be set to by its pins AD0 and AD1.
const (
	Lowest  = 0x18
	Highest = 0x1b
)

// perSensor is how long one sensor's traffic takes at 100 kHz, with room, and conversion the longest conversion at
// 12 bits (19-7487, electrical characteristics).
const (
	perSensor  = 50 * time.Millisecond
	conversion = 750 * time.Millisecond
)

// Bridge is one DS2482-100 or DS2483, which the sensors on its line share. One is spoken to at a time.
type Bridge struct {
	gate    gate
	dev     *ds248x.Dev // nil: to be set up
	turn    chan struct{}
	sensors map[onewire.Address]bool
	// pad is what the last reading of a scratchpad gave, within one turn.
	pad [9]byte
}

// NewBridge makes a bridge behind t. It does not touch the bus.
func NewBridge(t sensor.Transport) (*Bridge, error) {
	if t == nil {
		return nil, errors.New("ds18b20: no transport")
	}
	return &Bridge{gate: gate{t: t}, turn: make(chan struct{}, 1), sensors: make(map[onewire.Address]bool)}, nil
}

// take waits for the turn, and sets the bridge up where need be.
func (b *Bridge) take(ctx context.Context) error {
	select {
	case b.turn <- struct{}{}:
	case <-ctx.Done():
		return fmt.Errorf("another sensor of the line has the bridge: %w", ctx.Err())
	}
	b.gate.ctx, b.gate.err, b.pad = ctx, nil, [9]byte{}
	if b.dev != nil {
		return nil
	}
	// The gate knows the address; the one given here is for the driver alone. So are the times, which only a DS2483
	// would be set to: with none the driver does not sleep before it asks whether a byte is through, and by then it
	// mostly is, at the speed of an I2C bus.
	dev, err := ds248x.New(&b.gate, Lowest, &ds248x.Opts{})
	if err != nil {
		err = b.reason(err)
		b.release()
		return err
	}
	b.dev = dev
	return nil
}

func (b *Bridge) release() {
	b.gate.ctx = nil
	<-b.turn
}

// Tx implements periph's onewire.Bus for the sensors' driver.
func (b *Bridge) Tx(w, r []byte, power onewire.Pullup) error {
	if b.dev == nil {
		return errors.New("the bridge has failed in this reading")
	}
	err := b.dev.Tx(w, r, power)
	if err == nil && len(r) == len(b.pad) {
		b.pad = [9]byte(r)
	}
	var line onewire.BusError
	if err != nil && !errors.As(err, &line) {
		b.dev = nil // it says nothing else from now on
	}
	return err
}

// reason is the transport's error where the driver has put its own words in its place.
func (b *Bridge) reason(err error) error {
	if b.gate.err != nil {
		return b.gate.err
	}
	return err
}

// Search implements periph's onewire.Bus. Sensors are named in the configuration.
func (b *Bridge) Search(bool) ([]onewire.Address, error) {
	return nil, errors.New("the line is not searched")
}

// String names the place.
func (b *Bridge) String() string { return b.gate.t.String() }

// The bridge's commands and registers that the gate looks at (DS2482-100, 19-4930, tables of commands and
// pointers).
const (
	setPointer     = 0xe1
	portConfig     = 0xb4 // DS2483 alone
	channelSelect  = 0xd2 // DS2482-800 alone
	statusIdleDead = 0x00
	statusReset    = 1 << 4 // no configuration was written since power-on
)

// gate is the bus that periph's bridge driver sees.
type gate struct {
	t   sensor.Transport
	ctx context.Context // of the reading under way
	err error           // the first one
}

// Tx implements periph's i2c.Bus.
func (g *gate) Tx(_ uint16, w, r []byte) error {
	if g.ctx == nil {
		return errors.New("a transaction outside of a read")
	}
	if len(w) == 2 && w[0] == setPointer && (w[1] == portConfig || w[1] == channelSelect) {
		// Not asked: a DS2482-100 refuses, and the transport would take that for a bus in trouble. All models work
		// as a DS2482-100 does.
		return errors.New("not asked")
	}
	err := g.t.Tx(g.ctx, w, r)
	if err == nil && len(w) == 0 && len(r) == 1 { // the status, while the line is busy
		switch {
		case r[0] == statusIdleDead:
			// An idle line is high, and a shorted one is told by its own bit: either is a bit in the status.
			err = errors.New("the bridge's status reads 0x00: a dead data line, or no bridge: look at the wiring and the supply")
		case r[0]&statusReset != 0:
			err = fmt.Errorf("the bridge's status reads %#02x: the bridge has lost its supply, or a dead data line: look at the wiring", r[0])
		}
	}
	if err != nil && g.err == nil {
		g.err = err
	}
	return err
}

// SetSpeed implements periph's i2c.Bus. The kernel has set the speed.
func (g *gate) SetSpeed(physic.Frequency) error { return errors.New("the bus's speed is the kernel's") }

// String names the place.
func (g *gate) String() string { return g.t.String() }
