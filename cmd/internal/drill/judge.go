package main

import (
	"fmt"
	"slices"
	"time"

	"holdbell/rules"
)

// caught is how many of something true were found, and after how many seconds.
type caught struct {
	True, Found int
	Seconds     []float64
}

func (c *caught) add(o caught) {
	c.True += o.True
	c.Found += o.Found
	c.Seconds = append(c.Seconds, o.Seconds...)
}

// score is one watch's part in one kitchen, or the sum over many.
type score struct {
	Hot, Unprobed, Cold, Legs, Doors, Heat caught

	// Slow are the violations that a failure of heat led to in 25 minutes or more; Lead is how long before each
	// limit-ahead was told in minutes, 0 where it was not.
	Slow int
	Lead []float64
	// Fires are the pits that lost their heat; FireLead is how long before they left their band that was told.
	Fires    int
	FireLead []float64
	// LegLead is how long before a missed deadline of a cooling it was told, in minutes.
	LegLead []float64

	// Told, True, Averted, Lied and False count each alarm: what became of it.
	Told, False, Lied map[rules.AlarmName]int
	// Averted are the warnings after which somebody mended what was wrong.
	Averted int
	// Early are the alarms of stations without a probe in their food, whose air fell before the food did.
	Early int

	Faults, Noticed, Named int
	Said                   map[faultKind]map[string]int
}

func newScore() score {
	return score{Told: map[rules.AlarmName]int{}, False: map[rules.AlarmName]int{}, Lied: map[rules.AlarmName]int{},
		Said: map[faultKind]map[string]int{}}
}

func (s *score) add(o *score) {
	s.Hot.add(o.Hot)
	s.Unprobed.add(o.Unprobed)
	s.Cold.add(o.Cold)
	s.Legs.add(o.Legs)
	s.Doors.add(o.Doors)
	s.Heat.add(o.Heat)
	s.Fires += o.Fires
	s.FireLead = append(s.FireLead, o.FireLead...)
	s.Slow += o.Slow
	s.Lead = append(s.Lead, o.Lead...)
	s.LegLead = append(s.LegLead, o.LegLead...)
	s.Averted += o.Averted
	s.Early += o.Early
	s.Faults += o.Faults
	s.Noticed += o.Noticed
	s.Named += o.Named
	for _, m := range [...]struct{ to, from map[rules.AlarmName]int }{{s.Told, o.Told}, {s.False, o.False}, {s.Lied, o.Lied}} {
		for k, n := range m.from {
			m.to[k] += n
		}
	}
	for k, m := range o.Said {
		for word, n := range m {
			s.said(k, word, n)
		}
	}
}

func (s *score) said(k faultKind, word string, n int) {
	if s.Said[k] == nil {
		s.Said[k] = map[string]int{}
	}
	s.Said[k][word] += n
}

const (
	// slowFrom is how long before the limit a failure must have begun for a warning to be asked of.
	slowFrom = 25 * time.Minute
	// soonAfter is within how long a warning must come true: twice what it looks ahead.
	soonAfter = time.Hour
	// after is how long an alarm may trail what caused it.
	after = 5 * time.Minute
	// crossingGrey is how long before a deadline by the true middle it may pass by a probe: the clock starts at a crossing
	// that a slab passes at 0.05 to 0.1 °C a minute, and half a degree nobody is blamed for.
	crossingGrey = 10 * time.Minute
	// openFrom is from when on an open door is more than a service, lostFrom the same for air below its band.
	openFrom, lostFrom = 6 * time.Minute, 20 * time.Minute
)

