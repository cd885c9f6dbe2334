package main

import (
	"context"
	"sync"
	"time"

	"holdbell/sensor"
)

// paced holds a source of virtual time down to a multiple of the wall's, and is the clock that goes with
// it. A machine that cannot keep up is not hurried afterwards.
type paced struct {
	source sensor.Source
	speed  float64

	mu   sync.Mutex
	last sensor.Instant // of the last sweep that was due
	next sensor.Instant // of the one ahead
	at   time.Time      // when last was due
}

// newPaced begins at start.
func newPaced(source sensor.Source, speed float64, start sensor.Instant) *paced {
	return &paced{source: source, speed: speed, last: start, next: start, at: time.Now()}
}

// Next implements sensor.Source.
func (p *paced) Next(ctx context.Context) (sensor.Sweep, error) {
	s, err := p.source.Next(ctx)
	if err != nil {
		return sensor.Sweep{}, err
	}
	p.mu.Lock()
	p.next = s.At
	step, _ := p.next.Sub(p.last)
	due := p.at.Add(time.Duration(float64(step) / p.speed))
	p.mu.Unlock()
	timer := time.NewTimer(time.Until(due))
	defer timer.Stop()
	select {
	case <-timer.C:
	case <-ctx.Done():
		return sensor.Sweep{}, ctx.Err()
	}
	now := time.Now()
	if now.Sub(due) > time.Second {
		due = now
	}
	p.mu.Lock()
	p.last, p.at = p.next, due
	p.mu.Unlock()
	return s, nil
}

// now is the virtual instant: it runs on between sweeps, and never past the next.
func (p *paced) now() sensor.Instant {
	p.mu.Lock()
	defer p.mu.Unlock()
	d := time.Duration(float64(time.Since(p.at)) * p.speed)
	if p.next != p.last {
		step, _ := p.next.Sub(p.last)
		d = min(d, step)
	} else {
		d = 0
	}
	return p.last.Add(d.Truncate(time.Millisecond))
}
