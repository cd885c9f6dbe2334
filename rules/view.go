package rules

import (
	"slices"
	"time"

	"holdbell/sensor"
)

// State gives a copy of everything that the Engine knows.
func (e *Engine) State() *State {
	m := &e.mem
	st := &State{Site: e.set.Site, Units: e.set.Units, At: m.At, Seq: m.Seq, Sweeps: m.Sweeps, Supply: m.Supply,
		Probes: make([]ProbeState, len(m.Probes)), Stations: make([]StationState, len(m.Stations))}
	for i := range m.Probes {
		st.Probes[i] = e.probeState(i)
	}
	for i := range m.Stations {
		st.Stations[i] = e.stationState(i)
	}
	for _, ended := range [...]bool{false, true} {
		for _, l := range m.Lots {
			if l.open() != ended {
				st.Lots = append(st.Lots, e.lotState(l))
			}
		}
	}
	e.everyAlarm(func(a *alarm, s subjectOf) {
		if a.Status != "" {
			st.Alarms = append(st.Alarms, e.alarmState(a, s))
		}
	})
	slices.SortStableFunc(st.Alarms, func(a, b AlarmState) int { return int(int64(a.Seq) - int64(b.Seq)) })
	return st
}

func (e *Engine) probeState(i int) ProbeState {
	p := &e.mem.Probes[i]
	ps := ProbeState{Name: p.Name, Raw: p.Raw, Reading: p.Cur, LastValid: p.LastAt, Faults: p.Faults,
		Valid: p.Valid, Min: p.Min, Max: p.Max, Sum: p.Sum}
	ps.Corrected = sensor.Bad(sensor.Stale)
	if e.mem.Started {
		ps.Corrected, ps.Rejected = e.set.Probes[i].Condition.Corrected(p.Raw), e.rejectedText(i)
	}
	if s := e.stationOf(i); s >= 0 {
		ps.Station, ps.Role = e.set.Stations[s].Name, "food"
		if e.set.Stations[s].Air == i {
			ps.Role = "air"
		}
	}
	ps.Calibration, ps.Second = e.checkedStates(i)
	return ps
}

func (e *Engine) stationState(i int) StationState {
	s, m := &e.set.Stations[i], &e.mem.Stations[i]
	v := StationState{Name: s.Name, Purpose: s.Purpose, Armed: m.Armed, OutOfService: m.OutOfService,
		Air: e.probeName(s.Air), Setpoint: s.Setpoint, Band: s.Band}
	v.LimitAhead = e.stationAhead(i)
	v.Reminders = e.reminderStates(i)
	if d := &m.Door; d.Is == doorIsOpen {
		v.DoorOpen = e.instant(d.Since)
	}
	if back := m.Door.Back; back > 0 {
		v.Recovery = &back
	}
	if m.Armed && s.Air >= 0 {
		kept := e.sumOf(i).since(m.Air.Armed).figures()
		v.Kept = &kept
	}
	for _, p := range s.Food {
		v.Food = append(v.Food, e.probeName(p))
	}
	if s.Air >= 0 && e.mem.Probes[s.Air].Cur.Valid() && e.mem.Started {
		t := e.mem.Probes[s.Air].Cur.Temp
		v.AirTemp = &t
	}
	return v
}

func (e *Engine) lotState(l *lot) LotState {
	v := LotState{Lot: l.Name, Food: l.Food, Station: e.stationName(l.Station), Stage: l.Stage, Standing: l.Standing,
		Ended: !l.open(), Begun: l.BegunAt, EndedAt: l.EndedAt, Verdict: l.Ruling.Verdict, Action: e.action(l),
		Basis: l.Ruling.Basis.String(), Text: e.lotText(l),
		DangerZone: l.Danger.Total, Guard: l.Guard, Made: l.Made,
		BelowHotLimit: l.Below.Total, ComeUp: l.ComeUp.Total, ComeUpDanger: l.ComeUpDanger.Total,
		Unknown: l.Unknown.Total, UnknownLength: l.LostLength, LastCheck: l.CheckAt, CookSeen: l.CookSeen,
		Served: l.Served}
	v.Lethality, v.Growth, v.Cook = e.lethality(l), e.growth(l), e.cookState(l)
	v.CookValue = l.Advice.Value.Minutes()
	v.Stays = e.stayStates(l)
	v.Charged, v.DangerLimit = e.spent(l)
	for i := range l.Members {
		if l.Members[i].Until == forever {
			v.Probes = append(v.Probes, e.probeName(l.Members[i].Probe))
		}
	}
	if !l.open() {
		v.Charged = l.charged()
		return e.withRuns(l, v)
	}
	v.Proposal = e.proposalText(l)
	if t, p := e.deciding(l); t != nil {
		v.Temp, v.Probe = t, e.probeName(p)
	}
	if l.Ruling.Deadline != never {
		v.Deadline = e.instant(l.Ruling.Deadline)
	}
	if l.OpenSince != never {
		v.UnknownSince = e.instant(l.OpenSince)
	}
	if l.Time != nil {
		v.TimeControlEnds = e.instant(l.TimeStart + l.Time.Limit)
	}
	return e.withRuns(l, v)
}

// withRuns adds a lot's latest cooling and reheating.
func (e *Engine) withRuns(l *lot, v LotState) LotState {
	if c := l.Cool; c != nil {
		v.Cooling = e.coolingState(l)
	}
	if h := l.Heat; h != nil {
		v.Reheating = e.reheatingState(l)
	}
	return v
}

// since is how long after its start a run's leg was done; negative when it was not.
func since(r *run, leg int) time.Duration {
	if leg < 0 || leg >= maxLegs || r.LegDone[leg] == never {
		return never
	}
	return r.LegDone[leg] - r.Started
}

func (e *Engine) alarmState(a *alarm, s subjectOf) AlarmState {
	v := AlarmState{Seq: a.Seq, Alarm: alarmNames[s.index], Station: a.Station, Probe: a.Probe, Priority: a.Priority,
		Status: a.Status, Active: a.Active, ValueUnknown: a.Unknown, Since: a.Since, Raised: a.Raised,
		Acknowledged: a.Acked, AckBy: a.AckBy, Cleared: a.Cleared, Until: a.ShelfAt, Text: a.Text}
	if s.lot != nil {
		v.Lot = s.lot.Name
	}
	if a.HasTemp {
		t := sensor.Temp(a.Worst)
		v.Worst = &t
	}
	return v
}