// judge compares what was rung with what was true. Each line of notes is one thing that went wrong.
func (d *day) judge(told []rung) (s score, notes []string) {
	s = newScore()
	note := func(format string, args ...any) { notes = append(notes, fmt.Sprintf(format, args...)) }
	for i := range d.truths {
		t := &d.truths[i]
		for _, v := range t.violations(d.length) {
			into, names := &s.Hot, []rules.AlarmName{rules.BelowHotLimit, rules.DangerTime}
			if t.purpose == rules.ColdHolding {
				into, names = &s.Cold, []rules.AlarmName{"above-cold-limit", rules.DangerTime}
			}
			if into == &s.Hot && t.held.during(v.from, v.until) && !t.atTip.during(v.from, v.until) {
				into = &s.Unprobed // the piece with the probe was warm enough
			}
			if !into.look(told, t.name, names, v, true) && into != &s.Unprobed {
				note("MISSED %s past its limit from %v to %v", t.name, v.from, v.until)
			}
			if into == &s.Hot {
				d.lead(&s, told, t, v, note)
			}
		}
		d.judgeLegs(&s, told, t, note)
		for _, v := range t.open.lasting(openFrom) {
			if !s.Doors.look(told, t.name, []rules.AlarmName{rules.DoorOpen}, v, false) {
				note("not told: %s door open from %v to %v", t.name, v.from, v.until)
			}
		}
		for _, v := range d.lost(t) {
			before := len(s.Heat.Seconds)
			if !s.Heat.look(told, t.name, []rules.AlarmName{rules.FireFalling, rules.OutOfBand}, v, false) {
				note("not told: %s lost its heat from %v to %v", t.name, v.from, v.until)
			} else if late := s.Heat.Seconds[before]; late > 600 {
				note("told late, after %.0f s: %s lost its heat from %v", late, t.name, v.from)
			}
			if t.purpose == rules.Cooking {
				s.Fires++
				for _, r := range told {
					if r.alarm == rules.FireFalling && r.raised <= v.from && r.cleared >= v.from {
						s.FireLead = append(s.FireLead, (v.from - r.raised).Minutes())
						break
					}
				}
			}
		}
	}
	for _, r := range told {
		s.Told[r.alarm]++
		switch d.fate(&r) {
		case averted:
			s.Averted++
		case early:
			s.Early++
		case lied:
			s.Lied[r.alarm]++
			note("by a lying probe: %s at %v", r.alarm, r.raised)
		case mistaken:
			s.False[r.alarm]++
			note("FALSE %s at %v: %s", r.alarm, r.raised, r.text)
		}
	}
	d.judgeFaults(&s, told, note)
	return s, notes
}

// look finds the alarm of a violation: one that stands as it begins, or the first raised until a while after its end.
// Of food a critical probe fault that stands counts too: nobody can know, and somebody was rung.
func (c *caught) look(told []rung, station string, names []rules.AlarmName, v span, food bool) bool {
	c.True++
	best := time.Duration(-1)
	for _, r := range told {
		blind := food && r.alarm == rules.ProbeFault && r.priority == rules.Critical
		if r.station != station || !slices.Contains(names, r.alarm) && !blind || r.raised > v.until+after || r.cleared < v.from {
			continue
		}
		if late := max(0, r.raised-v.from); best < 0 || late < best {
			best = late
		}
	}
	if best < 0 {
		return false
	}
	c.Found++
	c.Seconds = append(c.Seconds, best.Seconds())
	return true
}

// lead measures how long before a violation limit-ahead was told, where its cause was a slow one, the board had power
// all the while and the probe in the food was sound: what fails first there has been told already. Of a station
// without a probe in its food below-hot-limit itself is a warning, since the air is there first.
func (d *day) lead(s *score, told []rung, t *truth, v span, note func(string, ...any)) {
	for _, c := range d.causes {
		if c.station != t.name || c.from > v.from-slowFrom || c.until < v.from {
			continue
		}
		for _, cut := range d.cuts {
			if cut.from < v.from && cut.until > c.from {
				return
			}
		}
		if d.lying(&rung{raised: v.from}) {
			return
		}
		lead := time.Duration(0)
		for _, r := range told {
			warns := r.alarm == rules.LimitAhead || r.alarm == rules.BelowHotLimit && d.onAir(&r)
			if warns && r.station == t.name && r.raised <= v.from && r.cleared >= c.from {
				lead = max(lead, v.from-max(r.raised, c.from))
			}
		}
		s.Slow++
		s.Lead = append(s.Lead, lead.Minutes())
		if lead < 12*time.Minute {
			note("lead of %v: %s from %v, limit passed at %v", lead, c.what, c.from, v.from)
		}
		return
	}
}

// judgeLegs looks for cooling-late, or a discard told by danger-time, at the first leg that was missed.
func (d *day) judgeLegs(s *score, told []rung, t *truth, note func(string, ...any)) {
	for _, l := range t.legs {
		if l.met >= 0 && l.met <= l.deadline || l.deadline > d.length-15*time.Minute {
			continue
		}
		s.Legs.True++
		best := time.Duration(-1)
		for _, r := range told {
			if r.station == t.name && (r.alarm == "cooling-late" || r.alarm == rules.DangerTime) && (best < 0 || r.raised < best) {
				best = r.raised
			}
		}
		if best < 0 || best > l.deadline+after {
			note("MISSED deadline of cooling at %v", l.deadline)
			return
		}
		s.Legs.Found++
		s.Legs.Seconds = append(s.Legs.Seconds, max(0, (best-l.deadline).Seconds()))
		s.LegLead = append(s.LegLead, max(0, (l.deadline-best).Minutes()))
		return
	}
}

