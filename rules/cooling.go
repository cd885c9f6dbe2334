package rules

import (
	"time"

	"holdbell/sensor"
)

// legs are the legs of a cooling run, as the code has them. A run keeps its own, so that another code
// changes nothing in it; one from an older snapshot takes the configured ones.
func (e *Engine) legs(c *run) []CoolingLeg {
	if c.Legs != nil {
		return c.Legs
	}
	return e.set.Code.Cooling
}

// leg is a leg of a lot's cooling run with the lot's guard band; the last one when all are done.
func (e *Engine) leg(l *lot) CoolingLeg {
	legs := e.legs(l.Cool)
	if len(legs) == 0 {
		return CoolingLeg{To: e.code(l).ColdLimit, Basis: e.code(l).ColdBasis}
	}
	return legs[min(l.Cool.Leg, len(legs)-1)].guardedBy(l.Guard)
}

// legStart is when the present leg of a cooling run began, legDeadline when it must be done.
func (e *Engine) legStart(c *run) time.Duration {
	if c.Leg == 0 {
		return c.Started
	}
	return c.LegDone[min(c.Leg, maxLegs)-1]
}

func (e *Engine) legDeadline(c *run) time.Duration { return e.legEnd(c, c.Leg, e.legStart(c)) }

// legEnd is when a leg that begins at from must be done.
func (e *Engine) legEnd(c *run, leg int, from time.Duration) time.Duration {
	legs := e.legs(c)
	if len(legs) == 0 {
		return c.Started
	}
	x := legs[min(leg, len(legs)-1)]
	if x.Total {
		from = c.Started
	}
	return from + x.Within
}

// coolingEnds is when the whole run must be done: the latest that the legs to come allow.
func (e *Engine) coolingEnds(c *run) time.Duration {
	at := e.legStart(c)
	for i := c.Leg; i < len(e.legs(c)); i++ {
		at = e.legEnd(c, i, at)
	}
	return at
}

// followCoolStart keeps the last moment at or above the temperature from which cooling counts, where a
// code's or a plan's lies below the hot limit.
func (e *Engine) followCoolStart(l *lot) {
	legs := e.set.Code.Cooling
	if len(legs) == 0 || legs[0].From >= e.set.Code.HotLimit || !l.AllValid || l.Low < legs[0].From+l.Guard {
		return
	}
	l.LastFrom, l.DangerAtFrom = e.mem.Now, l.Danger.Total
}

// coolStart is when the cooling of a lot began: when it was last hot, in whatever stage that was; a lot
// never seen hot, at its loading.
func (l *lot) coolStart() (at, danger time.Duration, proven bool) {
	switch {
	case l.LastFrom > 0 && l.LastFrom > l.LastHot:
		return l.LastFrom, l.DangerAtFrom, true
	case l.LastHot != never:
		return l.LastHot, l.DangerAtHot, true
	}
	return l.Begun, 0, false
}

// beginCooling starts a cooling run by the code's legs, or goes on with the one there is: leaving a
// cooling station and coming back is one cooling, and one that passed stands until the food is hot again.
func (e *Engine) beginCooling(l *lot, at time.Duration) {
	code := &e.set.Code
	if c := l.Cool; len(code.Cooling) == 0 || c != nil && (c.Result != Pass || l.LastHot <= c.Started) {
		return
	}
	start, danger, proven := l.coolStart()
	l.Cool = newRun(start, danger, e.instant(start))
	l.Cool.Legs, l.Cool.Hot = code.Cooling, proven && start >= e.mem.Prev
	if proven {
		l.Cool.FromTemp = e.leg(l).From
	}
	// A plan that says how soon chilling begins has not been kept by food that waited longer.
	if code.CoolingBegin > 0 && l.LastHot != never && at-l.LastHot > code.CoolingBegin {
		l.Cool.Result = Fail
	}
}

func newRun(start, danger time.Duration, label sensor.Instant) *run {
	return &run{Started: start, StartedAt: label, LegDone: [maxLegs]time.Duration{never, never, never, never},
		DangerStart: danger, Result: Running}
}

