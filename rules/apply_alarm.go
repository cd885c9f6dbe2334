package rules

import (
	"fmt"
	"strings"
)

// applyAlarms acknowledges or shelves the alarms that a mark names: by alarm, by lot, by station; one
// that names nothing acknowledges all.
func (e *Engine) applyAlarms(m *Mark) (string, bool) {
	var done []string
	e.everyAlarm(func(a *alarm, s subjectOf) {
		if a.Status == "" || m.Alarm != "" && alarmNames[s.index] != m.Alarm ||
			m.Station != "" && a.Station != m.Station && e.stationName(s.station) != m.Station || m.Probe != "" && a.Probe != m.Probe ||
			m.Lot != "" && (s.lot == nil || s.lot.Name != m.Lot) {
			return
		}
		name := string(alarmNames[s.index]) + " at " + a.Station
		if m.Kind == MarkAcknowledge {
			if e.acknowledge(a, s, m.By) {
				done = append(done, name)
			}
			return
		}
		length := m.Until.Sub(m.At.Wall)
		if length <= 0 || length > maxShelf || a.Status == OutOfService {
			return
		}
		a.Status, a.Shelf, a.ShelfAt = Shelved, e.mem.Now+length, e.mem.At.Add(length)
		e.tell(a, s, AlarmShelved)
		done = append(done, name)
	})
	if len(done) > 0 {
		return map[MarkKind]string{MarkAcknowledge: "Acknowledged: ", MarkShelve: "Shelved: "}[m.Kind] + strings.Join(done, ", ") + ".", true
	}
	if m.Kind == MarkShelve {
		return fmt.Sprintf("No such alarm stands, or the end is not within %s from now.", words(maxShelf)), false
	}
	return "No such alarm waits to be acknowledged.", false
}

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
	e.everyAlarm(func(a *alarm, s subjectOf) {
		if s.station != i || a.Status == "" {
			return
		}
		switch {
		case out:
			a.Status = OutOfService
		case a.Active:
			a.Status = Unacknowledged
			e.ringAgain(a, s, AlarmRepeated)
		default:
			*a = alarm{}
		}
	})
	word := " is back in service."
	if out {
		word = " is out of service: its alarms are silent, its clocks run on."
	}
	e.emit(Event{Kind: StationService, Station: m.Station, By: m.By, Text: m.Station + word})
	return m.Station + word, true
}

// handover is what is open, for the next shift.
func (e *Engine) handover() string {
	var open []string
	for _, l := range e.mem.Lots {
		if l.open() {
			open = append(open, e.lotText(l))
		}
	}
	e.everyAlarm(func(a *alarm, s subjectOf) {
		if a.Status == Unacknowledged || a.Status == Shelved || a.Status == OutOfService {
			open = append(open, string(a.Status)+": "+a.Text)
		}
	})
	if len(open) == 0 {
		return "Handed over: nothing is open."
	}
	return "Handed over. " + strings.Join(open, " ")
}
