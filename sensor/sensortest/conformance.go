package sensortest

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"holdbell/sensor"
)

// patience is how many reads a chip may take to give its first temperature: one to be set up, one for the
// first conversion, and some more to believe a cold junction again.
const patience = 5

// Kind is how a driver came to be.
type Kind uint8

// Wraps is a driver around one of a library's, which allocates as it likes.
const Wraps Kind = 1

// Conformance checks what the rest of the program takes for granted of every probe: that a dead, failing or
// hung bus never becomes a temperature, that a probe recovers by itself, and that error and fault agree. chip
// is the name that String must hold, open makes the probe on a transport, and healthy makes a transport
// behind which a chip in good health sits. A driver of ours allocates nothing in a good reading; one that wraps a
// library's says Wraps.
func Conformance(t *testing.T, chip string, open func(sensor.Transport) (sensor.Probe, error), healthy func() sensor.Transport, kind ...Kind) {
	t.Helper()
	probeOn := func(t *testing.T, tr sensor.Transport) sensor.Probe {
		t.Helper()
		p, err := open(tr)
		if err != nil {
			t.Fatal(err)
		}
		return p
	}

	t.Run("healthy", func(t *testing.T) {
		p := probeOn(t, healthy())
		for range 3 {
			mustRecover(t, p)
		}
		if p.MinInterval() <= 0 {
			t.Errorf("MinInterval is %v", p.MinInterval())
		}
		if s := p.String(); !strings.Contains(s, chip) || !strings.Contains(s, healthy().String()) {
			t.Errorf("String gives %q, without %q or %q", s, chip, healthy())
		}
	})

	t.Run("without a transport", func(t *testing.T) {
		if _, err := open(nil); err == nil {
			t.Error("no error")
		}
	})

	noise := byte(1)
	flaw := errors.New("a broken wire")
	for _, c := range []struct {
		name string
		tx   func(ctx context.Context, w, r []byte) error
		want sensor.Fault
		is   error
	}{
		{"dead bus, all zeros", Constant(0x00).Tx, sensor.BusFault, nil},
		{"dead bus, all ones", Constant(0xff).Tx, sensor.BusFault, nil},
		{"transport error", func(context.Context, []byte, []byte) error { return flaw }, sensor.BusFault, flaw},
		{"missing device", func(context.Context, []byte, []byte) error { return fmt.Errorf("no node: %w", sensor.ErrNoDevice) },
			sensor.BusFault, sensor.ErrNoDevice},
		{"hung bus", Hang, sensor.Stale, context.DeadlineExceeded},
		{"noise", func(_ context.Context, _, r []byte) error {
			for i := range r {
				noise = noise*29 + 7 // a short cycle of all byte values
				r[i] = noise
			}
			return nil
		}, sensor.None, nil},
	} {
		for _, before := range []string{"from the start", "after good readings"} {
			t.Run(c.name+" "+before, func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					bus := &Switch{Transport: healthy()}
					p := probeOn(t, bus)
					if before == "after good readings" {
						mustRecover(t, p)
					}
					bus.Instead = c.tx
					for range 20 {
						began := time.Now()
						r, err := read(t, p)
						if took := time.Since(began); took > readLimit {
							t.Fatalf("took %v with %v to go", took, readLimit)
						}
						if c.want != sensor.None && (r.Fault != c.want || !errors.Is(err, c.is) && c.is != nil) {
							t.Fatalf("gives %v with %v, not %v", r, err, c.want)
						}
					}
					bus.Instead = nil
					mustRecover(t, p)
				})
			})
		}
	}

	t.Run("one error between good readings", func(t *testing.T) {
		bus := &Switch{Transport: healthy()}
		p := probeOn(t, bus)
		mustRecover(t, p)
		for range 10 {
			bus.Instead = func(context.Context, []byte, []byte) error { return flaw }
			if r, _ := read(t, p); r.Valid() {
				t.Fatal("a failed transaction gives a temperature")
			}
			bus.Instead = nil
			mustRecover(t, p)
		}
	})

	if slices.Contains(kind, Wraps) {
		return
	}
	t.Run("nothing allocated by a good reading", func(t *testing.T) {
		p := probeOn(t, healthy())
		mustRecover(t, p)
		ctx := context.Background()
		if n := testing.AllocsPerRun(100, func() {
			if _, err := p.Read(ctx); err != nil {
				t.Fatal(err)
			}
		}); n != 0 {
			t.Errorf("%v allocations", n)
		}
	})
}

const readLimit = 300 * time.Millisecond

// read makes one read and checks that its parts agree.
func read(t *testing.T, p sensor.Probe) (sensor.Reading, error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), readLimit)
	defer cancel()
	r, err := p.Read(ctx)
	switch {
	case r.Valid() && err != nil:
		t.Errorf("a valid reading, %v, with the error %v", r.Temp, err)
	case !r.Valid() && err == nil:
		t.Errorf("the fault %v without an error", r.Fault)
	case !r.Valid() && r.Temp != 0:
		t.Errorf("the fault %v beside the temperature %v", r.Fault, r.Temp)
	case r.Fault >= sensor.Spike:
		t.Errorf("%v is no fault of a probe's", r.Fault)
	case err != nil && !strings.Contains(err.Error(), p.String()):
		t.Errorf("the error %q does not say that it is about %q", err, p)
	}
	return r, err
}

// mustRecover reads until there is a temperature.
func mustRecover(t *testing.T, p sensor.Probe) {
	t.Helper()
	var last error
	for range patience {
		r, err := read(t, p)
		if r.Valid() {
			return
		}
		last = err
	}
	t.Fatalf("no temperature in %d reads of a healthy chip: %v", patience, last)
}
