// Package sensortest holds what every probe's tests share: a conformance suite, a scripted probe, and
// transports that play back a tape or fail on purpose.
package sensortest

import (
	"bytes"
	"context"
	"fmt"
	"sync"
	"testing"

	"holdbell/sensor"
)

// IO is one transaction of a tape: what the driver must write, what it then reads, and how it fails. R must
// be as long as what the driver asks for; with Err set nothing is read.
type IO struct {
	W, R []byte
	Err  error
}

// Tape is a Transport that plays back taped transactions. A transaction that differs from the tape, and at
// the end of the test a tape that was not played to its end, fail the test.
type Tape struct {
	t    testing.TB
	name string
	mu   sync.Mutex
	next int
	ops  []IO
}

// NewTape makes a tape of ops for one test.
func NewTape(t testing.TB, ops ...IO) *Tape {
	return newTape(t, place, ops)
}

func newTape(t testing.TB, name string, ops []IO) *Tape {
	tape := &Tape{t: t, name: name, ops: ops}
	t.Cleanup(func() {
		tape.mu.Lock()
		defer tape.mu.Unlock()
		if left := len(tape.ops) - tape.next; left > 0 {
			t.Errorf("tape of %s: %d of %d transactions were never made", name, left, len(tape.ops))
		}
	})
	return tape
}

// Tx implements sensor.Transport.
func (p *Tape) Tx(ctx context.Context, w, r []byte) error {
	p.t.Helper()
	if err := ctx.Err(); err != nil {
		return err
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.next == len(p.ops) {
		return p.mismatch("transaction %d (writes % x) after the tape's end", p.next+1, w)
	}
	op := p.ops[p.next]
	p.next++
	if !bytes.Equal(w, op.W) {
		return p.mismatch("transaction %d writes % x, on the tape stands % x", p.next, w, op.W)
	}
	if op.Err != nil {
		return op.Err
	}
	if len(r) != len(op.R) {
		return p.mismatch("transaction %d reads %d bytes, on the tape stand %d", p.next, len(r), len(op.R))
	}
	copy(r, op.R)
	return nil
}

func (p *Tape) mismatch(format string, args ...any) error {
	p.t.Helper()
	err := fmt.Errorf("tape of "+p.name+": "+format, args...)
	p.t.Error(err)
	return err
}

// String names the place.
func (p *Tape) String() string { return p.name }

const place = "SPI9.9"

// Constant is a Transport whose every read gives one and the same byte: 0x00 and 0xff are dead buses.
type Constant byte

// Tx implements sensor.Transport.
func (c Constant) Tx(ctx context.Context, _, r []byte) error {
	for i := range r {
		r[i] = byte(c)
	}
	return ctx.Err()
}

// String names the place.
func (c Constant) String() string { return place }

// Switch is a Transport that passes on to another, or does something else as long as Instead is set.
type Switch struct {
	sensor.Transport
	Instead func(ctx context.Context, w, r []byte) error
}

// Tx implements sensor.Transport.
func (s *Switch) Tx(ctx context.Context, w, r []byte) error {
	if s.Instead != nil {
		return s.Instead(ctx, w, r)
	}
	return s.Transport.Tx(ctx, w, r)
}

// Hang never answers: it returns when ctx ends, as a real transport does on a wedged bus.
func Hang(ctx context.Context, _, _ []byte) error {
	<-ctx.Done()
	return fmt.Errorf("%s: no answer in time: %w", place, ctx.Err())
}
