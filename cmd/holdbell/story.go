package main

import (
	"fmt"
	"time"

	"holdbell/cmd/internal/daemon"
	"holdbell/configs"
	"holdbell/rules"
	"holdbell/sensor"
	"holdbell/sensor/kitchen"
)

// story is the demo's kitchen as a feed: the drivers on simulated chips, in virtual time.
type story struct {
	speed float64
	start sensor.Instant // by the kitchen's own clock
	plan  kitchen.Plan
	marks []kitchen.Mark // what its people tell the daemon
}

// demoStory is the kitchen with a story, or the cabinet with every chip, in which nobody tells the daemon anything.
func demoStory(speed float64, all bool) *story {
	if all {
		plan, _, _ := kitchen.AllProbes(demoSeed)
		return &story{speed: speed, start: begins(), plan: plan}
	}
	return &story{speed: speed, start: begins(), plan: kitchen.DemoPlan(demoSeed), marks: kitchen.DemoMarks()}
}

// begins is when the story begins, by the kitchen's own clock.
func begins() sensor.Instant {
	return sensor.Instant{Wall: time.Date(2026, 5, 2, 11, 0, 0, 0, time.UTC), Believed: true}
}

// open goes on where the record ends: the kitchen's physics are run up to there, unseen, and so is its
// script. Virtual time stands still while the demo is not running.
func (s *story) open(cfg *configs.Config, newest sensor.Instant) (*daemon.Feed, error) {
	k, err := kitchen.New(s.plan)
	if err != nil {
		return nil, err
	}
	start := s.start
	if !newest.IsZero() {
		gone := newest.Wall.Sub(start.Wall)
		if newest.Boot != start.Boot || newest.Mono != gone {
			return nil, fmt.Errorf("the ledger ends at %s and is no demo's; give another --ledger", newest.Wall.Format(time.RFC3339))
		}
		k.Advance(gone)
		start = newest
	}
	probes, err := daemon.Probes(cfg, daemon.Places{Buses: k})
	if err != nil {
		return nil, err
	}
	drivers := make([]sensor.Probe, len(probes))
	for i := range probes {
		drivers[i] = probes[i].Probe
	}
	script, err := people(s.marks, s.start, newest)
	if err != nil {
		return nil, err
	}
	p := newPaced(k.Source(drivers, cfg.Period, start), s.speed, start)
	return &daemon.Feed{Source: p, Now: p.now, Script: script, Buses: k}, nil
}

// people gives what the story's people tell the daemon, as it falls due, from after the record's end.
func people(marks []kitchen.Mark, start, newest sensor.Instant) (func(sensor.Instant) []rules.Mark, error) {
	var told []rules.Mark
	for i, m := range marks {
		mark, err := rules.ParseMark(rules.MarkFields{Mark: m.Kind, Lot: m.Lot, Station: m.Station, Note: m.Note, By: m.By,
			ID: fmt.Sprintf("story-%d", i+1)})
		if err != nil {
			return nil, fmt.Errorf("the story's mark %d: %w", i+1, err)
		}
		mark.At = start.Add(m.At)
		if d, _ := mark.At.Sub(newest); newest.IsZero() || d > 0 {
			told = append(told, mark)
		}
	}
	return func(until sensor.Instant) []rules.Mark {
		n := upTo(told, until)
		due := told[:n:n]
		told = told[n:]
		return due
	}, nil
}
