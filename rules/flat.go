package rules

import (
	"time"

	"holdbell/sensor"
)

// A register that no longer changes looks like food that rests, and like the air of a good thermostat. Three things
// tell them apart, all common practice. A neighbour that has meanwhile gone, and stayed, so far away that this probe
// had to follow; food lags its air and needs the wider distance. The probe's own last digit: where it never rested
// for an hour while its temperature did, two hours without a change are a frozen register. And the length of the
// rest: six hours are none of air; a core in a steady cabinet can rest on one step of a coarse chip (0.25 °C) from night
// to morning, so that one that has done so before and lived may rest twice as long, up to a day.
const (
	stuckMovedAir  = sensor.Temp(3_000)
	stuckMovedFood = sensor.Temp(15_000)
	stuckLively    = 2 * time.Hour
	stuckAlone     = 6 * time.Hour
	stuckAtMost    = 24 * time.Hour // food that has rested long before
)

// restless is how lively a probe's raw readings are while the temperature rests.
type restless struct {
	From      time.Duration `json:",omitempty"` // this hour's beginning
	Low, High sensor.Temp   `json:",omitempty"`
	Last      sensor.Temp   `json:",omitempty"`
	Any       bool          `json:",omitempty"` // this hour has a reading
	Changes   int32         `json:",omitempty"`
	Hours     int32         `json:",omitempty"` // calm ones so far, up to calmHours
	Quietest  int32         `json:",omitempty"` // fewest changes in one of them
	Held      int32         `json:",omitempty"` // calm hours that count once it has changed again
	HeldLeast int32         `json:",omitempty"`
	Longest   time.Duration `json:",omitempty"` // rest on one step that it lived through
}

// A calm hour stays within calmRange. A probe is lively once calmHours of them have been watched, a whole day, and
// none had fewer than livelyChanges: a coarse chip dithers for hours between two steps, and then it rests on one.
const (
	calmRange     = sensor.Temp(2_000)
	calmHours     = 24
	livelyChanges = 60
)

func (r *restless) lively() bool { return r.Hours >= calmHours && r.Quietest >= livelyChanges }

// note takes in one raw reading.
func (r *restless) note(now time.Duration, t sensor.Temp) {
	if r.Any && now-r.From >= time.Hour {
		if now-r.From < 2*time.Hour && r.High-r.Low <= calmRange {
			if r.Held == 0 || r.Changes < r.HeldLeast {
				r.HeldLeast = r.Changes
			}
			r.Held = min(r.Held+1, calmHours)
		}
		r.Any = false
	}
	if r.Held > 0 && t != r.Last { // it lived through them: a register that froze in one never comes here
		if r.Hours == 0 || r.HeldLeast < r.Quietest {
			r.Quietest = r.HeldLeast
		}
		r.Hours, r.Held = min(r.Hours+r.Held, calmHours), 0
	}
	switch {
	case !r.Any:
		r.From, r.Low, r.High, r.Changes, r.Any = now, t, t, 0, true
	case t != r.Last:
		r.Changes++
		r.Low, r.High = min(r.Low, t), max(r.High, t)
	}
	r.Last = t
}

// watchFlat looks for a register that no longer changes. Raw readings are compared: on a chip that corrects for it, the
// cold junction alone makes the last digit wander.
func (e *Engine) watchFlat(i int, p *probe, st int) {
	f := finding{since: never, left: never, delay: never}
	if !p.Raw.Valid() {
		f.level = unknown
		p.FlatFrom = never
	} else {
		p.Rest.note(e.mem.Now, p.Raw.Temp)
		if p.FlatFrom != never && p.Raw.Temp != p.FlatRaw && !e.gap {
			p.Rest.Longest = max(p.Rest.Longest, e.mem.Now-p.FlatFrom)
		}
		if p.FlatFrom == never || p.Raw.Temp != p.FlatRaw {
			p.FlatFrom, p.FlatRaw = e.mem.Now, p.Raw.Temp
			p.FlatBeside = sensor.Bad(sensor.Stale)
		}
	}
	if p.FlatFrom == never {
		e.judge(&p.AlarmStuck, subjectOf{aStuck, st, nil, i}, f)
		return
	}
	limit := stuckAlone
	if st >= 0 && e.set.Stations[st].Air != i {
		limit = min(max(limit, 2*p.Rest.Longest), stuckAtMost)
	}
	if st >= 0 {
		beside, threshold := e.neighbour(i, st)
		if beside.Valid() && !p.FlatBeside.Valid() {
			p.FlatBeside = beside
		}
		if beside.Valid() && p.FlatBeside.Valid() {
			if moved := beside.Temp - p.FlatBeside.Temp; max(moved, -moved) >= threshold {
				f.level = bad
			}
		}
	}
	if p.Rest.lively() {
		limit = stuckLively
	}
	if e.mem.Now-p.FlatFrom >= limit {
		f.level = bad
	}
	e.judge(&p.AlarmStuck, subjectOf{aStuck, st, nil, i}, f)
}

// neighbour is the reading that a probe of a station is compared with, and how far it must go: food with
// its air, air with the first food.
func (e *Engine) neighbour(i, st int) (sensor.Reading, sensor.Temp) {
	s := &e.set.Stations[st]
	switch {
	case s.Air >= 0 && s.Air != i:
		return e.read[s.Air], stuckMovedFood
	case s.Air == i && len(s.Food) > 0:
		return e.read[s.Food[0]], stuckMovedAir
	}
	return sensor.Bad(sensor.Stale), 0
}