// lost are the stretches for which a station's air was below its band while a failure of its heat was on.
func (d *day) lost(t *truth) []span {
	var all []span
	for _, v := range t.chilly.lasting(lostFrom) {
		if slices.ContainsFunc(d.cuts, func(c cut) bool { return c.from <= v.from+after && c.until > v.from }) {
			continue // nobody could watch
		}
		for _, c := range d.causes {
			if t.purpose != rules.ColdHolding && c.station == t.name && c.from <= v.from && c.until > v.from && c.what != "door left open" {
				all = append(all, v)
				break
			}
		}
	}
	return all
}

// fate is what became of an alarm.
type fate int

const (
	earned   fate = iota
	averted       // somebody mended what was wrong before it came to that
	early         // by the air of a station without a probe in its food, before the food
	lied          // a probe with a true fault rang it: what else could be done, nobody can see the food
	mistaken      // the food, the air or the probe did not earn it
)

// fate judges one alarm by the truth.
func (d *day) fate(r *rung) fate {
	if r.station == "board" || r.station == "" {
		return d.ifCut(r)
	}
	i := slices.IndexFunc(d.truths, func(t truth) bool { return t.name == r.station })
	t := &d.truths[i]
	lately := r.raised - 10*time.Minute
	ok := true
	switch r.alarm {
	case rules.ProbeFault, rules.ProbeStuck, "probes-disagree":
		for _, f := range d.faults {
			if r.raised >= f.from && r.raised <= f.until+after && (f.probe == r.probe || r.alarm == "probes-disagree") {
				return earned
			}
		}
		return mistaken
	case rules.BelowHotLimit, "above-cold-limit":
		ok = t.near.during(r.raised-2*time.Minute, r.raised)
	case rules.OutOfBand:
		ok = t.outside.during(lately, r.raised)
	case rules.DoorOpen:
		ok = t.open.during(r.raised-after, r.raised)
	case rules.ComeUpLate:
		ok = t.arrived < 0 || t.arrived > r.raised
	case rules.LimitAhead:
		if !t.near.during(r.raised, r.raised+soonAfter) {
			return d.mendedOr(r, t)
		}
	case rules.FireFalling:
		if !t.chilly.during(r.raised, r.raised+soonAfter) {
			return d.mendedOr(r, t)
		}
	case "cooling-late":
		ok = slices.ContainsFunc(t.legs, func(l leg) bool { return l.met < 0 || l.met > l.deadline })
	case rules.DangerTime:
		ok = t.past.during(0, r.raised) || d.blind(r) ||
			slices.ContainsFunc(t.legs, func(l leg) bool { return l.deadline <= r.raised+crossingGrey && (l.met < 0 || l.met > l.deadline) })
	case "mains-lost", "clock-doubt":
		return d.ifCut(r)
	default:
		ok = false
	}
	switch {
	case ok:
		return earned
	case d.onAir(r) && t.past.during(r.raised, d.length):
		return early
	case d.lying(r):
		return lied
	}
	return mistaken
}

func (d *day) ifCut(r *rung) fate {
	for _, c := range d.cuts {
		if r.raised >= c.from {
			return earned
		}
	}
	return mistaken
}

// blind reports whether there was a time of which the board could know nothing.
func (d *day) blind(r *rung) bool {
	for _, f := range d.faults {
		switch f.kind {
		case faultOpen, faultGround, faultSupply, faultBus:
			if f.from < r.raised {
				return true
			}
		}
	}
	return d.ifCut(r) == earned
}

// lying reports whether a probe of the station had a true fault then.
func (d *day) lying(r *rung) bool {
	return slices.ContainsFunc(d.faults, func(f fault) bool { return r.raised >= f.from && r.raised <= f.until+2*after })
}

// mendedOr excuses a warning that did not come true because what was wrong ended within the hour.
func (d *day) mendedOr(r *rung, t *truth) fate {
	for _, c := range d.causes {
		if c.station == t.name && c.from <= r.raised && c.until > r.raised && c.until < r.raised+soonAfter {
			return averted
		}
	}
	switch {
	case d.onAir(r) && t.past.during(r.raised, d.length):
		return early
	case d.lying(r):
		return lied
	}
	return mistaken
}

// onAir reports whether an alarm is about food that only its station's air speaks for.
func (d *day) onAir(r *rung) bool {
	for _, st := range d.setup.Stations {
		if st.Name == r.station {
			return len(st.Food) == 0 && (r.alarm == rules.BelowHotLimit || r.alarm == rules.DangerTime || r.alarm == rules.LimitAhead)
		}
	}
	return false
}
