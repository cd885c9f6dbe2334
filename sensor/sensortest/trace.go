package sensortest

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"holdbell/sensor"
	"holdbell/sensor/bustrace"
)

// Trace is a board's buses as a bus trace of `holdbell run --trace` tells of them: at each place stands a Tape
// with what was done there. Whatever the drivers do otherwise fails the test.
// Probes that share a chip must be read in the order in which they were then.
type Trace struct {
	tapes map[string]*Tape
}

// NewTrace makes the buses of a trace for one test.
func NewTrace(t testing.TB, trace []bustrace.Transaction) *Trace {
	ops := map[string][]IO{}
	for _, x := range trace {
		op := IO{W: x.W, R: x.R}
		if x.Err != "" {
			op.Err = told(x.Err)
		}
		ops[x.Place] = append(ops[x.Place], op)
	}
	b := &Trace{tapes: map[string]*Tape{}}
	for name, ops := range ops {
		b.tapes[name] = newTape(t, name, ops)
	}
	return b
}

// SPI implements sensor.Buses.
func (b *Trace) SPI(name string, _ sensor.SPIConfig) (sensor.Transport, error) { return b.at(name) }

// I2C implements sensor.Buses.
func (b *Trace) I2C(name string, addr uint16) (sensor.Transport, error) {
	return b.at(fmt.Sprintf("%s 0x%02x", name, addr))
}

func (b *Trace) at(name string) (sensor.Transport, error) {
	if tape := b.tapes[name]; tape != nil {
		return tape, nil
	}
	var have []string
	for name := range b.tapes {
		have = append(have, name)
	}
	slices.Sort(have)
	return nil, fmt.Errorf("%w: nothing was done at %s in this trace; it has: %s", sensor.ErrNoDevice, name, strings.Join(have, ", "))
}

// Left is how many transactions of a place were not made yet.
func (b *Trace) Left(name string) int {
	tape := b.tapes[name]
	if tape == nil {
		return 0
	}
	tape.mu.Lock()
	defer tape.mu.Unlock()
	return len(tape.ops) - tape.next
}

// told is an error of which the words alone are known. It is whatever its words say that it wraps.
type told string

// Error gives the words.
func (e told) Error() string { return string(e) }

// Is finds the words of target among its own.
func (e told) Is(target error) bool { return strings.Contains(string(e), target.Error()) }
