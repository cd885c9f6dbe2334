package rules

import (
	"time"

	"holdbell/sensor"
)

// reason is why a lot has its verdict; the sentence is written from it.
type reason uint8

const (
	reasonFine       reason = iota
	reasonOutside           // below the hot limit now
	reasonReturned          // back above it, not proven good
	reasonWarm              // above the cold limit now
	reasonUseNow            // the code's time to act has passed
	reasonUnknown           // no reading for longer than the allowance
	reasonLostLength        // a power-off of unknown length
	reasonPowerOff          // the watch was off for longer than the allowance
	reasonOverTime          // charged time reached its limit
	reasonTimeRuns          // under time control
	reasonTimeEnded
	reasonTimeTooWarm
	reasonCooling
	reasonCooled
	reasonCoolingFailed
	reasonReheating
	reasonReheatFailed
	reasonCooking
	reasonCookLeft   // left cooking before a proven endpoint
	reasonThrownAway // a person discarded it
	reasonGrowthNear // predicted growth is near the kitchen's own limit
	reasonGrowth     // and has reached it
	// A snapshot holds reasons by number: new ones stand at the end.
	reasonOutOfService // its station is
	reasonUnproven     // its station came back into service and has not been hot since
	reasonAirDenied    // only air speaks for it, and the food was not well when it was last measured
	reasonWarmAgain    // above the cold limit for a second time
	numReasons
)

// ruling is a verdict with what it rests on. Deadline is never when there is none.
type ruling struct {
	Verdict  Verdict
	Reason   reason
	Deadline time.Duration
	Basis    Citation
}

// rule decides what the rules advise about a lot now.
func (e *Engine) rule(l *lot) ruling {
	if l.Latched != nil {
		return *l.Latched
	}
	r := e.stillCooling(l, e.ruleStage(l))
	if r.Verdict == OK && e.cookOwed(l) {
		r = e.cookLeft(l)
	}
	switch {
	case r.Verdict != OK:
	case e.airDenied(l):
		r = ruling{Act, reasonAirDenied, r.Deadline, r.Basis}
	default:
		r = e.ruleService(l, r)
	}
	return e.ruleGrowth(l, r)
}

// stillCooling keeps a lot in mind whose cooling goes on where food is held hot: only reheating ends it
// there, and its deadline stands.
func (e *Engine) stillCooling(l *lot, r ruling) ruling {
	c := l.Cool
	if c == nil || c.Result != Running || c.Hot || l.Time != nil || r.Verdict == Discard || r.Reason == reasonCooling {
		return r
	}
	if deadline := e.legDeadline(c); r.Deadline == never || deadline < r.Deadline {
		r.Deadline = deadline
	}
	if r.Verdict == OK {
		r.Verdict, r.Reason, r.Basis = Act, reasonCooling, e.leg(l).Basis
	}
	return r
}

// ruleStage decides by what the lot is in: a run, time control, or a stage.
func (e *Engine) ruleStage(l *lot) ruling {
	code := e.code(l)
	switch {
	// A run that failed is told in every stage.
	case l.Cool != nil && l.Cool.Result == Fail:
		return ruling{Discard, reasonCoolingFailed, never, e.leg(l).Basis}
	case l.Heat != nil && l.Heat.Result == Fail:
		return ruling{Discard, reasonReheatFailed, never, e.reheatRule(l).Basis}
	case l.Time != nil:
		return e.ruleTime(l)
	case l.Heat != nil && l.Heat.Result == Running:
		return e.ruleReheating(l)
	case l.Stage == Cooling, l.Stage == ColdHolding && l.Cool != nil && l.Cool.Result == Running:
		return e.ruleCooling(l)
	case l.Stage == Reheating:
		return e.ruleReheating(l)
	case l.Stage == ColdHolding:
		return e.ruleCold(l)
	case l.comingUp(l.Stage):
		switch charged, limit := e.spent(l); {
		case limit > 0 && charged >= limit || e.overspent(l): // spent before it came here
			return ruling{Discard, reasonOverTime, never, code.DangerBasis}
		case l.LostLength:
			return ruling{Act, reasonLostLength, never, code.DangerBasis}
		case l.Exc != nil && e.owesProof(l):
			return ruling{Act, reasonOutside, never, code.HotBasis}
		}
		return ruling{OK, reasonCooking, never, code.ComeUpBasis}
	}
	return e.ruleHeld(l, code.HotBasis, e.outside(l), reasonOutside)
}

// ruleCold rules on food held cold. Where the law excuses one time above the limit, a second has no
// excuse, and no fridge makes it good.
func (e *Engine) ruleCold(l *lot) ruling {
	code := e.code(l)
	r := e.ruleHeld(l, code.ColdBasis, e.tooWarm(l), reasonWarm)
	if r.Verdict != Discard && code.Return == ReturnOnce && l.ColdOuts > 1 {
		return ruling{Act, reasonWarmAgain, r.Deadline, code.DangerBasis}
	}
	return r
}

// ruleHeld rules on food held hot or cold.
func (e *Engine) ruleHeld(l *lot, basis Citation, outside bool, why reason) ruling {
	code := e.code(l)
	charged, limit := e.spent(l)
	openGap := l.OpenSince != never
	deadline := never
	if e.overspent(l) {
		return ruling{Discard, reasonOverTime, never, code.DangerBasis}
	}
	if limit > 0 {
		deadline = e.mem.Now + limit - charged
		if charged >= limit {
			return ruling{Discard, reasonOverTime, never, code.DangerBasis}
		}
	}
	if outside && code.ActFrom == 0 {
		if why == reasonOutside {
			deadline = e.reheatBy(l, deadline)
		}
		return ruling{Act, why, deadline, basis}
	}
	if openGap && e.mem.Now-l.OpenSince > e.set.GapAllowance {
		return ruling{Act, reasonUnknown, deadline, basis}
	}
	if l.LostLength {
		return ruling{Act, reasonLostLength, never, basis}
	}
	if code.ActFrom > 0 && charged >= code.ActFrom {
		if !outside && !openGap {
			deadline = never
		}
		return ruling{Act, reasonUseNow, deadline, code.DangerBasis}
	}
	if l.Exc != nil && e.owesProof(l) {
		return ruling{Act, reasonReturned, never, code.ReturnBasis}
	}
	if openGap && (outside || l.Exc != nil) {
		return ruling{OK, reasonFine, deadline, basis}
	}
	return ruling{OK, reasonFine, never, basis}
}

