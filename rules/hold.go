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

// followCold keeps the last proof at or below the cold limit, how warm the food has been since, and
// whether food held cold is too warm: that turns back only once it has settled, as above the hot limit.
func (e *Engine) followCold(l *lot, nowCold, proven bool) {
	now := e.mem.Now
	switch {
	case nowCold:
		if l.ColdSince == never || e.gap {
			l.ColdSince = now
		}
		if proven {
			l.LastCold, l.WarmPeak, l.WarmUnknown = now, l.High, false
		}
	case l.AnyValid:
		l.ColdSince = never
		l.WarmPeak = max(l.WarmPeak, l.High)
	}
	l.WarmUnknown = l.WarmUnknown || l.stepUnknown
	l.Warm = l.AnyValid && l.High > e.code(l).ColdLimit ||
		l.Warm && (l.ColdSince == never || now-l.ColdSince < settleTime)
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
		if o.MaxFood == nil && o.ColdMax != nil {
			l.Time = &o
			return
		}
	}
}

// leftCold is the earliest moment of this step at which a probe of the lot rose over the cold limit; when
// none did, for another probe speaks now, it is the sweep before, the last at which it was cold.
func (e *Engine) leftCold(l *lot) time.Duration {
	first := never
	for i := range l.Members {
		m := &l.Members[i]
		if t := e.crossing(m.Probe, e.code(l).ColdLimit); t != never && m.Until == forever {
			if first == never || t < first {
				first = t
			}
		}
	}
	if first == never {
		return e.mem.Prev
	}
	return first
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
				MinT: from, DangerAtMin: l.Danger.Total, InsideSince: never}
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
	if l.Low < x.Min {
		x.Min, x.MinT, x.DangerAtMin = l.Low, now, l.Danger.Total
	}
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

// followReheat looks for the proof of reheating: the lowest reading at or above the target, without a
// gap, for as long as the code asks.
func (e *Engine) followReheat(l *lot) {
	now, code := e.mem.Now, &e.code(l).Reheat
	// The air of an oven proves nothing about the food in it.
	if !l.AllValid || l.Low < code.Target || e.gap || l.onAirOnly(e) {
		l.HoldFrom = never
	} else if l.HoldFrom == never {
		l.HoldFrom = now
		if t := e.crossing(l.LowProbe, code.Target); t != never {
			l.HoldFrom = t
		}
	}
	proven := l.HoldFrom != never && now-l.HoldFrom >= code.Hold
	if h := l.Heat; h != nil && h.Result == Running {
		if l.Stage == ColdHolding && l.LastCold == now {
			l.Heat = nil // back in the cold: no reheating, only time that was spent
			return
		}
		took := now - h.Started
		switch {
		case code.Within > 0 && (proven && l.HoldFrom+code.Hold-h.Started > code.Within || !proven && took > code.Within):
			h.Result = Fail
		case proven:
			h.Result = Pass
			h.LegDone[0] = l.HoldFrom + code.Hold
			e.reheated(l, h.Started, h.DangerStart)
		}
		return
	}
	// A code whose target is no more than its hot limit asks for no reheating of food held hot: merely
	// coming back must not wipe its clock.
	if x := l.Exc; proven && x != nil && code.Target > e.code(l).HotLimit && (code.Within == 0 || l.HoldFrom+code.Hold-x.MinT <= code.Within) {
		e.reheated(l, x.MinT, x.DangerAtMin)
	}
}

// reheated ends what an excursion or a reheating run left open.
func (e *Engine) reheated(l *lot, started, dangerAtStart time.Duration) {
	if l.Latched != nil {
		return
	}
	l.Excused += max(0, l.Danger.Total-dangerAtStart)
	l.Exc, l.Arrived = nil, true
	if l.Cool != nil && l.Cool.Result == Running {
		l.Cool = nil // it starts anew when the food leaves the hot limit again
	}
	low := l.Low
	e.emit(Event{Kind: ReheatProven, Since: e.instant(l.HoldFrom), Station: e.stationName(l.Station), Lot: l.Name,
		Probe: e.probeName(l.LowProbe), Temp: &low, Basis: e.code(l).Reheat.Basis.String(),
		Text: l.Name + " in " + e.stationName(l.Station) + " was reheated to " + e.temp(e.code(l).Reheat.Target) +
			" within " + words(e.mem.Now-started) + "."})
}

