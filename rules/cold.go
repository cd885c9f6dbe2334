package rules

import (
	"time"
)

// coldAirDelay is the raise delay of above-cold-limit for a lot that only the air of its station speaks
// for: a door, a delivery and a defrost warm the air long before the food (common practice). The clocks
// run meanwhile.
const coldAirDelay = 20 * time.Minute

// followCold keeps the last proof at or below the cold limit, how warm the food has been since, and
// whether food held cold is too warm: that turns back only once it has settled, as above the hot limit.
func (e *Engine) followCold(l *lot, nowCold, proven bool) {
	now := e.mem.Now
	wasWarm := l.Warm
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
	e.followColdOut(l, wasWarm)
}

// followColdOut counts how often food that was held cold rose above its limit. What only the air says
// counts once it has lasted as long as the alarm waits: a door that was opened warmed no food.
func (e *Engine) followColdOut(l *lot, wasWarm bool) {
	switch {
	case l.Stage != ColdHolding && l.Time == nil || !l.Warm:
		l.WarmFrom, l.WarmCounted = 0, false
		return
	case !wasWarm:
		l.WarmFrom, l.WarmCounted = e.mem.Now, false
	}
	if l.WarmCounted || l.LastCold == never || l.LastHot > l.LastCold ||
		l.onAirOnly(e) && e.mem.Now-l.WarmFrom < coldAirDelay {
		return
	}
	l.WarmCounted = true
	l.ColdOuts++
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

// coldSided reports whether the lot's last proof was in the cold: what it spends outside then is spent
// from the cold side. One that was never proven is taken as what it is held as.
func (l *lot) coldSided() bool {
	if l.LastCold == never && l.LastHot == never {
		return l.Stage == ColdHolding
	}
	return l.LastCold > l.LastHot
}

// spent is the charged time that counts against the lot now, an open gap at its worst, and its limit.
// Most codes add everything up; where the exemptions are apart, each has the time that began on its side.
func (e *Engine) spent(l *lot) (time.Duration, time.Duration) {
	code := e.code(l)
	if !code.DangerApart {
		if l.Stage == ColdHolding {
			return e.assumed(l), code.ColdDangerLimit
		}
		return e.assumed(l), code.DangerLimit
	}
	open := e.assumed(l) - l.charged()
	cold := max(0, l.ColdSide-l.ExcusedCold)
	if l.coldSided() {
		return cold + open, code.ColdDangerLimit
	}
	return max(0, l.charged()-cold) + open, code.DangerLimit
}

// overspent reports whether a side on which the lot is not now has used up its time.
func (e *Engine) overspent(l *lot) bool {
	code := e.code(l)
	if !code.DangerApart {
		return false
	}
	cold := max(0, l.ColdSide-l.ExcusedCold)
	return code.ColdDangerLimit > 0 && cold >= code.ColdDangerLimit ||
		code.DangerLimit > 0 && max(0, l.charged()-cold) >= code.DangerLimit
}

// watchCold judges above-cold-limit: food held cold that is too warm.
func (e *Engine) watchCold(l *lot) {
	f := finding{since: never, left: e.timeLeft(l), delay: never, worse: higher, rank: rank(l.Ruling.Verdict)}
	f.mute = l.Ruling.Verdict == Discard && l.AlarmDanger.Active
	limit := e.code(l).ColdLimit
	sp := &e.specs[e.specIndex(l.Station)][aCold]
	switch {
	case l.Stage != ColdHolding || l.Time != nil || l.Cool != nil && l.Cool.Result == Running || l.Heat != nil && l.Heat.Result == Running:
	case !l.AnyValid:
		f.level = unknown
	default:
		f.temp, f.hasTemp = l.High, true
		switch {
		case l.High > limit:
			f.level, f.since = bad, e.crossing(l.HighProbe, limit)
		case l.High > limit-sp.hysteresis, !l.AllValid && l.AlarmCold.Active:
			f.level = near
		default:
			f.since = e.crossing(l.HighProbe, limit-sp.hysteresis)
		}
		if l.onAirOnly(e) {
			f.delay = coldAirDelay
		}
	}
	e.judge(&l.AlarmCold, e.lotSubject(l, aCold), f)
}
