package rules

import (
	"slices"
)

// applyService takes a station out of service or puts it back. Its clocks run on; only its alarms are
// silent.
func (e *Engine) applyService(m *Mark) (string, bool) {
	i := e.stationIndex(m.Station)
	if i < 0 {
		return "No station is called " + m.Station + ". Stations: " + e.stationNames() + ".", false
	}
	st := &e.mem.Stations[i]
	out := m.Kind == MarkOutOfService
	if st.OutOfService == out {
		return m.Station + " is so already.", true
	}
	st.OutOfService = out
	said := m.Station + " is back in service."
	if out {
		st.OutFor, st.OutAt, st.Unproven = m.FreeText(), m.At, false
		said = m.Station + " is out of service" + quoted(m) + ". Its alarms are silent, its clocks run on, and food does not belong in it."
	} else {
		// What a cabinet was used for meanwhile, nobody knows: it has to show that it is hot.
		st.Unproven, st.ProvingFrom = e.set.Stations[i].Purpose == HotHolding && len(e.standingProbes(i)) > 0, never
		if st.Unproven {
			said += " Put food in once it has been at " + e.temp(e.standingCode(i).HotLimit) + " for " + words(armDelay) + "."
		}
		// Whoever puts it back wants it watched, though it was closed while it was hot.
		st.OutFor, st.MustDrop = "", false
	}
	for _, l := range e.mem.Lots {
		l.Against = l.Against && !(l.Station == i && !out)
	}
	e.everyAlarm(func(a *alarm, s subjectOf) {
		if s.station != i || a.Status == "" {
			return
		}
		switch {
		case out:
			a.Status = OutOfService
		case a.Status == OutOfService:
			e.backInService(a, s)
		}
	})
	if out {
		said += e.stillIn(i)
	}
	e.emit(Event{Kind: StationService, Station: m.Station, By: m.By, Text: said})
	return said, true
}

// backInService gives an alarm its voice back.
func (e *Engine) backInService(a *alarm, s subjectOf) {
	if !a.Active {
		*a = alarm{}
		return
	}
	a.Status = Unacknowledged
	e.ringAgain(a, s, AlarmRepeated)
}

// stillIn says what is in a station that was taken out of service.
func (e *Engine) stillIn(i int) string {
	watch, pieces := false, []string(nil)
	for _, l := range e.mem.Lots {
		switch {
		case !l.open() || l.Station != i:
		case l.Standing:
			watch = true
		default:
			pieces = append(pieces, l.Name)
		}
	}
	name := e.stationName(i)
	switch {
	case len(pieces) > 0:
		return " It still holds " + orNone(pieces) + ": move what is in it now."
	case watch:
		return " The watch of " + name + " goes on: mark close for " + name + " once it is empty."
	}
	return ""
}

// enter follows a lot into the station it was put into. An alarm that was silenced with another station
// has its voice again.
func (e *Engine) enter(l *lot) {
	st := &e.mem.Stations[l.Station]
	l.Against = st.OutOfService
	for _, x := range l.alarms() {
		if x.a.Status == OutOfService {
			e.backInService(x.a, e.lotSubject(l, x.index))
		}
	}
}

// prove ends a station's doubt once it has been at its limit for armDelay. Its air says so where there is
// any: a hot piece in a cold cabinet proves nothing about the cabinet.
func (e *Engine) prove(i int) {
	st, s := &e.mem.Stations[i], &e.set.Stations[i]
	if !st.Unproven || s.Purpose != HotHolding {
		st.Unproven = false
		return
	}
	probes := e.airOf(i)
	if s.Air < 0 {
		probes = s.Food
	}
	low, ok := e.lowest(probes)
	switch {
	case !ok || low < e.standingCode(i).HotLimit || e.gap:
		st.ProvingFrom = never
	case st.ProvingFrom == never:
		st.ProvingFrom = e.mem.Now
	case e.mem.Now-st.ProvingFrom >= armDelay:
		st.Unproven = false
	}
}

// ruleService tells food that is well and lies where it does not belong: it is never watched as fine.
func (e *Engine) ruleService(l *lot, r ruling) ruling {
	if l.Station < 0 || l.Standing {
		return r
	}
	switch st := &e.mem.Stations[l.Station]; {
	case st.OutOfService:
		return ruling{Act, reasonOutOfService, never, e.set.Code.HotBasis}
	case st.Unproven:
		return ruling{Act, reasonUnproven, never, e.set.Code.HotBasis}
	}
	return r
}

// refuses says that a station is not for food now; the food is in it all the same, and watched.
func (e *Engine) refuses(i int, l *lot) string {
	switch st := &e.mem.Stations[i]; {
	case st.OutOfService:
		return " But " + st.Name + " is out of service" + because(st.OutFor) + " and food does not belong in it: move " + l.Name + " now."
	case st.Unproven:
		return " But " + st.Name + " has not been at " + e.temp(e.standingCode(i).HotLimit) + " for " + words(armDelay) +
			" since it came back into service: keep " + l.Name + " hot elsewhere until it has."
	}
	return ""
}

func because(why string) string {
	if why == "" {
		return ""
	}
	return " (" + why + ")"
}

// serviceWhy is the finding behind a verdict that the station gave.
func (e *Engine) serviceWhy(l *lot) string {
	st := &e.mem.Stations[l.Station]
	if l.Ruling.Reason == reasonOutOfService {
		return "lies where no food belongs: " + st.Name + " is out of service" + because(st.OutFor)
	}
	return "lies in a cabinet that is not proven hot since it came back into service: it has to be at " + e.temp(e.standingCode(l.Station).HotLimit) + " for " + words(armDelay)
}

// moveTo names where food of a purpose belongs: the first other station in service for it.
func (e *Engine) moveTo(not int, purposes ...Purpose) string {
	for _, want := range purposes {
		i := slices.IndexFunc(e.set.Stations, func(s StationSetup) bool { return s.Purpose == want })
		for ; i >= 0 && i < len(e.set.Stations); i++ {
			if i != not && e.set.Stations[i].Purpose == want && !e.mem.Stations[i].OutOfService {
				return e.set.Stations[i].Name
			}
		}
	}
	return ""
}
