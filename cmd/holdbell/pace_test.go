package main

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"holdbell/sensor"
)

// metronome gives a sweep each virtual second.
type metronome struct{ at sensor.Instant }

func (m *metronome) Next(context.Context) (sensor.Sweep, error) {
	m.at = m.at.Add(time.Second)
	return sensor.Sweep{At: m.at}, nil
}

func TestPaced(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := sensor.Instant{Wall: time.Date(2026, 5, 2, 11, 0, 0, 0, time.UTC), Mono: time.Hour, Believed: true}
		p := newPaced(&metronome{start}, 50, start)
		if got := p.now(); got != start {
			t.Errorf("begins at %v", got)
		}
		begun := time.Now()
		for i := range 100 {
			s, err := p.Next(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			if got, want := time.Since(begun), time.Duration(i+1)*20*time.Millisecond; got != want {
				t.Fatalf("sweep %d came after %v, want %v", i, got, want)
			}
			if now := p.now(); now != s.At {
				t.Fatalf("the clock says %v at the sweep of %v", now.Mono, s.At.Mono)
			}
		}
		// Between sweeps the clock runs on, and stops at the next one.
		done := make(chan sensor.Sweep)
		go func() {
			s, _ := p.Next(t.Context())
			done <- s
		}()
		time.Sleep(5 * time.Millisecond)
		if d, _ := p.now().Sub(start); d != 100*time.Second+250*time.Millisecond {
			t.Errorf("a quarter of a sweep later the clock has gone %v", d)
		}
		s := <-done
		time.Sleep(time.Minute)
		if now := p.now(); now != s.At {
			t.Errorf("the clock ran on to %v without a sweep after %v", now.Mono, s.At.Mono)
		}
		// After the pause the pace is the old one: nothing is made up for.
		if _, err := p.Next(t.Context()); err != nil {
			t.Fatal(err)
		}
		again := time.Now()
		if _, err := p.Next(t.Context()); err != nil {
			t.Fatal(err)
		}
		if d := time.Since(again); d != 20*time.Millisecond {
			t.Errorf("the sweep after a pause took %v", d)
		}
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		if _, err := p.Next(ctx); err == nil {
			t.Error("a sweep came after the end")
		}
	})
}
