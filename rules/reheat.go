package rules

import (
	"time"

	"holdbell/sensor"
)

// reheatRule is the proof of reheating that a lot owes now. Food that was commercially processed and
// packaged, heated for the first time, has a lower target where the code says so.
func (e *Engine) reheatRule(l *lot) Reheat {
	r := e.code(l).Reheat
	if h := l.Heat; h != nil && h.Packaged && h.Result != Pass && r.Packaged != nil {
		r.Target, r.Hold, r.Basis = *r.Packaged, 0, r.PackagedBasis
	}
	return r
}

// beginReheating starts a reheating run: at the earlier of leaving the cold limit and entering the stage.
// Leaving and coming back is one reheating.
func (e *Engine) beginReheating(l *lot, at time.Duration) {
	if l.Heat != nil && l.Heat.Result != Pass {
		return
	}
	start := at
	if l.LastCold > l.LastHot { // not the cold of before the cook
		start = min(start, l.LastCold)
	}
	l.Heat = newRun(start, l.Danger.Total, e.instant(start))
	l.Heat.FromCold = l.LastCold > l.LastHot
	l.Heat.Packaged = l.firstHeating()
	l.HoldFrom = never
}

// firstHeating reports whether a lot is packaged food that was never hot here: what a kitchen cooked,
// or has heated before, owes the full proof.
func (l *lot) firstHeating() bool { return l.Made == MadePackaged && l.LastHot == never && !l.CookSeen }

// firstHeat marks a reheating that has just begun as that of packaged food, and says what it has to reach.
func (e *Engine) firstHeat(l *lot) string {
	switch h := l.Heat; {
	case l.Made != MadePackaged:
		return ""
	case e.code(l).Reheat.Packaged == nil:
		return " " + e.set.Code.Title + " has no target of its own for packaged food: the usual one counts."
	case l.LastHot != never || l.CookSeen:
		return " It was hot here before, so it owes the full target."
	case h != nil && h.Result == Running:
		h.Packaged = true
		return " Out of its package it has to reach " + e.target(l) + "."
	}
	return ""
}

// followReheat looks for the proof of reheating: the lowest reading at or above the target, without a
// gap, for as long as the code asks.
func (e *Engine) followReheat(l *lot) {
	now, rule := e.mem.Now, e.reheatRule(l)
	// The air of an oven proves nothing about the food in it.
	e.followLeap(l)
	if !l.AllValid || l.Low < rule.Target || e.gap || l.onAirOnly(e) || l.Leap.Leapt {
		l.HoldFrom = never
	} else if l.HoldFrom == never {
		l.HoldFrom = now
		if t := e.crossing(l.LowProbe, rule.Target); t != never {
			l.HoldFrom = t
		}
	}
	proven := l.HoldFrom != never && now-l.HoldFrom >= rule.Hold
	if h := l.Heat; h != nil && h.Result == Running {
		if l.Stage == ColdHolding && l.LastCold == now {
			l.Heat = nil // back in the cold: no reheating, only time that was spent
			return
		}
		e.forecastFor(l)
		if h.FromTemp == 0 && l.AnyValid {
			h.FromTemp = l.Low
		}
		took := now - h.Started
		switch {
		case rule.Within > 0 && (proven && l.HoldFrom+rule.Hold-h.Started > rule.Within || !proven && took > rule.Within):
			h.Result = Fail
		case proven:
			h.Result = Pass
			h.LegDone[0] = l.HoldFrom + rule.Hold
			e.reheated(l, rule, h.Started, h.DangerStart, h.FromCold)
		}
		return
	}
	x := l.Exc
	if x == nil {
		return
	}
	e.followRise(l)
	// A code whose target is no more than its hot limit asks for no reheating of food held hot: merely
	// coming back must not wipe its clock.
	if proven && rule.Target > e.code(l).HotLimit && (rule.Within == 0 || l.HoldFrom+rule.Hold-x.RiseT <= rule.Within) {
		e.reheated(l, rule, x.RiseT, x.DangerAtRise, false)
	}
}

// Food rests that has risen by no more than restRise in restTime (common practice: a cabinet's core drifts
// by less, and reheating within two hours is ten times as fast).
const (
	restTime = 15 * time.Minute
	restRise = sensor.Temp(500)
)

// followRise keeps the start of a reheating in place: the two hours count from the last moment at which
// the food fell, or rested. A rise that was too slow has failed, and the next one may start from a rest.
// Without a reading of every probe nothing is known to rest.
func (e *Engine) followRise(l *lot) {
	x, now := l.Exc, e.mem.Now
	switch {
	case !l.AllValid || e.gap || l.stepUnknown:
		x.RestFrom = never
		return
	case l.Low <= x.RiseTemp:
		x.RiseT, x.RiseTemp, x.DangerAtRise = now, l.Low, l.Danger.Total
		x.RestFrom, x.RestTemp = now, l.Low
	case x.RestFrom == never || l.Low < x.RestTemp:
		x.RestFrom, x.RestTemp = now, l.Low
	case now-x.RestFrom < restTime:
	case l.Low-x.RestTemp <= restRise:
		x.RiseT, x.RiseTemp, x.DangerAtRise = now, l.Low, l.Danger.Total
		x.RestFrom, x.RestTemp = now, l.Low
	default:
		x.RestFrom, x.RestTemp = now, l.Low
	}
}

// rising reports whether a reheating in place is on its way: the food is clearly warmer than at its start.
func (x *excursion) rising(low sensor.Temp) bool { return low-x.RiseTemp > 2*restRise }

// reheatBy is the earlier of a deadline and the end of a reheating in place that has begun and is not back
// at the limit yet: there the food may rest, and start again.
func (e *Engine) reheatBy(l *lot, deadline time.Duration) time.Duration {
	within := e.code(l).Reheat.Within
	if x := l.Exc; x != nil && within > 0 && l.AnyValid && l.Low < e.code(l).HotLimit && x.rising(l.Low) && x.RiseT+within > e.mem.Now &&
		(deadline == never || x.RiseT+within < deadline) {
		return x.RiseT + within
	}
	return deadline
}

// reheated ends what an excursion or a reheating run left open.
func (e *Engine) reheated(l *lot, rule Reheat, started, dangerAtStart time.Duration, fromCold bool) {
	if l.Latched != nil {
		return
	}
	spent := max(0, l.Danger.Total-dangerAtStart)
	l.Excused += spent
	if fromCold {
		l.ExcusedCold += min(spent, max(0, l.ColdSide-l.ExcusedCold))
	}
	l.Exc, l.Arrived = nil, true
	if l.Cool != nil && l.Cool.Result == Running {
		l.Cool = nil // it starts anew when the food leaves the hot limit again
	}
	low := l.Low
	e.emit(Event{Kind: ReheatProven, Since: e.instant(l.HoldFrom), Station: e.stationName(l.Station), Lot: l.Name,
		Probe: e.probeName(l.LowProbe), Temp: &low, Basis: rule.Basis.String(),
		Text: l.Name + " in " + e.stationName(l.Station) + " was reheated to " + e.temp(rule.Target) +
			" within " + words(e.mem.Now-started) + "."})
}

// Made is how food came to be that is not cooked here.
type Made string

// The words of made=.
const (
	// MadeAmbient is food made from ingredients at room temperature, such as a salad of tinned tuna.
	MadeAmbient Made = "ambient"
	// MadePackaged is ready-to-eat food from a processing plant, in its sealed package until now.
	MadePackaged Made = "packaged"
)

// Mades lists the words that made= takes.
func Mades() []Made { return []Made{MadeAmbient, MadePackaged} }
