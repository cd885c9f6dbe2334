package rules

import (
	"encoding/json"
	"fmt"
	"slices"
	"time"
)

// Restore builds an Engine that goes on from a snapshot. Probes and stations are matched by name, so a
// changed configuration keeps what it still has; a lot in a station that is gone is refused by name.
func Restore(s Setup, snapshot []byte) (*Engine, error) {
	e, err := New(s)
	if err != nil {
		return nil, err
	}
	var m memory
	if err := json.Unmarshal(snapshot, &m); err != nil {
		return nil, fmt.Errorf("rules: the snapshot cannot be read: %w", err)
	}
	probes, stations := m.Probes, m.Stations
	probeAt := func(old int) int {
		if old < 0 || old >= len(probes) {
			return -1
		}
		return slices.IndexFunc(s.Probes, func(p ProbeSetup) bool { return p.Name == probes[old].Name })
	}
	fresh := e.mem
	m.Probes, m.Stations = fresh.Probes, fresh.Stations
	for i := range m.Probes {
		if j := slices.IndexFunc(probes, func(p probe) bool { return p.Name == m.Probes[i].Name }); j >= 0 {
			m.Probes[i] = probes[j]
		}
	}
	stationAt := make([]int, len(stations))
	for j := range stations {
		stationAt[j] = slices.IndexFunc(s.Stations, func(st StationSetup) bool { return st.Name == stations[j].Name })
		if i := stationAt[j]; i >= 0 {
			m.Stations[i] = stations[j]
		}
	}
	for _, l := range m.Lots {
		if l.Station < 0 || l.Station >= len(stations) || stationAt[l.Station] < 0 {
			if l.open() {
				return nil, fmt.Errorf("rules: lot %s is in a station that the configuration no longer has; close or move it first", l.Name)
			}
			l.Station, l.Claim, l.Members, l.Spoke = -1, -1, nil, nil
			continue
		}
		l.Station, l.Claim = stationAt[l.Station], probeAt(l.Claim)
		for i := range l.Members {
			l.Members[i].Probe = probeAt(l.Members[i].Probe)
		}
		m.dropMembers(l, s.GapAllowance)
		for i := range l.Spoke {
			l.Spoke[i] = probeAt(l.Spoke[i])
		}
	}
	for i := range m.Facts {
		f := &m.Facts[i]
		if f.Station < 0 || f.Station >= len(stations) {
			f.Station = -1
			continue
		}
		f.Station = stationAt[f.Station]
	}
	e.mem = m
	for _, l := range m.Lots {
		e.suit(l)
	}
	e.modelled()
	e.heatModels()
	e.setReminders()
	e.recross()
	e.reassign(e.mem.Now)
	return e, nil
}

// suit fits a restored lot to a configuration that may have changed: its station's purpose, and a code
// with fewer legs of cooling.
func (e *Engine) suit(l *lot) {
	if c := l.Cool; c != nil && c.Result == Running && c.Leg >= len(e.legs(c)) {
		c.Leg = 0
		if len(e.legs(c)) == 0 {
			l.Cool = nil
		}
	}
	if !l.open() || l.Stage == e.set.Stations[l.Station].Purpose {
		return
	}
	l.Stage = e.set.Stations[l.Station].Purpose
	e.enterStage(l, e.mem.Now)
}

// dropMembers ends what tied a lot to probes that are gone. A gap that no reading of theirs can bridge any
// more stays with the lot as a stretch without a probe.
func (m *memory) dropMembers(l *lot, allowance time.Duration) {
	l.Members = slices.DeleteFunc(l.Members, func(x member) bool {
		if x.Probe >= 0 {
			return false
		}
		if end := min(x.Until, m.Now); end > x.left() && m.Now-x.anchor() > allowance {
			l.Silent = slices.Insert(l.Silent, 0, silence{x.Stage, x.left(), end})
		}
		return true
	})
}

// Snapshot gives everything that the Engine remembers, for Restore.
func (e *Engine) Snapshot() ([]byte, error) { return json.Marshal(&e.mem) }
