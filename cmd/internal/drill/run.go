package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
	"holdbell/sensor/kitchen"
	"holdbell/sensor/max31855"
	"holdbell/sensor/max31856"
)

// grey is how near to a limit nobody is blamed, °C: a MAX31855 has steps of 0.25 °C and a hand thermometer is good
// to 1 °C. A violation counts once it was so far past the limit for deepFor, an alarm is earned from so far before it.
const (
	grey    = 0.5
	deepFor = time.Minute
	// oneStory joins two falls below a limit that are no further apart.
	oneStory = 10 * time.Minute
)

// rung is one alarm from raised to cleared; cleared is the kitchen's end where it still stands.
type rung struct {
	alarm           rules.AlarmName
	station, probe  string
	priority        rules.Priority
	text            string
	raised, cleared time.Duration
}

// track collects the stretches in which something was true.
type track struct {
	spans []span
	on    bool
}

func (t *track) see(now time.Duration, on bool) {
	if on && !t.on {
		t.spans = append(t.spans, span{now, now})
	}
	if on {
		t.spans[len(t.spans)-1].until = now
	}
	t.on = on
}

// during reports whether it was true at some time within two moments.
func (t *track) during(from, until time.Duration) bool {
	for _, s := range t.spans {
		if s.from <= until && s.until >= from {
			return true
		}
	}
	return false
}

// truth is what the simulator says of one station. Food is judged by the middle of its worst piece, where a hand
// thermometer is put: the coldest where it must be hot, the warmest where it must be cold. An alarm is earned also by
// the food around a probe's own tip, which may sit up to a third of the way to the skin.
type truth struct {
	name    string
	purpose rules.Purpose
	foods   []string
	probes  []string
	low     float64 // band, °C
	high    float64

	arrived time.Duration // food in a cooking station has been at the hot limit since then; -1 not yet
	past    track         // the limit of its stage
	deep    track         // and by more than the grey
	near    track         // or about to be
	held    track         // a tip is in its food
	atTip   track         // the limit is past at such a tip
	open    track         // door
	chilly  track         // air below its band
	outside track         // air outside its band, or within the grey of that
	legs    []leg
}

// leg is one leg of a cooling run by the true core.
type leg struct {
	deadline time.Duration
	met      time.Duration // -1: not
}

// day is what happened in one kitchen: the truth, and who rang when.
type day struct {
	*scene
	truths  []truth
	engine  []rung
	plain   []rung
	watched time.Duration // by the board, stations added up
}

// instant is what the board's clock says: a boot after each cut, its wall clock believed or not.
func (s *scene) instant(now time.Duration) sensor.Instant {
	in := sensor.Instant{Wall: time.Date(2026, 5, 2, 6, 0, 0, 0, time.UTC).Add(now), Mono: now, Believed: true}
	for i, cut := range s.cuts {
		if now >= cut.until {
			in.Boot[0], in.Mono = byte(i+1), now-cut.until+20*time.Second
			if !cut.believed && now < cut.until+10*time.Minute { // as it was when it stopped, until somebody sets it
				in.Wall, in.Believed = in.Wall.Add(cut.from-cut.until), false
			}
		}
	}
	return in
}

// off reports whether the board is without power.
func (s *scene) off(now time.Duration) bool {
	for _, c := range s.cuts {
		if now >= c.from && now < c.until {
			return true
		}
	}
	return false
}

