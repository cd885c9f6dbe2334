package rules

import (
	"time"

	"holdbell/rules/forecast"
	"holdbell/sensor"
)

// aheadHorizon is how long before the hot limit limit-ahead speaks (common practice: time enough to find
// the cook and reset a breaker).
const aheadHorizon = 30 * time.Minute

// warmAhead is the same while the air about the food is above it: the heat is back, and the middle of a piece goes on
// falling for a while before it turns (a fifth of an hour to an hour in simulated cabinets). Food that is within
// warmMargin of the limit has no such while to spare.
const (
	warmAhead  = 10 * time.Minute
	warmMargin = sensor.Temp(1_500)
)

// foresee gives a probe's model this sweep's reading. Only probes that may speak for food held hot, cooking,
// cooling or being reheated have one; without a reading nothing is added, and the model itself forgets what
// lies behind a long gap.
func (e *Engine) foresee() {
	for i := range e.mem.Probes {
		p := &e.mem.Probes[i]
		if p.Ahead == nil || !e.read[i].Valid() {
			continue
		}
		var air sensor.Temp
		hasAir := false
		a := e.airFor[i]
		if st := e.stationOf(i); a < 0 && st >= 0 {
			a = e.set.Stations[st].Air
		}
		if a >= 0 && a != i && e.read[a].Valid() {
			air, hasAir = e.read[a].Temp, true
		}
		p.Ahead.Add(e.mem.Now, e.read[i].Temp, air, hasAir)
	}
}

// forecastFor makes a model for every probe that speaks for a lot in a run.
func (e *Engine) forecastFor(l *lot) {
	for i := range l.Members {
		if m := &l.Members[i]; m.Until == forever && e.mem.Probes[m.Probe].Ahead == nil {
			e.mem.Probes[m.Probe].Ahead = &forecast.Model{}
		}
	}
}

// replaced forgets what a probe's model learned in other food, and a jump on its way here. A move forgets nothing: the food is the same,
// and what the new air does to it shows within minutes.
func (e *Engine) replaced(p int) {
	if p < 0 {
		return
	}
	e.mem.Probes[p].Fit.seated(e.mem.Now)
	if e.mem.Probes[p].Ahead != nil {
		e.mem.Probes[p].Ahead.Reset()
	}
}

// ahead is when a lot held hot will fall to its limit, by the probe that will be there first; ok is false
// when no model knows, or none says that it falls.
func (e *Engine) ahead(l *lot) (est forecast.Estimate, ok bool) {
	if !l.open() || !l.hot(l.Stage) || l.Time != nil || !l.AnyValid || l.Low <= e.code(l).HotLimit {
		return est, false
	}
	for i := range l.Members {
		m := &l.Members[i]
		if m.Until != forever || m.Suspended || !e.read[m.Probe].Valid() {
			continue
		}
		model := e.mem.Probes[m.Probe].Ahead
		if model == nil {
			continue
		}
		if x, knows := model.Reach(e.code(l).HotLimit); knows && (!ok || x.In < est.In) {
			est, ok = x, true
		}
	}
	return est, ok
}

// watchAhead judges limit-ahead: the hold is still above its limit, and will not be for long.
func (e *Engine) watchAhead(l *lot) {
	f := finding{since: never, left: never, delay: never}
	est, ok := e.ahead(l)
	horizon := aheadHorizon
	if ok {
		l.Ahead = est.In
		if e.airAbove(l) {
			horizon = warmAhead
		}
	}
	switch {
	case ok && est.In <= horizon:
		f.level = bad
		f.left = est.In
	case ok && est.In <= 2*aheadHorizon, !l.AnyValid:
		f.level = near
	}
	e.judge(&l.AlarmAhead, e.lotSubject(l, aAhead), f)
}

// airAbove reports whether the lot's station warms it, in good time: its air, beside probes in the food, is above
// the food, and the food well above the hot limit.
func (e *Engine) airAbove(l *lot) bool {
	if l.Station < 0 || l.onAirOnly(e) {
		return false
	}
	a := e.set.Stations[l.Station].Air
	return a >= 0 && e.read[a].Valid() && e.read[a].Temp > l.Low && l.Low > e.code(l).HotLimit+warmMargin
}

// stationAhead is the shortest forecast of a station's lots.
func (e *Engine) stationAhead(i int) *time.Duration {
	var soonest *time.Duration
	for _, l := range e.mem.Lots {
		if l.Station == i && l.open() && l.Ahead != never && (soonest == nil || l.Ahead < *soonest) {
			d := l.Ahead
			soonest = &d
		}
	}
	return soonest
}

// aheadText says what is coming, and what to do before it does.
func (e *Engine) aheadText(l *lot) string {
	at := ""
	if t, _ := e.deciding(l); t != nil {
		at = " at " + e.temp(*t)
	}
	return e.placed(l) + at + " is falling and will be under " + e.temp(e.code(l).HotLimit) +
		" in about " + words(max(0, l.Ahead)) + ". Look at the heat and the door now, while it is still safe."
}

// modelled makes a model for every probe that may speak for food held hot, or cooked and kept where it was.
func (e *Engine) modelled() {
	for i := range e.set.Stations {
		if p := e.set.Stations[i].Purpose; p != HotHolding && p != Cooking {
			continue
		}
		for _, p := range e.standingProbes(i) {
			if e.mem.Probes[p].Ahead == nil {
				e.mem.Probes[p].Ahead = &forecast.Model{}
			}
		}
	}
}
