// Package live polls probes on a period and makes sweeps of what they say. It holds no opinion: readings
// pass as the probes gave them.
//
// Each probe is read by a goroutine of its own, and never by two at once. A probe that does not answer in
// time is stale in that sweep, and is not waited for again until it has once more answered in time: one
// dead bus does not delay the others' readings.
package live

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"holdbell/sensor"
)

// Named is a probe and its name in the configuration.
type Named struct {
	Name  string
	Probe sensor.Probe
}

// A read may take four fifths of the period, so that it ends before the next is due, and never more than
// longestRead. The sweep stays open a tenth longer, to hear why a read came to nothing.
const (
	longestRead  = 5 * time.Second
	longestGrace = 500 * time.Millisecond
)

// Source polls probes. It implements sensor.Source.
type Source struct {
	period time.Duration
	limit  time.Duration // a read's deadline
	grace  time.Duration // how much longer a sweep waits
	now    func() sensor.Instant
	report *reporter

	probes   []probe
	readings []sensor.Reading
	answers  chan answer
	cancel   context.CancelFunc // of the last sweep's reads
	timer    *time.Timer
	due      time.Time // of the next sweep; zero before the first
	sweep    uint64
}

type probe struct {
	Named
	busy bool  // a read is under way
	late bool  // the last read did not end in time
	err  error // what the reading of this sweep says
}

// answer is what a read gave.
type answer struct {
	probe   int
	sweep   uint64
	reading sensor.Reading
	err     error
	took    time.Duration
}

// New makes a source that reads every probe once a period, now being the clock that stamps the sweeps. A
// nil log is silent. It is an error when a period is shorter than a probe needs between two reads, when a
// probe has no name, or when two have the same.
func New(probes []Named, period time.Duration, now func() sensor.Instant, log *slog.Logger) (sensor.Source, error) {
	if period <= 0 {
		return nil, fmt.Errorf("period %v: sweeps need a period above zero, such as 1s", period)
	}
	if now == nil {
		return nil, errors.New("live: no clock")
	}
	seen := make(map[string]bool, len(probes))
	for i, p := range probes {
		switch {
		case p.Name == "":
			return nil, fmt.Errorf("probe %d has no name", i+1)
		case seen[p.Name]:
			return nil, fmt.Errorf("two probes are called %s", p.Name)
		case p.Probe == nil:
			return nil, fmt.Errorf("probe %s is not there", p.Name)
		case period < p.Probe.MinInterval():
			return nil, fmt.Errorf("period %v is shorter than the %v that probe %s (%v) needs between two readings: lengthen the period",
				period, p.Probe.MinInterval(), p.Name, p.Probe)
		}
		seen[p.Name] = true
	}
	s := &Source{
		period:   period,
		limit:    min(period*8/10, longestRead),
		grace:    min(period/10, longestGrace),
		now:      now,
		report:   newReporter(probes, log),
		probes:   make([]probe, len(probes)),
		readings: make([]sensor.Reading, len(probes)),
		answers:  make(chan answer, len(probes)), // one a probe at most: no read ever waits to hand in
		timer:    time.NewTimer(period),
	}
	s.timer.Stop()
	for i, p := range probes {
		s.probes[i].Named = p
	}
	return s, nil
}

// Next waits for the next sweep's time, reads every probe, and gives the sweep. The first comes at once. A
// sweep that was missed, because the caller was away or the machine asleep, is left out and not made up for.
func (s *Source) Next(ctx context.Context) (sensor.Sweep, error) {
	if err := s.sleep(ctx); err != nil {
		return sensor.Sweep{}, err
	}
	at := s.now()
	waiting := s.start(ctx)
	s.timer.Reset(s.limit + s.grace)
	for waiting > 0 {
		select {
		case a := <-s.answers:
			if a.sweep == s.sweep && !s.probes[a.probe].late {
				waiting--
			}
			s.take(a)
		case <-s.timer.C:
			waiting = 0
		case <-ctx.Done():
			return sensor.Sweep{}, ctx.Err()
		}
	}
	for i := range s.probes {
		p := &s.probes[i]
		p.late = p.late || p.busy
	}
	s.report.sweep(s.probes, s.readings)
	return sensor.Sweep{At: at, Readings: s.readings}, nil
}

// sleep waits until the next sweep is due.
func (s *Source) sleep(ctx context.Context) error {
	now := time.Now()
	if s.due.IsZero() {
		s.due = now
	} else {
		s.due = s.due.Add(s.period)
		s.due = s.due.Add(max(now.Sub(s.due), 0).Truncate(s.period))
	}
	s.timer.Reset(s.due.Sub(now))
	select {
	case <-s.timer.C:
		return ctx.Err()
	case <-ctx.Done():
		return ctx.Err()
	}
}

// start begins a read of every probe that is not still busy with an earlier one, and gives how many of
// them the sweep waits for.
func (s *Source) start(ctx context.Context) (waiting int) {
	for len(s.answers) > 0 {
		s.take(<-s.answers) // too late for their own sweep
	}
	if s.cancel != nil {
		s.cancel() // of reads whose deadline is past
	}
	var reads context.Context
	reads, s.cancel = context.WithTimeout(ctx, s.limit)
	s.sweep++
	for i := range s.probes {
		p := &s.probes[i]
		s.readings[i] = sensor.Bad(sensor.Stale)
		if !p.late || p.err == nil {
			p.err = errNoAnswer // else it has said why it was late
		}
		if p.busy {
			continue
		}
		p.busy = true
		if !p.late {
			waiting++
		}
		go s.read(reads, i, s.sweep)
	}
	return waiting
}

var errNoAnswer = errors.New("no answer in time")

func (s *Source) read(ctx context.Context, i int, sweep uint64) {
	began := time.Now()
	r, err := s.probes[i].Probe.Read(ctx)
	s.answers <- answer{probe: i, sweep: sweep, reading: r, err: err, took: time.Since(began)}
}

// take notes an answer. One to an earlier sweep's question is too old to be a reading.
func (s *Source) take(a answer) {
	p := &s.probes[a.probe]
	p.busy, p.late = false, a.took >= s.limit
	if a.sweep != s.sweep {
		if p.late && a.err != nil {
			p.err = a.err
		}
		return
	}
	switch {
	case a.reading.Valid() && a.err != nil:
		s.readings[a.probe], p.err = sensor.Bad(sensor.BusFault), a.err
	case a.reading.Valid():
		s.readings[a.probe], p.err = a.reading, nil
	case a.err == nil:
		s.readings[a.probe], p.err = sensor.Bad(a.reading.Fault), errNoWords
	default:
		s.readings[a.probe], p.err = sensor.Bad(a.reading.Fault), a.err
	}
}

var errNoWords = errors.New("a fault without words")
