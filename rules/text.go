package rules

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"holdbell/sensor"
)

// temp writes a temperature in the person's unit, with a tenth.
func (e *Engine) temp(t sensor.Temp) string { return e.set.Units.Format(t) }

// Format writes a temperature in the unit, with a tenth unless it is whole.
func (u Units) Format(t sensor.Temp) string {
	v, unit := t.Celsius(), "°C"
	if u == Fahrenheit {
		v, unit = t.Fahrenheit(), "°F"
	}
	return u.number(v) + " " + unit
}

// number writes a temperature's number with a tenth unless it is whole. What rounds to zero has no sign.
func (u Units) number(v float64) string {
	s := strings.TrimSuffix(strconv.FormatFloat(v, 'f', 1, 64), ".0")
	if s == "-0" {
		return "0"
	}
	return s
}

// Words writes a duration for people: "45 s", "12 min", "3 h 5 min".
func Words(d time.Duration) string { return words(d) }

// words is Words.
func words(d time.Duration) string {
	switch {
	case d < 0:
		return "no time"
	case d < 2*time.Minute:
		return fmt.Sprintf("%d s", int64(d.Seconds()))
	case d < time.Hour:
		return fmt.Sprintf("%d min", int64(d.Minutes()))
	}
	const day = 24 * time.Hour
	if d < 2*day {
		return strings.TrimSuffix(fmt.Sprintf("%d h %d min", int64(d.Hours()), int64(d.Minutes())%60), " 0 min")
	}
	return strings.TrimSuffix(fmt.Sprintf("%d d %d h", d/day, int64(d.Hours())%24), " 0 h")
}

// action is what to do about a lot now, a whole sentence; empty when nothing is to be done.
func (e *Engine) action(l *lot) string {
	r, code := &l.Ruling, e.code(l)
	if r.Verdict == Discard {
		if r.Reason == reasonThrownAway {
			return ""
		}
		return "Discard it."
	}
	left := ""
	if r.Deadline != never {
		left = " within " + words(max(0, r.Deadline-e.toldAt(l)))
	}
	target := e.target(l)
	switch r.Reason {
	case reasonOutside:
		return "Reheat it to " + target + left + ", or discard it."
	case reasonReturned:
		if l.Exc != nil && e.pardonable(l, l.Exc) {
			return "Check the coldest piece by hand: at or above " + e.temp(code.HotLimit) + " and signed closes this; otherwise reheat it to " + target + "."
		}
		return "Reheat it to " + target + " before serving, or discard it."
	case reasonWarm:
		if l.HandWarm && !l.Warm {
			return "Cool it, and check it by hand again: at " + e.temp(code.ColdLimit) + " or below and signed closes this."
		}
		return "Bring it back to " + e.temp(code.ColdLimit) + " or below" + left + ", or discard it."
	case reasonCookLeft:
		return e.cookOn(l)
	case reasonUseNow:
		return "Use it now" + left + "; do not put it back."
	case reasonUnknown:
		do := "Check it by hand and mend its probe"
		switch {
		case l.speechless() != nil:
			do = "Put a probe in it and mark it, or check it by hand"
		case l.provisional():
			do = "Put its probe back and mark probe-in, or check it by hand"
		}
		return do + left + "; until then every minute counts as spent."
	case reasonLostLength, reasonPowerOff:
		return "Check every piece by hand before it is served; the time that was not watched may be too long."
	case reasonTimeRuns:
		return "Serve, cook or discard it" + left + "."
	case reasonCooling:
		return e.coolingAction(l, left)
	case reasonReheating:
		return "Reheat it to " + target + left + "." + e.reheatHint(l)
	case reasonGrowthNear:
		return "Reheat it to " + target + ", or chill it fast, or discard it."
	case reasonAirDenied:
		return "Put a probe in it, or check it by hand and sign."
	case reasonOutOfService:
		return "Move it to a station in service now."
	case reasonUnproven:
		return "Keep it hot elsewhere until then."
	case reasonWarmAgain:
		return "Cook or reheat it to " + target + " and serve it" + left + ", or discard it."
	}
	return ""
}

