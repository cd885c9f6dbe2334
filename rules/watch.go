package rules

import (
	"slices"
	"time"
)

// eachAlarm visits every alarm that there is, normal ones too.
func (e *Engine) eachAlarm(visit func(*alarm)) {
	e.everyAlarm(func(a *alarm, _ subjectOf) { visit(a) })
}

// everyAlarm visits every alarm with its subject, in a fixed order.
func (e *Engine) everyAlarm(visit func(*alarm, subjectOf)) {
	m := &e.mem
	for _, l := range m.Lots {
		for _, x := range l.alarms() {
			visit(x.a, e.lotSubject(l, x.index))
		}
	}
	for i := range m.Stations {
		air := e.set.Stations[i].Air
		visit(&m.Stations[i].AlarmBand, subjectOf{aBand, i, nil, air})
		visit(&m.Stations[i].AlarmDoor, subjectOf{aDoor, i, nil, air})
		visit(&m.Stations[i].AlarmFire, subjectOf{aFire, i, nil, air})
		visit(&m.Stations[i].AlarmDue, subjectOf{aDue, i, nil, -1})
	}
	for i := range m.Probes {
		st := e.stationOf(i)
		visit(&m.Probes[i].AlarmFault, subjectOf{aFault, st, nil, i})
		visit(&m.Probes[i].AlarmStuck, subjectOf{aStuck, st, nil, i})
		visit(&m.Probes[i].AlarmApart, subjectOf{aDisagree, st, nil, i})
		visit(&m.Probes[i].AlarmCal, subjectOf{aCalDue, st, nil, i})
	}
	visit(&m.Record, subjectOf{aRecord, -1, nil, -1})
	visit(&m.Clock.Alarm, subjectOf{aClock, -1, nil, -1})
	visit(&m.Mains.Alarm, subjectOf{aMains, -1, nil, -1})
}

// lotAlarm is one of a lot's own alarms with its index in the specs.
type lotAlarm struct {
	a     *alarm
	index int
}

func (l *lot) alarms() [9]lotAlarm {
	return [...]lotAlarm{{&l.AlarmBelow, aBelow}, {&l.AlarmDanger, aDanger}, {&l.AlarmTime, aTime}, {&l.AlarmAhead, aAhead},
		{&l.AlarmComeUp, aComeUp}, {&l.AlarmDry, aBand}, {&l.AlarmCold, aCold}, {&l.AlarmCooling, aCooling}, {&l.AlarmReheat, aReheat}}
}

// quiet reports whether none of the lot's alarms is anything but normal.
func (l *lot) quiet() bool {
	for _, x := range l.alarms() {
		if !x.a.normal() {
			return false
		}
	}
	return true
}

func (e *Engine) lotSubject(l *lot, index int) subjectOf {
	p := -1
	switch index {
	case aBelow, aAhead, aCold, aCooling, aReheat:
		p = l.speaker()
	}
	return subjectOf{index, l.Station, l, p}
}

// speaker is the probe that an alarm of the lot names: its first present one. An alarm's identity holds
// it, so it must not wander between two probes of one lot with the readings.
func (l *lot) speaker() int {
	for i := range l.Members {
		if l.Members[i].Until == forever {
			return l.Members[i].Probe
		}
	}
	return -1
}

// stationOf is the first station in service that uses a probe, else the first that does; -1 when none does.
func (e *Engine) stationOf(p int) int {
	found := -1
	for i := range e.set.Stations {
		st := &e.set.Stations[i]
		if st.Air != p && !slices.Contains(st.Food, p) {
			continue
		}
		if !e.mem.Stations[i].OutOfService {
			return i
		}
		if found < 0 {
			found = i
		}
	}
	// A probe lent to a lot elsewhere speaks for that lot, though its own station is out of service.
	for _, l := range e.mem.Lots {
		if found >= 0 && l.open() && l.Claim == p && !e.mem.Stations[l.Station].OutOfService {
			return l.Station
		}
	}
	return found
}

