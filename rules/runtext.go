package rules

import (
	"strings"
	"time"
)

// target is what reheating has to reach, and for how long.
func (e *Engine) target(l *lot) string {
	rule := e.reheatRule(l)
	text := e.temp(rule.Target)
	if rule.Hold > 0 {
		text += " for " + words(rule.Hold)
	}
	return text
}

// startAgain is the choice that a cooling lot has while there is still time: the first stage missed is
// lost, but food reheated to its target before that starts cooling anew (FDA Food Code 3-501.14, as a state
// answers questions about it; second hand).
func (e *Engine) startAgain(l *lot, left time.Duration) string {
	text := "Split it into shallow pans or put it in an ice bath now"
	if left > 0 {
		text += ", or reheat it to " + e.target(l) + " within " + words(left) + " and start cooling again"
	}
	text += "."
	if l.onAirOnly(e) {
		text += " Put a probe in it: the air proves nothing."
	}
	return text
}

// coolingAction is what to do about a lot that cools.
func (e *Engine) coolingAction(l *lot, left string) string {
	text := "Cool it to " + e.temp(e.leg(l).To) + left + "."
	if l.Stage != Cooling && l.Stage != ColdHolding {
		text = "Reheat it to " + e.target(l) + left + " to hold it hot, or cool it to " + e.temp(e.leg(l).To) + " in that time, or discard it."
	}
	switch c := l.Cool; {
	case l.AlarmCooling.Active && c.Result == Running:
		text += " It will not be there in time. " + e.startAgain(l, e.legDeadline(c)-e.mem.Now)
	case l.onAirOnly(e):
		text += " Put a probe in it: the air proves nothing."
	}
	if e.set.Code.CoolingNeeds != "" {
		text += " " + e.set.Code.CoolingNeeds
	}
	return text
}

// sofar says what has just begun, or for how long it has gone on.
func sofar(begun, going string, d time.Duration) string {
	if d < time.Minute {
		return begun
	}
	return going + " for " + words(d)
}

// coolingWhy is how a cooling stands: for how long, and when it will be where it has to be.
func (e *Engine) coolingWhy(l *lot) string {
	c := l.Cool
	if c.Hot {
		return "is about to cool: its time starts when it leaves " + e.temp(e.leg(l).From)
	}
	text := sofar("is cooling", "has been cooling", e.toldAt(l)-c.Started)
	if l.Stage != Cooling && l.Stage != ColdHolding {
		text = "fell below " + e.temp(e.code(l).HotLimit) + " while it was put to cool, " + words(e.toldAt(l)-c.Started) + " ago, and was never reheated"
	}
	if p := e.coolingPace(l); p.knows && l.open() {
		text += " and will be at " + e.temp(e.leg(l).To) + " in about " + about(p.est)
	}
	return text
}

// reheatWhy is how a reheating stands.
func (e *Engine) reheatWhy(l *lot) string {
	h := l.Heat
	text := sofar("is being reheated", "has been reheating", e.toldAt(l)-h.Started)
	if p := e.reheatPace(l); p.knows && l.open() {
		text += " and will be at " + e.temp(e.reheatRule(l).Target) + " in about " + about(p.est)
	}
	return text
}

// reheatHint is the choice that a lot has whose reheating comes late.
func (e *Engine) reheatHint(l *lot) string {
	if h := l.Heat; l.AlarmReheat.Active && h != nil && h.Result == Running {
		return " It will not be there in time: heat it harder, on the stove or in thinner layers."
	}
	return ""
}

// lateText is what cooling-late and reheat-late say.
func (e *Engine) lateText(l *lot, index int) string {
	switch c, h := l.Cool, l.Heat; {
	case !l.open():
	case index == aCooling && c != nil && c.Result == Running:
		p := e.coolingPace(l)
		t := &l.High
		if !l.AnyValid {
			t = nil
		}
		return e.paceText(l, p, e.leg(l).To, t, e.startAgain(l, p.left)) + e.guardText(l)
	case index == aReheat && h != nil && h.Result == Running:
		p := e.reheatPace(l)
		t := &l.Low
		if !l.AnyValid {
			t = nil
		}
		choice := "Heat it harder now, on the stove or in thinner layers, or discard it when the time is over."
		if p.blind {
			choice = "Put a probe in it now. " + choice
		}
		return e.paceText(l, p, e.reheatRule(l).Target, t, choice) + e.guardText(l)
	}
	return e.lotText(l)
}

// coldText is what above-cold-limit says.
func (e *Engine) coldText(l *lot) string {
	if l.open() && l.Ruling.Verdict == OK && l.AnyValid {
		return strings.TrimSpace(e.placed(l) + " at " + e.temp(l.High) + " is above " + e.temp(e.code(l).ColdLimit) +
			". Look at the door and the cooling, and bring it back to " + e.temp(e.code(l).ColdLimit) + " or below.")
	}
	return e.lotText(l)
}

// runCleared is what is said when one of a lot's alarms about cold or a run has ended.
func (e *Engine) runCleared(l *lot, index int) string {
	switch {
	case !l.open():
		return l.Name + " has ended."
	case index == aCold && l.Stage == ColdHolding && l.Time == nil && l.AnyValid && l.High <= e.code(l).ColdLimit:
		return strings.TrimSpace(l.Name + " is back at or below " + e.temp(e.code(l).ColdLimit) + ". " + e.action(l))
	case index == aCold:
		return strings.TrimSpace(l.Name + " is no longer held cold. " + e.action(l))
	case index == aCooling && l.Cool != nil && l.Cool.Result == Pass:
		return l.Name + " has cooled in time."
	case index == aReheat && l.Heat != nil && l.Heat.Result == Pass:
		return l.Name + " was reheated in time."
	case index == aCooling && l.Cool != nil && l.Cool.Result == Running && l.Heat != nil && l.Heat.Result == Running:
		return l.Name + " is being reheated; its cooling starts again afterwards."
	case index == aCooling && l.Cool != nil && l.Cool.Result == Running:
		return l.Name + " is cooling fast enough again. " + e.action(l)
	case index == aReheat && l.Heat != nil && l.Heat.Result == Running:
		return l.Name + " is heating fast enough again. " + e.action(l)
	}
	return strings.TrimSpace(l.Name + " is no longer waited for. " + e.action(l))
}