// followCooling carries a cooling run: each leg is done when the highest reading is at or below its end,
// and failed when its time has passed.
func (e *Engine) followCooling(l *lot) {
	c := l.Cool
	if c == nil || c.Result != Running {
		return
	}
	now, legs := e.mem.Now, e.code(l).Cooling
	if c.Hot {
		// It starts when the food leaves the hot limit, not when it was put here.
		c.Started, c.StartedAt, c.DangerStart = l.LastHot, e.instant(l.LastHot), l.DangerAtHot
		c.Hot = l.LastHot == now
	}
	food := l.AllValid && !l.onAirOnly(e) // the air of a chiller proves nothing about the food in it
	for c.Leg < len(legs) && food && l.High <= legs[c.Leg].To {
		at := now
		if t := e.crossing(l.HighProbe, legs[c.Leg].To); t != never && !e.gap {
			at = t
		}
		if at > e.legDeadline(l, c) {
			c.Result = Fail
			return
		}
		if c.Leg < len(c.LegDone) {
			c.LegDone[c.Leg] = at
		}
		c.Leg++
	}
	switch {
	case c.Leg == len(legs):
		// Proven cold now; to settle is for food that was cold before and grew warm.
		c.Result, l.Warm = Pass, false
		if l.Latched == nil {
			l.Excused += max(0, l.Danger.Total-c.DangerStart)
			if l.Exc != nil && l.Exc.Since >= c.Started {
				l.Exc = nil // the fall with which the cooling began
			}
		}
	case food && now > e.legDeadline(l, c):
		c.Result = Fail
	case now > e.legDeadline(l, c)+e.set.GapAllowance:
		// A gap that began before the deadline and has outlasted the allowance proves nothing any more.
		c.Result = Fail
	}
}

// checkCooling lets a signed hand check at or below a leg's end prove it for a lot that only air speaks for.
func (e *Engine) checkCooling(l *lot, at time.Duration) {
	c, legs := l.Cool, e.code(l).Cooling
	if c == nil || c.Result != Running || c.Leg >= len(legs) || l.CheckBy == "" || !l.onAirOnly(e) ||
		l.CheckTemp > legs[c.Leg].To || at > e.legDeadline(l, c) {
		return
	}
	c.LegDone[c.Leg] = at
	c.Leg++
	if c.Leg == len(legs) {
		c.Result = Pass
		l.Excused += max(0, l.Danger.Total-c.DangerStart)
	}
}

// legDeadline is when the present leg of a cooling run must be done.
func (e *Engine) legDeadline(l *lot, c *run) time.Duration {
	leg := e.code(l).Cooling[c.Leg]
	start := c.Started
	if !leg.Total && c.Leg > 0 {
		start = c.LegDone[min(c.Leg-1, len(c.LegDone)-1)]
	}
	return start + leg.Within
}

// enterStage starts what the lot's new stage needs.
func (e *Engine) enterStage(l *lot, at time.Duration) {
	switch l.Stage {
	case Cooling:
		// A run goes on, and one that passed stands until the food is hot again.
		if c := l.Cool; len(e.code(l).Cooling) == 0 ||
			c != nil && (c.Result != Pass || l.LastHot <= c.Started) {
			return
		}
		start, danger := l.Begun, time.Duration(0)
		if l.LastHot != never {
			start, danger = l.LastHot, l.DangerAtHot
		}
		l.Cool = &run{Started: start, StartedAt: e.instant(start), LegDone: [maxLegs]time.Duration{never, never, never, never},
			DangerStart: danger, Result: Running, Hot: l.LastHot != never && l.LastHot >= e.mem.Prev}
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
		if l.Heat != nil && l.Heat.Result != Pass {
			return // leaving and coming back is one reheating
		}
		start := at
		if l.LastCold > l.LastHot { // not the cold of before the cook
			start = min(start, l.LastCold)
		}
		l.Heat = &run{Started: start, StartedAt: e.instant(start), LegDone: [maxLegs]time.Duration{never, never, never, never},
			DangerStart: l.Danger.Total, Result: Running}
		l.HoldFrom = never
	}
}
