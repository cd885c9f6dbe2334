// Package sensor is the contract between whatever measures temperatures and whatever judges them:
// Temp, Instant, Fault, Reading, Sweep, Probe and Source. It uses the standard library alone.
package sensor

import (
	"context"
	"errors"
	"time"
)

// Reading is what one probe said in one sweep. Fault None means that Temp is valid; with any other
// fault Temp holds nothing and is zero. A silent probe still yields a Reading, so that time advances.
type Reading struct {
	Temp  Temp
	Fault Fault
}

// Valid reports whether the reading carries a temperature.
func (r Reading) Valid() bool { return r.Fault == None }

// Bad is a reading with a fault and no temperature.
func Bad(f Fault) Reading { return Reading{Fault: f} }

// Sweep is one look at every probe. Readings stand in the order of the configuration's probes, so a
// reading needs no name of its own.
type Sweep struct {
	At       Instant
	Readings []Reading
}

// Probe is one temperature that can be read: a channel of a chip, a kernel file, a topic.
//
// Read returns within the context's deadline. A failed read gives a Reading with a Fault and an error
// that says in words what was seen and what to look at; the error is nil exactly when the reading is
// valid. Read is never called twice at once on one probe.
type Probe interface {
	Read(ctx context.Context) (Reading, error)
	// MinInterval is the shortest time between two reads that gives two conversions.
	MinInterval() time.Duration
	// String names the chip and where it sits, such as "MAX31855 on SPI0.0".
	String() string
}

// Source yields sweeps: live probes, a recording, a simulation. Next blocks until the next sweep or the
// end of ctx. The sweep's Readings are valid until the following call. A source that has ended returns
// io.EOF.
type Source interface {
	Next(ctx context.Context) (Sweep, error)
}

// Transport is one transaction with one chip. Write and read happen in one framing (SPI: full duplex,
// equal lengths or one of them nil; I2C: write, repeated start, read). It returns within the context's
// deadline even when the bus hangs.
type Transport interface {
	Tx(ctx context.Context, w, r []byte) error
	// String names the place, such as "SPI0.0" or "I2C1 0x60".
	String() string
}

// ErrNoDevice is wrapped by a Transport whose device node does not exist (yet).
var ErrNoDevice = errors.New("no such device")

// SPIConfig is how a chip wants its bus driven. The driver fixes it; it is no user's choice.
type SPIConfig struct {
	Hz   int64 // highest clock in hertz
	Mode int   // 0 to 3
}

// Buses hands out transports by a bus's name as a configuration writes it: "SPI0.1" for chip select 1 of
// bus 0, "I2C1" and an address. The real ones and the simulator's both do.
type Buses interface {
	SPI(name string, c SPIConfig) (Transport, error)
	I2C(name string, addr uint16) (Transport, error)
}