// run lets a kitchen's day pass, a sweep a second.
func run(ctx context.Context, s *scene) (*day, error) {
	k, err := kitchen.New(s.plan)
	if err != nil {
		return nil, err
	}
	probes, err := drivers(k, s.plan.Probes)
	if err != nil {
		return nil, err
	}
	e, err := rules.New(s.setup)
	if err != nil {
		return nil, err
	}
	d := &day{scene: s, truths: truths(s)}
	p := newPlain(s)
	source := k.Source(probes, time.Second, sensor.Instant{})
	var told []rung
	marks := s.marks
	var due []rules.Mark
	for k.Now() < s.length {
		sweep, err := source.Next(ctx)
		if err != nil {
			return nil, err
		}
		now := k.Now()
		for i := range d.truths {
			d.truths[i].see(k, now, &s.setup.Code)
		}
		if s.off(now) {
			continue
		}
		d.watched += time.Second * time.Duration(len(s.setup.Stations))
		sweep.At = s.instant(now)
		due = due[:0]
		for ; len(marks) > 0 && marks[0].at <= now; marks = marks[1:] {
			m, err := marks[0].mark(k)
			if err != nil {
				return nil, err
			}
			m.At = sweep.At
			due = append(due, m)
		}
		p.step(now, sweep.Readings)
		for _, ev := range e.Step(rules.Input{Sweep: sweep, Marks: due}) {
			switch ev.Kind {
			case rules.AlarmRaised:
				told = append(told, rung{alarm: ev.Alarm, station: ev.Station, probe: ev.Probe, priority: ev.Priority,
					text: ev.Text, raised: now, cleared: s.length})
			case rules.AlarmCleared:
				for i := range told {
					r := &told[i]
					if r.cleared == s.length && r.alarm == ev.Alarm && r.station == ev.Station && r.probe == ev.Probe {
						r.cleared = now
					}
				}
			case rules.MarkRefused:
				return nil, fmt.Errorf("seed %d, %s: a mark was refused: %s", s.seed, s.family, ev.Text)
			}
		}
	}
	d.engine, d.plain = told, p.rung
	return d, nil
}

// mark is what a person tells, a hand thermometer's reading filled in.
func (m *timedMark) mark(k *kitchen.Kitchen) (rules.Mark, error) {
	f := m.fields
	if m.check != "" {
		food, _ := k.Food(m.check)
		c := math.Round((food.Core+m.off)*10) / 10
		f.Celsius = &c
	}
	mark, err := rules.ParseMark(f)
	if err != nil {
		return mark, fmt.Errorf("the mark %s at %v: %w", f.Mark, m.at, err)
	}
	return mark, nil
}

func drivers(k *kitchen.Kitchen, probes []kitchen.Probe) ([]sensor.Probe, error) {
	all := make([]sensor.Probe, len(probes))
	for i, p := range probes {
		config := max31856.SPI()
		if p.Chip == "max31855" {
			config = max31855.SPI()
		}
		t, err := k.SPI(p.Bus, config)
		if err != nil {
			return nil, err
		}
		if p.Chip == "max31855" {
			all[i], err = max31855.New(t, max31855.Opts{Type: p.Type})
		} else {
			all[i], err = max31856.New(t, max31856.Opts{Type: p.Type, MainsHz: 60})
		}
		if err != nil {
			return nil, err
		}
	}
	return all, nil
}

func truths(s *scene) []truth {
	all := make([]truth, len(s.setup.Stations))
	for i, st := range s.setup.Stations {
		t := &all[i]
		t.name, t.purpose, t.arrived = st.Name, st.Purpose, -1
		t.low, t.high = st.Band.Low.Celsius(), st.Band.High.Celsius()
		for _, f := range s.plan.Foods {
			t.foods = append(t.foods, f.Name)
		}
		for _, p := range s.plan.Probes {
			t.probes = append(t.probes, p.Name)
		}
	}
	return all
}

