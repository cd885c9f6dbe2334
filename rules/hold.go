package rules

import (
	"time"

	"holdbell/sensor"
)

// settle is how long food must be back at its limit before a further fall counts as another excursion
// (common practice: noise about a limit is one fall, not many).
const settleTime = time.Minute

// follow carries a lot's runs through this sweep, after its clocks took the readings.
func (e *Engine) follow(l *lot) {
	now, code := e.mem.Now, e.code(l)
	if l.coldSided() {
		l.ColdSide += l.Danger.Total - l.dangerBefore
	}
	wasHot, wasCold := l.LastHot == e.mem.Prev && now > e.mem.Prev, l.LastCold == e.mem.Prev && now > e.mem.Prev
	nowHot := l.AllValid && l.Low >= code.HotLimit
	nowCold := l.AllValid && l.High <= code.ColdLimit
	// Air proves nothing about food that was on the wrong side of the limit when it was last measured.
	byAir := l.onAirOnly(e)
	if !byAir && l.AnyValid {
		l.FoodKnown, l.FoodLow, l.FoodHigh = true, l.Low, l.High
	}
	nowHot = nowHot && !(byAir && l.FoodKnown && l.FoodLow < code.HotLimit)
	switch {
	case nowHot:
		l.LastHot, l.DangerAtHot = now, l.Danger.Total
	case wasHot && l.firstBelow != never && !l.stepUnknown:
		l.LastHot, l.DangerAtHot = l.firstBelow, l.dangerBefore
	}
	e.followCold(l, nowCold, nowCold && !(byAir && l.FoodKnown && l.FoodHigh > code.ColdLimit))
	if wasCold && !nowCold && l.AllValid && !e.gap {
		l.LastCold = e.leftCold(l)
	}
	if !l.open() {
		return
	}
	l.CookSeen = l.CookSeen || l.Stage == Cooking
	switch {
	case !nowHot:
		l.HotSince = never
	case l.HotSince == never || e.gap:
		l.HotSince = now
	}
	// One noisy reading at the limit is no arrival: it would make a cook that is still rising fall below.
	// In whatever stage it was hot first, no later time in cooking is come-up.
	l.Arrived = l.Arrived || nowHot && now-l.HotSince >= settleTime
	e.followExcursion(l)
	e.followReheat(l)
	e.followCooling(l)
	e.followTime(l)
}

// followTime carries time control: food that grew too warm for its rule, and a rule that asks for an
// unbroken watch and did not get it, which falls back to the first that does not ask.
func (e *Engine) followTime(l *lot) {
	t := l.Time
	if t == nil || t.MaxFood == nil {
		return
	}
	if l.AnyValid && l.High > *t.MaxFood {
		l.TimeOver = true
	}
	if !l.stepUnknown {
		return
	}
	for _, o := range e.code(l).TimeControl {
		if o.MaxFood == nil && o.ColdMax != nil && !o.Asked && !t.Asked {
			l.Time = &o
			return
		}
	}
}

// crossing is when the probe passed v since the sweep before, in either direction; never when it did not
// or its last stretch is a gap.
func (e *Engine) crossing(p int, v sensor.Temp) time.Duration {
	if p < 0 || e.gap {
		return never
	}
	q := &e.mem.Probes[p]
	if !q.before.Valid() || !e.read[p].Valid() {
		return never
	}
	s := segment{e.mem.Prev, e.mem.Now, q.before.Temp, e.read[p].Temp}
	if s.V0 == s.V1 || min(s.V0, s.V1) > v || max(s.V0, s.V1) < v {
		return never
	}
	return s.cross(v)
}

// followExcursion keeps the record of food held hot that fell below its limit.
func (e *Engine) followExcursion(l *lot) {
	now := e.mem.Now
	loadedLow := l.Exc == nil && l.hot(l.Stage) && l.AnyValid && l.Low < e.code(l).HotLimit
	if l.stepBelow > 0 || loadedLow {
		x := l.Exc
		if x == nil {
			from := now
			if l.stepBelow > 0 {
				from = l.firstBelow
			}
			x = &excursion{Since: from, SinceAt: e.instant(from), Min: e.code(l).HotLimit,
				RiseT: from, RiseTemp: e.code(l).HotLimit, DangerAtRise: l.Danger.Total, RestFrom: never, InsideSince: never}
			l.Exc = x
			l.Excursions++
			x.Count = 1
		} else if x.InsideSince != never && now-x.InsideSince >= settleTime {
			l.Excursions++
			x.Count++
		}
		x.InsideSince = never
		x.Below += l.stepBelow
		x.Unknown = x.Unknown || l.stepUnknown
	}
	x := l.Exc
	if x == nil || !l.AnyValid {
		return
	}
	x.Min = min(x.Min, l.Low)
	if l.Low < e.code(l).HotLimit {
		x.InsideSince = never
	} else if x.InsideSince == never && l.AllValid {
		x.InsideSince = now
		if l.stepUnknown {
			x.InsideSince -= settleTime // an unwatched stretch has no noise to settle
		}
	}
}

// outside reports whether a lot held hot is below its limit, by its last valid readings, or not settled
// back at it yet: a verdict does not flap with the noise.
func (e *Engine) outside(l *lot) bool {
	x := l.Exc
	return l.hot(l.Stage) && x != nil && (x.InsideSince == never || e.mem.Now-x.InsideSince < settleTime)
}

// enterStage starts what the lot's new stage needs.
func (e *Engine) enterStage(l *lot, at time.Duration) {
	if c := l.Cool; c != nil && c.Result == Running && c.Hot && l.Stage != Cooling && l.Stage != ColdHolding {
		l.Cool = nil // it never left the hot limit: nothing has begun
	}
	switch l.Stage {
	case Cooling:
		e.beginCooling(l, at)
	case ColdHolding:
		if l.LastHot > l.LastCold { // hot food that goes into the cold cools, whatever the room is called
			e.beginCooling(l, at)
		}
	case TimeControl:
		if l.Time != nil || len(e.code(l).TimeControl) == 0 {
			return
		}
		rule, start := e.timeRule(l, nil)
		if rule == nil {
			first := e.code(l).TimeControl[0]
			rule, start = &first, l.Begun // never proven: the clock has run since loading
		}
		l.Time, l.TimeStart, l.TimeOver = rule, min(start, at), false
	case Reheating:
		e.beginReheating(l, at)
	}
}
