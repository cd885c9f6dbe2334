package sensortest

import (
	"context"
	"errors"
	"testing"

	"holdbell/sensor"
)

// recorder is a testing.TB that keeps failures instead of failing.
type recorder struct {
	testing.TB
	failures int
	cleanup  []func()
}

func (r *recorder) Helper()               {}
func (r *recorder) Error(...any)          { r.failures++ }
func (r *recorder) Errorf(string, ...any) { r.failures++ }
func (r *recorder) Cleanup(f func())      { r.cleanup = append(r.cleanup, f) }

func TestTape(t *testing.T) {
	flaw := errors.New("flaw")
	ops := []IO{{W: []byte{1}, R: []byte{2, 3}}, {W: []byte{4}, Err: flaw}}
	ctx := t.Context()
	for _, c := range []struct {
		name     string
		play     func(*Tape)
		failures int
	}{
		{"as taped", func(p *Tape) {
			r := make([]byte, 2)
			if err := p.Tx(ctx, []byte{1}, r); err != nil || r[1] != 3 {
				t.Errorf("%v, %v", r, err)
			}
			if err := p.Tx(ctx, []byte{4}, r); err != flaw {
				t.Error(err)
			}
		}, 0},
		{"stops early", func(p *Tape) { _ = p.Tx(ctx, []byte{1}, make([]byte, 2)) }, 1},
		{"writes something else", func(p *Tape) { _ = p.Tx(ctx, []byte{9}, make([]byte, 2)) }, 2},
		{"reads too much", func(p *Tape) { _ = p.Tx(ctx, []byte{1}, make([]byte, 3)) }, 2},
		{"goes on after the end", func(p *Tape) {
			_ = p.Tx(ctx, []byte{1}, make([]byte, 2))
			_ = p.Tx(ctx, []byte{4}, nil)
			_ = p.Tx(ctx, []byte{4}, nil)
		}, 1},
	} {
		rec := &recorder{TB: t}
		p := NewTape(rec, ops...)
		c.play(p)
		for _, f := range rec.cleanup {
			f()
		}
		if rec.failures != c.failures {
			t.Errorf("%s: %d failures, not %d", c.name, rec.failures, c.failures)
		}
	}
}

func TestFake(t *testing.T) {
	f := &Fake{Steps: []Step{Good(65_000), Bad(sensor.Open)}}
	ctx, cancel := context.WithCancel(t.Context())
	if r, err := f.Read(ctx); r.Temp != 65_000 || err != nil {
		t.Error(r, err)
	}
	for range 2 {
		if r, err := f.Read(ctx); r.Fault != sensor.Open || err == nil {
			t.Error(r, err)
		}
	}
	cancel()
	f.Steps = []Step{{Delay: 1 << 40}}
	if r, err := f.Read(ctx); r.Fault != sensor.Stale || !errors.Is(err, context.Canceled) {
		t.Error(r, err)
	}
	if f.Reads() != 4 {
		t.Error(f.Reads(), "reads")
	}
}
