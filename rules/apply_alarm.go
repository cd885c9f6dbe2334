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
		name := alarmNames[s.index].Words() + " at " + a.Station
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
		what := map[MarkKind]string{MarkAcknowledge: "Acknowledged", MarkShelve: "Shelved"}[m.Kind]
		if m.By == "" {
			what += ", unsigned"
		}
		return what + ": " + strings.Join(done, ", ") + ".", true
	}
	if m.Kind == MarkShelve {
		return fmt.Sprintf("No such alarm stands, or the end is not within %s from now.", words(maxShelf)), false
	}
	return "No such alarm waits to be acknowledged.", false
}
