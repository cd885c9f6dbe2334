package rules

import (
	"fmt"
	"strings"

	"holdbell/sensor"
)

// alarmText is what an alarm says: place, temperature, time left, and what to do.
func (e *Engine) alarmText(a *alarm, s subjectOf) string {
	where := e.stationName(s.station)
	switch s.index {
	case aComeUp:
		return e.comeUpText(s.lot)
	case aBelow, aDanger, aTime, aAhead, aCold, aCooling, aReheat:
		return e.alarmLotText(s)
	case aBand:
		if s.lot != nil {
			return e.dryText(a, s)
		}
		return e.bandText(a, s.station)
	case aDoor:
		return e.doorText(s.station)
	case aFire:
		return e.fireText(s.station)
	case aDue:
		return e.dueText(s.station)
	case aCalDue:
		return e.calibrationDueText(s.probe, where)
	case aFault:
		p := &e.mem.Probes[s.probe]
		if e.read[s.probe].Valid() && p.Fit.doubt() != reads {
			return e.misreadText(p, where)
		}
		word := p.word()
		advice := faultAdvice(word)
		if others := e.alsoGrounded(s.probe); others != "" {
			advice = "The same goes for " + others + ": likely a ground loop, by bare tips on one piece of metal. Use probes with insulated tips, or take one off the metal."
		}
		what := "gives no reading"
		if e.read[s.probe].Valid() {
			what = "loses its reading again and again"
		}
		text := fmt.Sprintf("Probe %s at %s %s: %s (%s). %s", p.Name, where, what, faultWords(word), word, advice)
		if e.mem.Supply == SupplyIsLow {
			text += " And the board's supply is low: look at its power supply and cable first."
		}
		if l := e.leftAlone(s.probe); l != nil {
			text += " Nothing else watches " + e.placed(l) + ": check it by hand until this reads."
		}
		return text
	case aDisagree:
		return e.apartText(s)
	case aClock:
		return e.clockText()
	case aMains:
		return mainsText
	case aStuck:
		p := &e.mem.Probes[s.probe]
		return fmt.Sprintf("Probe %s at %s has read exactly %s for %s while it should have moved. Check it against a hand thermometer.",
			p.Name, where, e.temp(p.FlatRaw), words(e.mem.Now-p.FlatFrom))
	}
	return "The record cannot be written. The watch goes on; look at the board's card and free space."
}

// alarmLotText is what a lot's alarm says: its verdict's own sentence.
func (e *Engine) alarmLotText(s subjectOf) string {
	l := s.lot
	switch s.index {
	case aAhead:
		return e.aheadText(l)
	case aCold:
		return e.coldText(l)
	case aCooling, aReheat:
		return e.lateText(l, s.index)
	}
	if s.index == aBelow && l.Ruling.Verdict == OK {
		t := ""
		if d, _ := e.deciding(l); d != nil {
			t = " at " + e.temp(*d)
		}
		return e.placed(l) + t + " is under " + e.temp(e.code(l).HotLimit) + "."
	}
	charged, limit := e.spent(l)
	if s.index == aDanger && l.open() && l.Ruling.Verdict != Discard && limit > 0 {
		spent := fmt.Sprintf("has spent %s of %s in the danger zone", words(charged), words(limit))
		return e.lotSentence(l, spent)
	}
	return e.lotText(l)
}

// clearText is what is said when an alarm's condition has ended.
func (e *Engine) clearText(a *alarm, s subjectOf) string {
	where := a.Station
	switch s.index {
	case aBelow:
		if !s.lot.open() {
			return s.lot.Name + " has ended."
		}
		if !s.lot.hot(s.lot.Stage) || s.lot.Time != nil {
			return strings.TrimSpace(s.lot.Name + " is no longer held hot. " + e.action(s.lot))
		}
		return strings.TrimSpace(s.lot.Name + " is back at or above " + e.temp(e.code(s.lot).HotLimit) + ". " + e.action(s.lot))
	case aDanger, aTime:
		if !s.lot.open() {
			return s.lot.Name + " has ended."
		}
		return s.lot.Name + " is no longer running out of time."
	case aCold, aCooling, aReheat:
		return e.runCleared(s.lot, s.index)
	case aAhead:
		switch l := s.lot; {
		case !l.open():
			return l.Name + " has ended."
		case l.AnyValid && l.Low < e.code(l).HotLimit:
			return l.Name + " is under " + e.temp(e.code(l).HotLimit) + " now: what was ahead is here."
		}
		return s.lot.Name + " is no longer falling towards " + e.temp(e.code(s.lot).HotLimit) + "."
	case aComeUp:
		return e.comeUpClear(s.lot)
	case aBand:
		if s.lot != nil {
			return e.dryClearText(s.lot)
		}
		return where + " air is where it should be again."
	case aDoor:
		return e.doorClearText(s.station, where)
	case aFire:
		return where + "'s fire is not falling any more."
	case aDue:
		return e.dueClearText(s.station, where)
	case aCalDue:
		return "Probe " + a.Probe + " needs no calibration now."
	case aFault:
		return "Probe " + a.Probe + " reads again."
	case aStuck:
		return "Probe " + a.Probe + " moves again."
	case aClock:
		return "The board's clock is known to be right, and runs evenly."
	case aMains:
		return mainsClearText
	case aDisagree:
		return "Probe " + a.Probe + " agrees again, or it was put right."
	}
	return "The record is written again."
}

// alsoGrounded names the other probes that touch ground while one does. One grounded tip is a worn probe; two at
// once, on the front ends of one board, join each other through the metal that they touch.
func (e *Engine) alsoGrounded(probe int) string {
	if e.mem.Probes[probe].word() != sensor.ShortGND {
		return ""
	}
	var others []string
	for i := range e.mem.Probes {
		if o := &e.mem.Probes[i]; i != probe && o.Bounce.faults() > 0 && o.word() == sensor.ShortGND {
			others = append(others, o.Name)
		}
	}
	return strings.Join(others, ", ")
}

// faultWords is a fault as a person finds it at the probe.
func faultWords(f sensor.Fault) string {
	switch f {
	case sensor.Open:
		return "its wire is broken, or its plug is out"
	case sensor.ShortGND:
		return "its wire touches something grounded"
	case sensor.ShortVCC:
		return "its wire touches the supply"
	case sensor.OverUnderVoltage:
		return "its wire carries a wrong voltage"
	case sensor.Range:
		return "it reads what it cannot measure"
	case sensor.BusFault:
		return "its board does not answer"
	case sensor.CJImplausible:
		return "its board's own temperature is not believable"
	case sensor.Spike:
		return "it jumps as no food or air does"
	}
	return "nothing new comes from it"
}

func faultAdvice(f sensor.Fault) string {
	switch f {
	case sensor.Open:
		return "Push the plug in; replace the probe if it stays so."
	case sensor.ShortGND, sensor.ShortVCC, sensor.OverUnderVoltage:
		return "Look for a pinched wire or a bare tip that touches metal."
	case sensor.Range:
		return "Look at the wiring, and at the type of the probe."
	case sensor.BusFault, sensor.CJImplausible:
		return "Look at the board's wiring and supply."
	case sensor.Spike:
		return "Push the plug in and look for a worn wire."
	}
	return "See that it is connected and has power."
}