// beginAmbient starts the cooling of food that was made from ingredients at room temperature, at its
// loading. It says what it did.
func (e *Engine) beginAmbient(l *lot) string {
	leg := e.set.Code.CoolingAmbient
	switch {
	case l.Made != MadeAmbient, l.Stage != Cooling && l.Stage != ColdHolding:
		return ""
	case leg == nil:
		return " " + e.set.Code.Title + " has no rule of its own for food made from room-temperature ingredients: the usual limits count."
	case l.LastHot != never || l.CookSeen:
		return " It was hot here before, so it cools as cooked food."
	case l.Cool != nil && l.Cool.Result != Running:
		return ""
	}
	l.Cool = newRun(l.Begun, 0, l.BegunAt)
	l.Cool.Legs = []CoolingLeg{*leg}
	return " It has to be at " + e.temp(e.leg(l).To) + " within " + words(leg.Within) + " of loading."
}

// followCooling carries a cooling run: each leg is done when the highest reading is at or below its end,
// and failed when its time has passed.
func (e *Engine) followCooling(l *lot) {
	e.followCoolStart(l)
	// What was reheated while it cooled begins anew, and hot food in the cold cools without being asked.
	settledHot := l.HotSince != never && e.mem.Now-l.HotSince >= settleTime && !l.onAirOnly(e)
	if l.Stage == Cooling && l.Cool == nil || (l.Stage == Cooling || l.Stage == ColdHolding) && settledHot {
		e.beginCooling(l, e.mem.Now)
	}
	c := l.Cool
	if c == nil || c.Result != Running {
		return
	}
	e.forecastFor(l)
	now, legs := e.mem.Now, e.legs(c)
	// Food that was loaded hot into a chiller has not begun to cool. Its probe may need a moment to show it.
	if c.Leg == 0 && c.Started == l.Begun && now-l.Begun <= e.set.GapAllowance && l.LastHot == now && l.Made != MadeAmbient && !l.onAirOnly(e) {
		c.Hot, c.FromTemp = true, e.leg(l).From
	}
	if c.Hot {
		// It starts when the food leaves the hot limit, not when it was put here.
		c.Started, c.DangerStart, _ = l.coolStart()
		c.StartedAt = e.instant(c.Started)
		c.Hot = c.Started == now
	}
	if c.FromTemp == 0 && l.AnyValid {
		c.FromTemp = l.High
	}
	food := l.AllValid && !l.onAirOnly(e) // the air of a chiller proves nothing about the food in it
	// Nor does a cold probe that was only just put into food which nobody has seen hot.
	settled := l.LastHot != never || now-l.Begun > e.set.GapAllowance
	for c.Leg < len(legs) && food && settled && l.High <= e.leg(l).To {
		at := now
		if t := e.crossing(l.HighProbe, e.leg(l).To); t != never && !e.gap {
			at = t
		}
		if at > e.legDeadline(c) {
			c.Result = Fail
			return
		}
		c.pass(at, l.High)
	}
	switch {
	case c.Leg >= len(legs):
		e.cooled(l)
	case food && now > e.legDeadline(c):
		c.Result = Fail
	case now > e.legDeadline(c)+e.set.GapAllowance:
		// A gap that began before the deadline and has outlasted the allowance proves nothing any more.
		c.Result = Fail
	}
}

// pass ends the present leg.
func (c *run) pass(at time.Duration, reading sensor.Temp) {
	if c.Leg < len(c.LegDone) {
		c.LegDone[c.Leg] = at
	}
	c.Leg++
	c.FromTemp = reading
}

// cooled ends a run that was done in time: its danger-zone time is excused, and the fall with which it
// began owes nothing.
func (e *Engine) cooled(l *lot) {
	c := l.Cool
	c.Result = Pass
	l.Warm = l.Warm && l.High > e.code(l).ColdLimit // its way down is no noise that has to settle
	if l.Latched != nil {
		return
	}
	l.Excused += max(0, l.Danger.Total-c.DangerStart)
	if l.Exc != nil && l.Exc.Since >= c.Started {
		l.Exc = nil
	}
}

// checkCooling lets a signed hand check at or below a leg's end prove it for a lot that only air speaks for.
func (e *Engine) checkCooling(l *lot, at time.Duration) {
	c := l.Cool
	if c == nil || c.Result != Running || l.CheckBy == "" || !l.onAirOnly(e) {
		return
	}
	for c.Leg < len(e.legs(c)) && l.CheckTemp <= e.leg(l).To && at <= e.legDeadline(c) {
		c.pass(at, l.CheckTemp)
	}
	if c.Leg == len(e.legs(c)) {
		e.cooled(l)
	}
}