// see takes in one moment.
func (t *truth) see(k *kitchen.Kitchen, now time.Duration, code *rules.Code) {
	st, _ := k.Station(t.name)
	t.open.see(now, st.Open)
	t.chilly.see(now, st.Air < t.low)
	t.outside.see(now, st.Air < t.low+grey || st.Air > t.high-grey)
	low, high := math.Inf(1), math.Inf(-1)
	for _, name := range t.foods {
		if f, _ := k.Food(name); f.Station == t.name {
			low, high = min(low, f.Core), max(high, f.Core)
		}
	}
	hot, cold := code.HotLimit.Celsius(), code.ColdLimit.Celsius()
	over := math.Inf(-1) // °C past the limit
	switch t.purpose {
	case rules.HotHolding:
		over = hot - low
	case rules.Cooking:
		// Food that just touches the limit has come to it for nobody who measures.
		if low < hot+grey && t.arrived > now-deepFor {
			t.arrived = -1
		}
		if t.arrived < 0 && low >= hot+grey {
			t.arrived = now
		}
		if t.arrived >= 0 && now-t.arrived >= deepFor {
			over = hot - low
		}
	case rules.ColdHolding:
		over = high - cold
	case rules.Cooling:
		t.cool(now, high, code)
	}
	t.past.see(now, over > 0)
	t.deep.see(now, over > grey)
	tip, held := math.Inf(-1), false
	if !math.IsInf(over, -1) {
		for _, name := range t.probes {
			p, _ := k.Probe(name)
			if f, _ := k.Food(p.At.Food); f.Station != t.name {
				continue
			}
			held = true
			if t.purpose == rules.ColdHolding {
				tip = max(tip, p.Medium-cold)
			} else {
				tip = max(tip, hot-p.Medium)
			}
		}
	}
	t.held.see(now, held)
	t.atTip.see(now, tip > 0)
	rising := t.purpose == rules.Cooking && math.Abs(low-hot) <= grey // who measures may say that it has been there
	t.near.see(now, max(over, tip) > -grey || rising)
}

// cool follows the legs of a cooling run: the clock starts when the food was last at the hot limit.
func (t *truth) cool(now time.Duration, high float64, code *rules.Code) {
	switch {
	case math.IsInf(high, -1):
		return
	case high >= code.HotLimit.Celsius():
		t.legs = t.legs[:0]
		for _, l := range code.Cooling {
			t.legs = append(t.legs, leg{now + l.Within, -1})
		}
		return
	}
	for i := range t.legs {
		if l := &t.legs[i]; l.met < 0 && high <= code.Cooling[i].To.Celsius() {
			l.met = now
		}
	}
}

// violations are the stretches past the limit that count, those close together as one.
func (t *truth) violations(end time.Duration) []span {
	var all []span
	for _, s := range t.past.spans {
		if n := len(all); n > 0 && s.from-all[n-1].until < oneStory {
			all[n-1].until = s.until
			continue
		}
		all = append(all, s)
	}
	kept := all[:0]
	for _, s := range all {
		deep := time.Duration(0)
		for _, d := range t.deep.spans {
			deep += max(0, min(d.until, s.until)-max(d.from, s.from))
		}
		if deep >= deepFor && s.from < end-15*time.Minute {
			kept = append(kept, s)
		}
	}
	return kept
}

// tell prints what was true.
func (d *day) tell(out io.Writer) {
	for _, c := range d.causes {
		fmt.Fprintf(out, "  true: %s, %s from %v to %v\n", c.station, c.what, c.from, c.until)
	}
	for _, f := range d.faults {
		fmt.Fprintf(out, "  true: %s on a %s, %s from %v to %v\n", f.probe, f.chip, f.kind, f.from, f.until)
	}
	for _, c := range d.cuts {
		fmt.Fprintf(out, "  true: no power from %v to %v\n", c.from, c.until)
	}
	for i := range d.truths {
		for _, v := range d.truths[i].violations(d.length) {
			fmt.Fprintf(out, "  true: %s past its limit from %v to %v\n", d.truths[i].name, v.from, v.until)
		}
	}
}

// lasting are the stretches of at least so long.
func (t *track) lasting(long time.Duration) []span {
	var all []span
	for _, s := range t.spans {
		if s.until-s.from >= long {
			all = append(all, s)
		}
	}
	return all
}