// why is the finding behind a verdict, without its subject.
func (e *Engine) why(l *lot) string {
	code := e.code(l)
	switch l.Ruling.Reason {
	case reasonOutside:
		if d := l.excursionLength(e.toldAt(l)); d >= time.Minute {
			if l.AnyValid && l.Low >= code.HotLimit {
				return "has only just come back to " + e.temp(code.HotLimit) + ", after " + words(d) + " under it"
			}
			return "has been under " + e.temp(code.HotLimit) + " for " + words(d)
		}
		return "is under " + e.temp(code.HotLimit)
	case reasonReturned:
		if l.Exc == nil { // closed by a check since the verdict was given
			return "is back above " + e.temp(code.HotLimit)
		}
		down := ""
		if l.Exc.Unknown {
			down = " or not watched"
		}
		below := " but was below it" + down + " for "
		down = ""
		if l.Exc.Min < code.HotLimit {
			down = ", down to " + e.temp(l.Exc.Min)
		}
		if l.Stage != HotHolding && l.Stage != Cooking {
			return "was below " + e.temp(code.HotLimit) + " for " + words(l.Exc.Below) + down + ", and was never proven good"
		}
		return "is back above " + e.temp(code.HotLimit) + below + words(l.Exc.Below) + down
	case reasonWarm:
		if l.HandWarm && !l.Warm {
			return "by its probe was at " + e.temp(l.CheckTemp) + " by the hand thermometer, over " + e.temp(code.ColdLimit)
		}
		return "is above " + e.temp(code.ColdLimit)
	case reasonUseNow:
		charged, _ := e.spent(l)
		return "has spent " + words(charged) + " between " + e.temp(code.ColdLimit) + " and " + e.temp(code.HotLimit)
	case reasonUnknown:
		switch gap := words(e.toldAt(l) - l.OpenSince); {
		case l.speechless() != nil:
			return "has had no probe for " + gap
		case l.provisional():
			return "has been off watch for " + gap
		}
		return "has had no valid reading for " + words(e.toldAt(l)-l.OpenSince)
	case reasonLostLength:
		return "went through a power cut of unknown length"
	case reasonPowerOff:
		return "was not watched while the power was off"
	case reasonOverTime:
		charged, _ := e.spent(l)
		return "has spent " + words(charged) + " between " + e.temp(code.ColdLimit) + " and " + e.temp(code.HotLimit)
	case reasonTimeRuns:
		return "is under time control"
	case reasonTimeEnded:
		if l.Time != nil {
			return "has come to the end of its " + words(l.Time.Limit) + " of time control"
		}
		return "has come to the end of its time control"
	case reasonTimeTooWarm:
		if l.Time != nil && l.Time.MaxFood != nil {
			return "grew warmer than the " + e.temp(*l.Time.MaxFood) + " that its time control allows"
		}
		return "grew warmer than its time control allows"
	case reasonCooling:
		return e.coolingWhy(l)
	case reasonCoolingFailed:
		if l.Cool != nil {
			leg := e.leg(l)
			return "did not cool to " + e.temp(leg.To) + " within " + words(leg.Within)
		}
		return "did not cool in time"
	case reasonReheating:
		return e.reheatWhy(l)
	case reasonWarmAgain:
		return "has been above " + e.temp(code.ColdLimit) + " for service a second time, and the law excuses one"
	case reasonReheatFailed:
		rule := e.reheatRule(l)
		return "was not reheated to " + e.temp(rule.Target) + " within " + words(rule.Within)
	case reasonCookLeft:
		return e.cookWhy(l)
	case reasonCooking:
		return "is cooking"
	case reasonThrownAway:
		return "was discarded"
	case reasonGrowthNear, reasonGrowth:
		return e.growthWhy(l)
	case reasonAirDenied:
		was := l.FoodLow
		if l.Stage == ColdHolding {
			was = l.FoodHigh
		}
		return "was at " + e.temp(was) + " when it was last measured itself, and the air about it proves nothing"
	case reasonOutOfService, reasonUnproven:
		return e.serviceWhy(l)
	}
	switch l.Stage {
	case ColdHolding:
		return "is held cold"
	case Cooling:
		return "has been cooled"
	}
	return "is held hot"
}

// toldAt is the moment that a lot's sentence speaks of: now, or its end.
func (e *Engine) toldAt(l *lot) time.Duration {
	if !l.open() {
		return l.Ended
	}
	return e.mem.Now
}

func (l *lot) excursionLength(now time.Duration) time.Duration {
	if l.Exc == nil {
		return 0
	}
	return max(0, now-l.Exc.Since)
}

// placed is a lot's name with its station, unless it is the station's own lot.
func (e *Engine) placed(l *lot) string {
	st := e.stationName(l.Station)
	if st == l.Name {
		return st
	}
	return l.Name + " in " + st
}

// lotText is a lot's verdict in one or two whole sentences, as they would stand on a lock screen.
func (e *Engine) lotText(l *lot) string { return e.lotSentence(l, e.why(l)) }

// lotSentence is the same with another finding.
func (e *Engine) lotSentence(l *lot, why string) string {
	var b strings.Builder
	b.WriteString(e.placed(l))
	// A reading that rounds to the limit it is under would only puzzle.
	t, _ := e.deciding(l)
	if t != nil && !(l.Ruling.Reason == reasonOutside && e.temp(*t) == e.temp(e.code(l).HotLimit)) {
		b.WriteString(" at " + e.temp(*t))
	}
	b.WriteString(" " + why + ".")
	if a := e.action(l); a != "" {
		b.WriteString(" " + a)
	}
	if l.Ruling.Verdict != OK {
		if l.CheckT == never {
			b.WriteString(" No hand check was made since it was loaded.")
		}
		b.WriteString(e.leapText(l))
		b.WriteString(e.guardText(l))
	}
	b.WriteString(e.cookAlso(l))
	return b.String()
}

func (e *Engine) openNames() string {
	var n []string
	for _, l := range e.mem.Lots {
		if l.open() {
			n = append(n, l.Name)
		}
	}
	return orNone(n)
}

func (e *Engine) namesIn(station int) string {
	var n []string
	for _, l := range e.mem.Lots {
		if l.open() && l.Station == station {
			n = append(n, l.Name)
		}
	}
	return orNone(n)
}

func (e *Engine) stationNames() string {
	var n []string
	for _, s := range e.set.Stations {
		n = append(n, s.Name)
	}
	return orNone(n)
}

func (e *Engine) probeNames() string {
	var n []string
	for _, p := range e.set.Probes {
		n = append(n, p.Name)
	}
	return orNone(n)
}

func (e *Engine) probeNamesOf(l *lot) string {
	var n []string
	for i := range l.Members {
		if l.Members[i].Until == forever {
			n = append(n, e.probeName(l.Members[i].Probe))
		}
	}
	return orNone(n)
}

func orNone(names []string) string {
	if len(names) == 0 {
		return "none"
	}
	return strings.Join(names, ", ")
}