// tooWarm reports whether food held cold is over its limit: by its probes, by the last hand check.
func (e *Engine) tooWarm(l *lot) bool {
	return l.Warm || l.HandWarm
}

// airDenied reports whether only air says that a lot is well, and the food itself was not when it was last
// measured.
func (e *Engine) airDenied(l *lot) bool {
	code := e.code(l)
	return l.FoodKnown && l.onAirOnly(e) &&
		(l.Stage == HotHolding && l.FoodLow < code.HotLimit || l.Stage == ColdHolding && l.FoodHigh > code.ColdLimit)
}

// owesProof reports whether a lot back at its limit still has to be proven good.
func (e *Engine) owesProof(l *lot) bool {
	switch e.code(l).Return {
	case ReturnNeedsProof:
		return true
	case ReturnOnce:
		return l.Excursions > 1
	}
	return false
}

// pardonable reports whether a signed hand check may end the excursion: short, shallow and known.
func (e *Engine) pardonable(l *lot, x *excursion) bool {
	code := e.code(l)
	return code.Return == ReturnNeedsProof && !x.Unknown && x.Count >= 1 &&
		x.Below <= code.ReturnBelow && x.Min >= code.ReturnFloor
}

func (e *Engine) ruleTime(l *lot) ruling {
	t := l.Time
	switch end := l.TimeStart + t.Limit; {
	case l.TimeOver:
		return ruling{Discard, reasonTimeTooWarm, never, t.Basis}
	case l.LostLength && l.LostAt > l.TimeStart:
		return ruling{Discard, reasonLostLength, never, t.Basis}
	case e.mem.Now >= end:
		return ruling{Discard, reasonTimeEnded, never, t.Basis}
	default:
		return ruling{Act, reasonTimeRuns, end, t.Basis}
	}
}

func (e *Engine) ruleCooling(l *lot) ruling {
	c := l.Cool
	if c == nil {
		return e.ruleHeld(l, e.code(l).HotBasis, false, reasonOutside)
	}
	leg := e.leg(l)
	switch {
	case l.LostLength:
		return ruling{Act, reasonLostLength, never, leg.Basis}
	case c.Result == Pass:
		return e.ruleCold(l)
	}
	return ruling{Act, reasonCooling, e.legDeadline(c), leg.Basis}
}

func (e *Engine) ruleReheating(l *lot) ruling {
	rule, h := e.reheatRule(l), l.Heat
	switch {
	case h.Result == Pass:
		return e.ruleHeld(l, e.code(l).HotBasis, e.outside(l), reasonOutside)
	case rule.Within == 0:
		return ruling{Act, reasonReheating, never, rule.Basis}
	}
	return ruling{Act, reasonReheating, h.Started + rule.Within, rule.Basis}
}

// provisional reports whether a discard may still be taken back by what ends an open gap: signed hand
// checks around an off-watch span can show that the food was hot all the while.
func (l *lot) provisional() bool {
	for i := range l.Members {
		if l.Members[i].Suspended {
			return true
		}
	}
	return false
}

// judgeLot rules on a lot, tells when the verdict changes, and judges its alarms.
func (e *Engine) judgeLot(l *lot) {
	r := e.rule(l)
	if r.Verdict == Discard && l.Latched == nil && !(r.Reason == reasonOverTime && l.provisional()) {
		kept := r
		l.Latched = &kept
	}
	before := l.Ruling
	l.Ruling = r
	if r.Verdict != before.Verdict || r.Reason != before.Reason && (r.Verdict != OK || before.Verdict != OK) {
		e.emitVerdict(l)
	}
	e.watchLot(l)
	if r.Verdict == Discard && before.Verdict != Discard {
		// What stands says what to do now, not what would still have helped when it was raised.
		for _, x := range l.alarms() {
			if x.a.Active {
				x.a.Text = e.alarmText(x.a, e.lotSubject(l, x.index))
			}
		}
	}
}

func (e *Engine) emitVerdict(l *lot) {
	ev := Event{Kind: VerdictChanged, Station: e.stationName(l.Station), Lot: l.Name, Verdict: l.Ruling.Verdict,
		Basis: l.Ruling.Basis.String(), Text: e.lotText(l)}
	if t, p := e.deciding(l); t != nil {
		ev.Temp, ev.Probe = t, e.probeName(p)
	}
	if l.Ruling.Reason == reasonOutside && l.firstBelow != never {
		ev.Since = e.instant(l.firstBelow)
	}
	e.emit(ev)
}

// deciding is the reading that a lot is judged by: the highest where it must be cold, else the lowest.
func (e *Engine) deciding(l *lot) (*sensor.Temp, int) {
	if !l.AnyValid {
		return nil, -1
	}
	t, p := l.Low, l.LowProbe
	if l.Stage == ColdHolding || l.Stage == Cooling {
		t, p = l.High, l.HighProbe
	}
	return &t, p
}

func (e *Engine) probeName(p int) string {
	if p < 0 {
		return ""
	}
	return e.set.Probes[p].Name
}
