package rules

import (
	"fmt"
	"strings"
)

// handover is what is open for the next shift, a line each: what somebody has to act on, what is silent
// and until when, and what nobody has signed or marked.
func (e *Engine) handover(m *Mark) string {
	var lines []string
	lots, alarms := 0, 0
	for _, l := range e.mem.Lots {
		if l.open() {
			lots++
			lines = append(lines, e.lotText(l))
		} else if l.Unheard || l.Ruling.Verdict == Discard && l.Ruling.Reason != reasonThrownAway {
			lines = append(lines, "Ended, and not thrown away by any mark: "+e.lotText(l))
		}
	}
	e.everyAlarm(func(a *alarm, s subjectOf) {
		line := e.standingText(a, s)
		if line == "" {
			return
		}
		alarms++
		lines = append(lines, line)
	})
	for i := range e.mem.Stations {
		if st := &e.mem.Stations[i]; st.OutOfService {
			lines = append(lines, st.Name+" is out of service"+because(st.OutFor)+".")
		} else if st.Unproven {
			lines = append(lines, st.Name+" is back in service and not yet proven hot.")
		}
	}
	for _, l := range e.mem.Lots {
		if l.open() {
			lines = append(lines, e.looseEnds(l)...)
		}
	}
	head := "Handed over" + quoted(m) + "."
	if len(lines) == 0 {
		return head + " Nothing is open."
	}
	head += fmt.Sprintf(" Open: %s, %s.", count(lots, "lot"), count(alarms, "alarm"))
	return head + "\n" + strings.Join(lines, "\n")
}

// standingText is one alarm for the next shift; empty when it is over and answered.
func (e *Engine) standingText(a *alarm, s subjectOf) string {
	since := ""
	if d, known := e.mem.At.Sub(a.Since); known && !a.Since.IsZero() {
		since = ", for " + words(d)
	}
	how := ""
	switch a.Status {
	case Unacknowledged:
		how = "nobody has answered" + since
	case Acknowledged:
		how = "answered"
		if a.AckBy != "" {
			how += " by " + a.AckBy
		}
		how += ", and still so" + since
	case Returned:
		if a.Priority == Advice {
			return "" // nobody has to answer advice that is over
		}
		how = "over, and nobody has answered"
	case Shelved:
		how = "silent for another " + words(max(0, a.Shelf-e.mem.Now))
	case OutOfService:
		how = "silent with its station"
	default:
		return ""
	}
	line := "Alarm " + string(alarmNames[s.index]) + " at " + a.Station
	if s.lot != nil {
		return line + " for " + s.lot.Name + ": " + how + "." // the lot's own line says the rest
	}
	return line + ": " + how + ". " + a.Text
}

// looseEnds is what a lot still wants from a person beside its verdict.
func (e *Engine) looseEnds(l *lot) []string {
	var ends []string
	for i := range l.Members {
		if x := &l.Members[i]; x.Until == forever && x.Suspended {
			ends = append(ends, "Probe "+e.probeName(x.Probe)+" of "+l.Name+" has been off watch for "+words(e.mem.Now-x.OffSince)+": mark probe-in once it is back.")
		}
	}
	if s := l.speechless(); s != nil {
		ends = append(ends, l.Name+" has had no probe for "+words(e.mem.Now-s.From)+".")
	}
	if l.CheckT != never && l.CheckBy == "" {
		ends = append(ends, "The hand check of "+l.Name+" at "+e.temp(l.CheckTemp)+", "+words(e.mem.Now-l.CheckT)+" ago, is unsigned.")
	}
	if p := e.proposalText(l); p != "" {
		ends = append(ends, p)
	}
	return ends
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
