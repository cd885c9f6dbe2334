package rules

import (
	"time"

	"holdbell/rules/forecast"
	"holdbell/sensor"
)

// pace is how a cooling or reheating leg stands against its time.
type pace struct {
	gone, left time.Duration // since the leg began, until its deadline
	est        forecast.Estimate
	knows      bool // est stands
	slow       bool // even at the mean pace so far, which never gets faster, it will not be done
	blind      bool // no reading says how the food is
}

// level says whether the leg will be missed. For its first quarter nobody knows: food has its dead time,
// and a pan that was only just put into ice falls ever faster. At the latest it is said at half time, when
// the pace is clearly too slow, or nothing is known of the food (common practice, both).
func (p *pace) level() level {
	switch half := p.gone >= p.left; {
	case 3*p.gone < p.left:
		return fine
	case p.knows && p.est.In > p.left:
		return bad
	case p.knows && p.est.Latest > p.left:
		return near
	case p.knows:
		return fine
	case half && (p.slow || p.blind):
		return bad
	}
	return near // not knowing clears nothing and raises nothing
}

// tooSlow reports whether a temperature that went the way done in gone will not go the way still to go in
// left at the same mean pace. What cools or is warmed by its surroundings only gets slower.
func tooSlow(done, togo sensor.Temp, gone, left time.Duration) bool {
	return int64(max(done, 0))*int64(left/time.Second) < int64(max(togo, 0))*int64(gone/time.Second)
}

// reach is when the last of a lot's probes will be at v: down to it when falling, else up to it. ok is
// false when that of any probe is not known; the air about food says nothing of it.
func (e *Engine) reach(l *lot, v sensor.Temp, falling bool) (est forecast.Estimate, ok bool) {
	if !l.AllValid || l.onAirOnly(e) {
		return est, false
	}
	for i := range l.Members {
		m := &l.Members[i]
		if m.Until != forever {
			continue
		}
		t := e.mem.Probes[m.Probe].Cur.Temp
		if falling && t <= v || !falling && t >= v {
			continue
		}
		model := e.mem.Probes[m.Probe].Ahead
		if model == nil {
			return est, false
		}
		x, knows := model.Reach(v)
		if !knows {
			return est, false
		}
		est.In, est.Soonest, est.Latest = max(est.In, x.In), max(est.Soonest, x.Soonest), max(est.Latest, x.Latest)
		est.StallAhead = est.StallAhead || x.StallAhead
	}
	return est, true
}

// coolingPace is how the present leg of a lot's cooling run stands.
func (e *Engine) coolingPace(l *lot) pace {
	c, leg := l.Cool, e.leg(l)
	p := pace{gone: e.mem.Now - e.legStart(c), left: e.legDeadline(c) - e.mem.Now, blind: !l.AllValid || l.onAirOnly(e)}
	p.est, p.knows = e.reach(l, leg.To, true)
	p.slow = !p.blind && tooSlow(c.FromTemp-l.High, l.High-leg.To, p.gone, p.left)
	return p
}

// reheatPace is how a lot's reheating run stands.
func (e *Engine) reheatPace(l *lot) pace {
	h := l.Heat
	rule := e.reheatRule(l)
	p := pace{gone: e.mem.Now - h.Started, left: h.Started + rule.Within - rule.Hold - e.mem.Now, blind: !l.AllValid || l.onAirOnly(e)}
	p.est, p.knows = e.reach(l, rule.Target, false)
	p.slow = !p.blind && tooSlow(l.Low-h.FromTemp, rule.Target-l.Low, p.gone, p.left)
	return p
}

// watchRuns judges cooling-late and reheat-late: ahead of the deadline, when the forecast or the pace says
// that it will be missed, and at the miss.
func (e *Engine) watchRuns(l *lot) {
	cool, heat := finding{since: never, left: never, delay: never}, finding{since: never, left: never, delay: never}
	switch c := l.Cool; {
	case c == nil || l.Time != nil:
	case c.Result == Fail:
		cool = e.missed(l, e.legDeadline(c), reasonCoolingFailed)
	case c.Result == Running && !c.Hot && (l.Heat == nil || l.Heat.Result != Running):
		cool = e.comingLate(l, e.coolingPace(l))
		cool.temp, cool.hasTemp, cool.worse = l.High, l.AnyValid, higher
	}
	e.judge(&l.AlarmCooling, e.lotSubject(l, aCooling), cool)
	switch h := l.Heat; {
	case h == nil || l.Time != nil:
	case h.Result == Fail:
		heat = e.missed(l, h.Started+e.code(l).Reheat.Within, reasonReheatFailed)
	case h.Result == Running && e.code(l).Reheat.Within > 0:
		heat = e.comingLate(l, e.reheatPace(l))
		heat.temp, heat.hasTemp, heat.worse = l.Low, l.AnyValid, lower
	}
	e.judge(&l.AlarmReheat, e.lotSubject(l, aReheat), heat)
}

// comingLate is the finding about a run that is not over.
func (e *Engine) comingLate(l *lot, p pace) finding {
	return finding{level: p.level(), since: never, left: max(0, p.left), delay: never, rank: rank(l.Ruling.Verdict)}
}

// missed is the finding about a run whose time is over. danger-time goes on ringing for the discard.
func (e *Engine) missed(l *lot, deadline time.Duration, why reason) finding {
	f := finding{level: bad, since: min(deadline, e.mem.Now), left: never, delay: never, urgent: true, priority: Critical,
		rank: rank(Discard), mute: l.AlarmDanger.Active}
	if l.Ruling.Reason != why && l.Ruling.Verdict != Discard {
		f.level = fine // taken back by an undo
	}
	return f
}

// paceText is what a run's alarm says before the deadline: how it stands, and the choice that is left.
func (e *Engine) paceText(l *lot, p pace, v sensor.Temp, reading *sensor.Temp, choice string) string {
	text := e.placed(l)
	if reading != nil {
		text += " at " + e.temp(*reading)
	}
	text += " will not be at " + e.temp(v) + " in time: " + words(max(0, p.left)) + " left"
	switch {
	case p.knows:
		text += ", and at this rate it needs " + about(p.est)
	case p.blind:
		text = e.placed(l) + " has " + words(max(0, p.left)) + " left to be at " + e.temp(v) + ", and no reading says how it stands"
	default:
		text += ", and it is too slow so far"
	}
	return text + ". " + choice
}

// about writes an estimate with its spread.
func about(x forecast.Estimate) string {
	text := words(x.In)
	if low, high := words(x.Soonest), words(x.Latest); low != high {
		text += " (" + low + " to " + high + ")"
	}
	return text
}
