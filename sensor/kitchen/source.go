package kitchen

import (
	"context"
	"time"

	"holdbell/sensor"
)

// sweeps reads probes on virtual time.
type sweeps struct {
	k        *Kitchen
	probes   []sensor.Probe
	period   time.Duration
	start    sensor.Instant
	begun    time.Duration
	readings []sensor.Reading
}

// Source gives sweeps of the probes, which are drivers on the kitchen's buses, in their order. Each Next moves
// the kitchen on by period and does not wait: pacing is the caller's. Sweeps are stamped with start and the
// virtual time since this call; their clock is believed. The source never ends but by its context.
func (k *Kitchen) Source(probes []sensor.Probe, period time.Duration, start sensor.Instant) sensor.Source {
	start.Believed, start.Boot = true, sensor.BootID{}
	return &sweeps{k: k, probes: probes, period: period, start: start, begun: k.Now(), readings: make([]sensor.Reading, len(probes))}
}

// Next implements sensor.Source.
func (s *sweeps) Next(ctx context.Context) (sensor.Sweep, error) {
	if err := ctx.Err(); err != nil {
		return sensor.Sweep{}, err
	}
	s.k.Advance(s.period)
	for i, p := range s.probes {
		// The reading holds the fault; the words beside it are for whoever wires a board.
		s.readings[i], _ = p.Read(ctx)
	}
	return sensor.Sweep{At: s.start.Add(s.k.Now() - s.begun), Readings: s.readings}, nil
}
