// Package bus opens the board's SPI and I2C buses and hands out transports on them. It is the only place that
// knows how a bus is reached (through periph's sysfs package, without its registry).
//
// A kernel call on a bus has no deadline: a wedged bus holds its caller for as long as it likes. So each
// physical bus has one worker that makes the calls, and callers wait for it no longer than their context
// allows. Nobody queues behind a worker that hangs, and one bus never waits for another. After an error the
// device is closed and opened anew, at once the first time and then with pauses of 1 s growing to 60 s; a
// device node that is missing is looked for in the same rhythm, for ever.
package bus

import (
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"holdbell/sensor"
)

// Port is one open device: a chip select of an SPI bus, or an address on an I2C bus.
type Port interface {
	// Tx makes one transaction and may block without end.
	Tx(w, r []byte) error
	Close() error
}

// Options says where devices are and how they are opened. The zero value is the running board's.
type Options struct {
	// Root is put before the paths in /dev and /sys that explain a failure; empty on a board.
	Root string
	// OpenSPI and OpenI2C replace the real buses in tests.
	OpenSPI func(bus, chipSelect int, c sensor.SPIConfig) (Port, error)
	OpenI2C func(bus int, addr uint16) (Port, error)
}

// Host hands out transports. It implements sensor.Buses.
type Host struct {
	o     Options
	board board
	quit  chan struct{}

	mu      sync.Mutex
	closed  bool
	workers map[string]*worker
	taken   map[string]bool // SPI names given out
}

// New makes a Host. It opens nothing: each device is opened when it is first used.
func New(o Options) *Host {
	h := &Host{o: o, board: board{root: o.Root}, quit: make(chan struct{}),
		workers: map[string]*worker{}, taken: map[string]bool{}}
	if h.o.OpenSPI == nil {
		h.o.OpenSPI = h.board.openSPI
	}
	if h.o.OpenI2C == nil {
		h.o.OpenI2C = h.board.openI2C
	}
	return h
}

// SPI gives the transport for a name such as "SPI0.1": chip select 1 of bus 0, /dev/spidev0.1. Each can be had
// once, for one chip sits behind it. The device need not exist yet.
func (h *Host) SPI(name string, c sensor.SPIConfig) (sensor.Transport, error) {
	if name == "" {
		return nil, errors.New(`no SPI bus named: write bus and chip select, such as "SPI0.1"`)
	}
	var n, cs int
	if !parse(name, "SPI%d.%d", &n, &cs) || n < 0 || n > 0xffff || cs < 0 || cs > 255 {
		return nil, fmt.Errorf(`%q names no SPI chip select: write bus and chip select, such as "SPI0.1"`, name)
	}
	if c.Hz < 100 || c.Hz > 1_000_000_000 || c.Mode < 0 || c.Mode > 3 {
		return nil, fmt.Errorf("%s: %d Hz in mode %d: the clock goes from 100 Hz to 1 GHz, the mode from 0 to 3", name, c.Hz, c.Mode)
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.taken[name] {
		return nil, fmt.Errorf("%s is used by two probes: one chip sits behind one chip select", name)
	}
	w, err := h.worker(fmt.Sprintf("SPI%d", n))
	if err != nil {
		return nil, err
	}
	h.taken[name] = true
	return w.device(name, true, func() (Port, error) {
		p, err := h.o.OpenSPI(n, cs, c)
		return p, h.board.explain(err, h.board.spi(name, n, cs))
	}), nil
}

// I2C gives the transport for an address on a bus such as "I2C1", /dev/i2c-1. Several may share an address:
// a chip can have several channels.
func (h *Host) I2C(name string, addr uint16) (sensor.Transport, error) {
	if name == "" {
		return nil, errors.New(`no I2C bus named: write its number, such as "I2C1"`)
	}
	var n int
	if !parse(name, "I2C%d", &n) || n < 0 || n > 0xffff {
		return nil, fmt.Errorf(`%q names no I2C bus: write its number, such as "I2C1"`, name)
	}
	// The I2C specification (NXP UM10204, section 3.1.12) reserves what lies outside.
	if addr < 0x08 || addr > 0x77 {
		return nil, fmt.Errorf("%s: address %#02x lies outside 0x08 to 0x77", name, addr)
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	w, err := h.worker(name)
	if err != nil {
		return nil, err
	}
	return w.device(fmt.Sprintf("%s 0x%02x", name, addr), false, func() (Port, error) {
		p, err := h.o.OpenI2C(n, addr)
		return p, h.board.explain(err, h.board.i2c(name, n))
	}), nil
}

// closeWait is how long Close waits for a transaction under way.
const closeWait = time.Second

// Close ends the workers and closes the devices. It waits a second for transactions under way and names
// the buses that still hang then; those are left to the end of the process.
func (h *Host) Close() error {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.closed {
		return nil
	}
	h.closed = true
	close(h.quit)
	patience := time.NewTimer(closeWait)
	defer patience.Stop()
	var hung []string
	for name, w := range h.workers {
		select {
		case <-w.ended:
			continue
		default:
		}
		select {
		case <-w.ended:
		case <-patience.C:
			hung = append(hung, name)
			patience.Reset(0)
		}
	}
	if len(hung) > 0 {
		return fmt.Errorf("%s: a transaction still hangs", strings.Join(hung, ", "))
	}
	return nil
}

// worker gives the worker of a physical bus, starting it when it is new. h.mu is held.
func (h *Host) worker(bus string) (*worker, error) {
	if h.closed {
		return nil, errClosed
	}
	w := h.workers[bus]
	if w == nil {
		w = &worker{jobs: make(chan *job), quit: h.quit, ended: make(chan struct{})}
		h.workers[bus] = w
		go w.run()
	}
	return w, nil
}

// parse reads name by a format that it must match to the letter.
func parse(name, format string, into ...any) bool {
	if _, err := fmt.Sscanf(name, format, into...); err != nil {
		return false
	}
	var values []any
	for _, p := range into {
		values = append(values, *p.(*int))
	}
	return fmt.Sprintf(format, values...) == name
}
