package rules

import (
	"time"

	"holdbell/sensor"
)

// A stage that nobody marked is proposed, never assumed. These figures are common practice: a wrapped
// piece in a cabinet that is well moves by less, and a piece carried out of it by more.
const (
	trendStep  = 5 * time.Minute
	trendFall  = sensor.Temp(5_000) // over the whole trend, 20 min
	trendRise  = sensor.Temp(8_000) // more than the heat that a roast's crust still gives its core
	trendSteps = 4
	// Steady: no step is less than a tenth of the whole, where a quarter is the mean.
	trendSteady = 10
)

// trend is a lot's deciding temperature every trendStep, oldest first; it holds N of them.
type trend struct {
	N  int
	At time.Duration // of the newest
	V  [trendSteps + 1]sensor.Temp
}

// proposal is a change of stage that the readings speak of and no mark does.
type proposal uint8

const (
	proposeNothing proposal = iota
	proposeCooling          // held hot, and falls while the air does not
	proposeTaken            // cooked, and falls while the fire does not
	proposeHeating          // held hot or cold, and is being heated
	proposeCold             // held hot, and is as cold as a fridge
	proposeHot              // held cold, and is hot
)

// propose follows a lot's trend, and tells when a new change of stage should be marked. It turns no clock
// and silences nothing.
func (e *Engine) propose(l *lot) {
	t := &l.Trend
	now := e.mem.Now
	if e.gap {
		t.N, l.Proposed = 0, proposeNothing
	}
	if !l.AllValid || l.onAirOnly(e) || t.N > 0 && now-t.At < trendStep {
		return // without a reading the trend stays as it was last, for the sentence that tells of it
	}
	if t.N > 0 && now-t.At > 2*trendStep {
		t.N = 0
	}
	v := l.Low
	if l.Stage == ColdHolding || l.Stage == Cooling {
		v = l.High
	}
	if t.N == len(t.V) {
		copy(t.V[:], t.V[1:])
		t.N--
	}
	t.V[t.N], t.At = v, now
	t.N++
	was := l.Proposed
	l.Proposed = e.proposalFor(l)
	if l.Proposed != was && l.Proposed != proposeNothing {
		at := v // a copy, so that a quiet look allocates nothing
		e.emit(Event{Kind: StageProposed, Station: e.stationName(l.Station), Lot: l.Name, Temp: &at, Text: e.proposalText(l)})
	}
}

// proposalFor reads the trend of a lot whose stage a mark could put right.
func (e *Engine) proposalFor(l *lot) proposal {
	if l.Latched != nil || l.Time != nil || l.Trend.N < 2 {
		return proposeNothing
	}
	code, t := e.code(l), &l.Trend
	last, before := t.V[t.N-1], t.V[t.N-2]
	switch l.Stage {
	case HotHolding:
		switch {
		case max(last, before) <= code.ColdLimit:
			return proposeCold
		case t.steadily(-trendFall) && e.airHot(l):
			return proposeCooling
		case t.steadily(trendRise):
			return proposeHeating
		}
	case Cooking:
		if l.Arrived && t.steadily(-trendFall) && e.airHot(l) {
			return proposeTaken
		}
	case ColdHolding:
		switch {
		case min(last, before) >= code.HotLimit:
			return proposeHot
		case t.steadily(trendRise) && last > code.ColdLimit:
			return proposeHeating
		}
	}
	return proposeNothing
}

// steadily reports whether the trend has moved by at least d, in steps of one direction that are alike.
func (t *trend) steadily(d sensor.Temp) bool {
	if t.N < len(t.V) {
		return false
	}
	whole := t.V[t.N-1] - t.V[0]
	if d < 0 && whole > d || d > 0 && whole < d {
		return false
	}
	for i := 1; i < t.N; i++ {
		step := t.V[i] - t.V[i-1]
		if d < 0 && step > whole/trendSteady || d > 0 && step < whole/trendSteady {
			return false
		}
	}
	return true
}

// airHot reports whether the station's air, where there is any, is still above the hot limit: a cabinet
// that cools explains its food's fall, and has alarms of its own.
func (e *Engine) airHot(l *lot) bool {
	a := e.set.Stations[l.Station].Air
	return a < 0 || e.read[a].Valid() && e.read[a].Temp >= e.code(l).HotLimit
}

// proposalText is what the readings speak of and the mark to make; empty without a proposal.
func (e *Engine) proposalText(l *lot) string {
	if l.Proposed == proposeNothing || !l.open() {
		return ""
	}
	t := &l.Trend
	last := t.V[max(0, t.N-1)]
	moved := e.set.Units.Difference(max(last-t.V[0], t.V[0]-last)) + " in " + words(trendSteps*trendStep)
	where := e.placed(l)
	switch l.Proposed {
	case proposeCooling:
		return where + " falls steadily, " + moved + ", though the cabinet is hot. If it is being cooled on purpose, " +
			e.markFor(l, Cooling, ColdHolding) + "; if not, look at its probe and the door."
	case proposeTaken:
		return where + " falls steadily, " + moved + ", though the fire is hot. If it was taken off, " + e.markFor(l, HotHolding, Cooling) + "."
	case proposeHeating:
		return where + " rises steadily, " + moved + ". If it is being reheated, " + e.markFor(l, Reheating, Cooking) + "."
	case proposeCold:
		return where + " is at " + e.temp(last) + ", as cold as a fridge. If it lies in the cold, " + e.markFor(l, ColdHolding, Cooling) +
			"; if not, hot holding does not heat it safely: reheat it first."
	}
	return where + " is at " + e.temp(last) + ", hot food in a cold place. If it is held hot, " + e.markFor(l, HotHolding) +
		"; if it is to be cooled here, " + e.markFor(l, Cooling) + "."
}

// markFor names the mark to make for a lot that has gone over to one of the purposes.
func (e *Engine) markFor(l *lot, purposes ...Purpose) string {
	to := e.moveTo(l.Station, purposes...)
	switch {
	case l.Standing && to != "":
		return "mark load under a name of its own, then move to " + to
	case l.Standing:
		return "mark close for " + l.Name + " once the cabinet is empty"
	case to == "":
		return "mark note with what was done, or close when it is gone"
	}
	return "mark move to " + to
}
