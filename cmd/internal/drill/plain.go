package main

import (
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// plain is the yardstick: the same readings over plain thresholds with a fixed delay, and nothing else. A reading
// past its limit for plainDelay rings, none at all for noReading does, and a kitchen timer rings at each deadline of
// a cooling that is not where it should be.
type plain struct {
	s     *scene
	rung  []rung
	rules []threshold
}

const (
	plainDelay = 5 * time.Minute
	noReading  = 5 * time.Second
	plainText  = "no reading"
)

// threshold is one reading with one limit.
type threshold struct {
	alarm     rules.AlarmName
	station   string
	probe     int
	bad       func(r sensor.Reading) bool
	delay     time.Duration
	arms      bool // has to be fine first: a cabinet that warms up rings nobody
	skipsVoid bool // what is no reading says nothing

	since time.Duration // bad since; -1 fine
	open  int           // the standing alarm in rung; -1 none
}

func newPlain(s *scene) *plain {
	p := &plain{s: s}
	code := s.setup.Code
	for _, st := range s.setup.Stations {
		add := func(alarm rules.AlarmName, probe int, arms bool, bad func(sensor.Reading) bool) {
			p.rules = append(p.rules, threshold{alarm: alarm, station: st.Name, probe: probe, bad: bad, delay: plainDelay,
				arms: arms, skipsVoid: true, since: -1, open: -1})
		}
		band := st.Band
		add(rules.OutOfBand, st.Air, true, func(r sensor.Reading) bool { return r.Temp < band.Low || r.Temp > band.High })
		food := st.Food
		if len(food) == 0 {
			food = []int{st.Air}
		}
		for _, f := range food {
			switch st.Purpose {
			case rules.HotHolding, rules.Cooking:
				add(rules.BelowHotLimit, f, true, func(r sensor.Reading) bool { return r.Temp < code.HotLimit })
			case rules.ColdHolding:
				add("above-cold-limit", f, true, func(r sensor.Reading) bool { return r.Temp > code.ColdLimit })
			}
		}
		for _, probe := range append([]int{st.Air}, st.Food...) {
			p.rules = append(p.rules, threshold{alarm: rules.ProbeFault, station: st.Name, probe: probe, delay: noReading,
				bad: func(r sensor.Reading) bool { return !r.Valid() }, since: -1, open: -1})
		}
	}
	return p
}

func (p *plain) step(now time.Duration, readings []sensor.Reading) {
	for i := range p.rules {
		t := &p.rules[i]
		r := readings[t.probe]
		if t.skipsVoid && !r.Valid() {
			continue
		}
		if !t.bad(r) {
			t.since, t.arms = -1, false
			if t.open >= 0 {
				p.rung[t.open].cleared, t.open = now, -1
			}
			continue
		}
		if t.arms {
			continue
		}
		if t.since < 0 {
			t.since = now
		}
		if t.open < 0 && now-t.since >= t.delay {
			t.open = len(p.rung)
			p.rung = append(p.rung, rung{alarm: t.alarm, station: t.station, probe: p.s.setup.Probes[t.probe].Name,
				priority: rules.Warning, text: plainText, raised: now, cleared: p.s.length})
		}
	}
	p.timer(now, readings)
}

// timer rings at each deadline of a cooling, counted from the load.
func (p *plain) timer(now time.Duration, readings []sensor.Reading) {
	for _, st := range p.s.setup.Stations {
		if st.Purpose != rules.Cooling || len(p.s.marks) == 0 {
			continue
		}
		for _, l := range p.s.setup.Code.Cooling {
			if now == p.s.marks[0].at+l.Within && readings[st.Food[0]].Temp > l.To {
				p.rung = append(p.rung, rung{alarm: "cooling-late", station: st.Name, raised: now, cleared: p.s.length})
			}
		}
	}
}