// watchLot judges a lot's own alarms.
func (e *Engine) watchLot(l *lot) {
	code := e.code(l)
	below := finding{since: never, left: e.timeLeft(l), delay: never, worse: lower, rank: rank(l.Ruling.Verdict)}
	below.mute = l.Ruling.Verdict == Discard && l.AlarmDanger.Active
	sp := &e.specs[e.specIndex(l.Station)][aBelow]
	switch {
	case !l.hot(l.Stage) || l.Time != nil:
		below.level = fine
	case !l.AnyValid:
		below.level = unknown
	default:
		below.temp, below.hasTemp = l.Low, true
		switch {
		case l.Low < code.HotLimit:
			below.level = bad
			below.since = l.firstBelow
		case l.Low < code.HotLimit+sp.hysteresis, !l.AllValid && l.AlarmBelow.Active:
			below.level = near
		default:
			below.since = e.crossing(l.LowProbe, code.HotLimit+sp.hysteresis)
		}
		if l.onAirOnly(e) {
			below.delay = airDelay
		}
	}
	e.judge(&l.AlarmBelow, e.lotSubject(l, aBelow), below)

	danger := finding{since: never, left: e.timeLeft(l), delay: never, rank: rank(l.Ruling.Verdict)}
	charged, limit := e.spent(l)
	discarded := l.Ruling.Verdict == Discard && l.Ruling.Reason != reasonTimeEnded
	if discarded || limit > 0 && l.Time == nil && !l.running() && charged >= limit/2 {
		danger.level = bad
		if discarded {
			danger.priority = Critical
		}
	}
	e.judge(&l.AlarmDanger, e.lotSubject(l, aDanger), danger)

	ended := finding{since: never, left: never, delay: never}
	if l.Ruling.Reason == reasonTimeEnded || l.Ruling.Reason == reasonTimeTooWarm {
		ended.level = bad
	}
	e.judge(&l.AlarmTime, e.lotSubject(l, aTime), ended)
	e.watchAhead(l)
	e.watchDry(l)
	e.watchComeUp(l)
	e.watchCold(l)
	e.watchRuns(l)
}

// running reports whether the lot is within a cooling or reheating run, which has clocks of its own.
func (l *lot) running() bool {
	return (l.Stage == Cooling || l.Stage == ColdHolding) && l.Cool != nil && l.Cool.Result == Running ||
		l.Stage == Reheating && l.Heat != nil && l.Heat.Result == Running
}

// onAirOnly reports whether only the air of a station speaks for the lot.
func (l *lot) onAirOnly(e *Engine) bool {
	for i := range l.Members {
		m := &l.Members[i]
		if m.Until != forever {
			continue
		}
		if l.Station < 0 || e.set.Stations[l.Station].Air != m.Probe {
			return false
		}
	}
	return true
}

func (e *Engine) timeLeft(l *lot) time.Duration {
	if l.Ruling.Deadline == never {
		return never
	}
	return max(0, l.Ruling.Deadline-e.mem.Now)
}

func rank(v Verdict) int {
	switch v {
	case Act:
		return 1
	case Discard:
		return 2
	}
	return 0
}

// restLot lets an ended lot's alarms come to rest: what is over needs no action any more. A lot that a
// power-off ended is not over for the person who has to look at it: what stood goes on ringing, or
// danger-time does, until somebody acknowledges.
func (e *Engine) restLot(l *lot) {
	stands := false
	for _, x := range l.alarms() {
		l.Unheard = l.Unheard && x.a.Status != Acknowledged
		stands = stands || x.a.Active
	}
	for _, x := range l.alarms() {
		s := e.lotSubject(l, x.index)
		f := finding{since: never, left: never, delay: never}
		switch {
		case l.Unheard && x.a.Active && x.index != aDanger:
			f.level = unknown
		case l.Unheard && x.index == aDanger && (x.a.Active || !stands):
			f.level, f.priority, f.since = bad, Critical, l.Ended
		case x.a.Active:
			e.clear(x.a, s)
			continue
		}
		e.judge(x.a, s, f)
	}
}

// watchProbes judges every probe's own alarms.
func (e *Engine) watchProbes() {
	for i := range e.mem.Probes {
		p := &e.mem.Probes[i]
		st := e.stationOf(i)
		e.sits(i, p)
		f := e.faultFinding(i, p)
		if e.read[i].Valid() && f.level != bad && p.Fit.doubt() != reads {
			f = finding{level: bad, since: p.Fit.Since, left: never, delay: never}
			if p.Fit.doubt() == out {
				f.delay = jumpDelay
			}
		}
		e.judge(&p.AlarmFault, subjectOf{aFault, st, nil, i}, f)
		e.watchFlat(i, p, st)
		e.watchApart(i, p, st)
		e.watchCalibration(i, p, st)
	}
}

// soleSpeaker reports whether an open lot has no valid reading but this probe's.
func (e *Engine) soleSpeaker(p int) bool { return e.leftAlone(p) != nil }

// leftAlone is the first such lot; nil when there is none.
func (e *Engine) leftAlone(p int) *lot {
	for _, l := range e.mem.Lots {
		if !l.open() || l.AnyValid {
			continue
		}
		for i := range l.Members {
			if l.Members[i].Probe == p && l.Members[i].Until == forever && !l.Members[i].Suspended {
				return l
			}
		}
	}
	return nil
}

// watchRecord judges record-trouble by what the daemon last said.
func (e *Engine) watchRecord() {
	f := finding{since: never, left: never, delay: never}
	if e.mem.Trouble {
		f.level = bad
	}
	e.judge(&e.mem.Record, subjectOf{aRecord, -1, nil, -1}, f)
}
