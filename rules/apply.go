package rules

import (
	"slices"
	"strings"
	"time"

	"holdbell/sensor"
)

// mark applies one mark. Every mark is answered by one event that carries its id: taken, or refused with
// a plain sentence.
func (e *Engine) mark(m *Mark) {
	if m.ID != "" {
		if slices.Contains(e.mem.IDs, m.ID) {
			return
		}
		if len(e.mem.IDs) >= maxIDs {
			e.mem.IDs = slices.Delete(e.mem.IDs, 0, 1)
		}
		e.mem.IDs = append(e.mem.IDs, m.ID)
	}
	at := e.moment(m.At)
	text, ok := e.apply(m, at)
	if ok {
		e.remind(m, at)
		text += e.strayed(m.At)
	}
	kind := MarkTaken
	if !ok {
		kind = MarkRefused
	}
	if ok && m.By == "" && m.WantsBy() {
		text += " It stands unsigned."
	}
	e.emit(Event{Kind: kind, Since: m.At, Station: m.Station, Lot: m.Lot, Probe: m.Probe, Temp: m.Temp,
		Mark: m.ID, By: m.By, Undoable: ok && e.hasFact(m.ID), Text: text})
}

// stray is how far a mark's time may lie outside its step before a person is told: sweeps take a moment.
const stray = time.Minute

// strayed says that a mark carries a time that the watch has passed, or not come to; it counts from the
// nearest moment of this step, so that no clock is turned.
func (e *Engine) strayed(at sensor.Instant) string {
	if d, known := at.Sub(e.mem.At); known && d > stray {
		return " Its time lies " + words(d) + " ahead; it counts from now."
	}
	if d, known := at.Sub(e.was); known && d < -stray && e.mem.Sweeps > 1 {
		return " Its time is past by " + words(-d) + "; what was counted since stays counted."
	}
	return ""
}

// WantsBy reports whether a mark ought to be signed. One that is not stands all the same, and is shown unsigned.
func (m *Mark) WantsBy() bool {
	switch m.Kind {
	case MarkCheck, MarkCorrective, MarkDiscard, MarkUndo, MarkCalibrate:
		return true
	case MarkClose:
		return m.Lot == "" || m.Lot == m.Station
	}
	return false
}

// apply does what a mark says and answers in one sentence.
func (e *Engine) apply(m *Mark, at time.Duration) (string, bool) {
	if err := m.whole(); err != nil {
		return strings.ReplaceAll("Not taken: "+err.Error()+".", "?.", "?"), false
	}
	if m.Probe != "" && e.probeIndex(m.Probe) < 0 {
		return "No probe is called " + m.Probe + ". Probes: " + e.probeNames() + ".", false
	}
	switch m.Kind {
	case MarkLoad:
		return e.applyLoad(m, at)
	case MarkAcknowledge, MarkShelve:
		return e.applyAlarms(m)
	case MarkOutOfService, MarkInService:
		return e.applyService(m)
	case MarkUndo:
		return e.applyUndo(m, at)
	case MarkHandover:
		return e.handover(m), true
	case MarkCalibrate:
		return e.applyCalibrate(m, at)
	case MarkSplit:
		return e.applySplit(m, at)
	case MarkClose:
		if i := e.stationIndex(m.Station); m.Lot == "" && i >= 0 {
			m.Lot = m.Station
		}
		if i := e.stationIndex(m.Lot); i >= 0 && e.lotNamed(m.Lot) == nil {
			if e.hasLots(i) {
				return m.Lot + " still holds " + e.namesIn(i) + ". Close each by its own name.", false
			}
			e.disarm(i, true)
			return m.Lot + " is closed and disarmed.", true
		}
	}
	lots, why := e.lotsOf(m)
	if why != "" {
		return why, false
	}
	facts := e.hear(m, lots, at)
	defer func() { e.heed(facts) }()
	if m.Kind == MarkCheck && m.Probe != "" && e.isAir(e.probeIndex(m.Probe)) {
		// What the air is like says nothing about the food.
		return strings.Join(append([]string{"The air at " + m.Probe + " was checked by hand at " + e.temp(*m.Temp) + "."}, e.compare(m, lots, at)...), " "), true
	}
	var answers []string
	taken := true
	for _, l := range lots {
		if l != nil {
			e.stir(l)
		}
		text, ok := e.applyLot(m, l, at)
		answers = append(answers, text)
		taken = taken && ok
	}
	switch m.Kind {
	case MarkCheck:
		answers = append(answers, e.compare(m, lots, at)...)
	case MarkCorrective:
		answers = append(answers, e.putRight(m)...)
	}
	return strings.Join(answers, " "), taken
}

// lotsOf is which lots a mark is about: the one it names, else all open ones in its station. A remark
// may be about a station without lots, or about nothing in particular.
func (e *Engine) lotsOf(m *Mark) ([]*lot, string) {
	if m.Lot != "" {
		if l := e.lotNamed(m.Lot); l != nil {
			return []*lot{l}, ""
		}
		if e.stationIndex(m.Lot) < 0 {
			return nil, "No open lot is called " + m.Lot + ". Open lots: " + e.openNames() + "."
		}
		m.Station, m.Lot = m.Lot, ""
	}
	i := e.stationIndex(m.Station)
	if i < 0 && m.Station != "" {
		return nil, "No station is called " + m.Station + ". Stations: " + e.stationNames() + "."
	}
	var lots []*lot
	for _, l := range e.mem.Lots {
		if l.open() && l.Station == i && i >= 0 {
			lots = append(lots, l)
		}
	}
	if len(lots) > 0 {
		return lots, ""
	}
	switch m.Kind {
	case MarkNote, MarkCorrective, MarkCheck, MarkRotate:
		return []*lot{nil}, ""
	}
	if i >= 0 {
		return nil, m.Station + " holds no open lot."
	}
	return nil, "Say which lot or station the " + string(m.Kind) + " is about."
}

// applyLot does what a mark says to one lot; l is nil for a remark about no lot.
func (e *Engine) applyLot(m *Mark, l *lot, at time.Duration) (string, bool) {
	if l == nil {
		return noted(m, orHere(m.Station)), true
	}
	switch m.Kind {
	case MarkWrap:
		return l.Name + " was wrapped" + quoted(m) + ".", true
	case MarkRotate:
		return l.Name + " was turned or changed places" + quoted(m) + ".", true
	case MarkMove:
		return e.applyMove(m, l, at)
	case MarkCheck:
		return e.applyCheck(m, l, at), true
	case MarkProbe:
		l.Claim = e.probeIndex(m.Probe)
		e.replaced(l.Claim)
		lost := e.takeProbe(l)
		e.reassign(at)
		return l.Name + " is watched by " + m.Probe + " from now on." + e.without(lost) + e.contradiction(l), true
	case MarkProbeOut, MarkOffWatch:
		return e.applyOut(m, l, at)
	case MarkProbeIn:
		return e.applyIn(m, l, at)
	case MarkTimeControl:
		return e.applyTimeControl(m, l, at)
	case MarkServe:
		return e.applyServe(m, l), true
	case MarkDiscard:
		e.keepFact(m, l, "")
		l.Ruling = ruling{Discard, reasonThrownAway, never, l.Ruling.Basis}
		e.end(l, at)
		e.emit(Event{Kind: LotEnded, Station: e.stationName(l.Station), Lot: l.Name, Verdict: Discard, Text: l.Name + " was discarded."})
		return l.Name + " is discarded." + e.leftHot(l.Station), true
	case MarkClose:
		e.keepFact(m, l, "")
		e.end(l, at)
		l.EndedBy = m.By
		e.emit(Event{Kind: LotEnded, Station: e.stationName(l.Station), Lot: l.Name, Verdict: l.Ruling.Verdict,
			Basis: l.Ruling.Basis.String(), Text: l.Name + " was closed; its last verdict was " + string(l.Ruling.Verdict) + "."})
		if l.Standing && !e.hasLots(l.Station) {
			e.disarm(l.Station, true)
			return l.Name + " is closed and disarmed.", true
		}
		if l.Ruling.Verdict == Discard {
			return l.Name + " is closed, and the record says that it was to be discarded. Mark discard for food that is thrown away." + e.leftHot(l.Station), true
		}
		return l.Name + " is closed." + e.leftHot(l.Station), true
	}
	return noted(m, l.Name), true
}

// applyLoad begins a lot. Into a station with a standing lot it inherits that lot's clocks, unless the
// mark says fresh.
func (e *Engine) applyLoad(m *Mark, at time.Duration) (string, bool) {
	i := e.stationIndex(m.Station)
	if i < 0 {
		return "No station is called " + m.Station + ". Stations: " + e.stationNames() + ".", false
	}
	if m.Lot == "" || e.stationIndex(m.Lot) >= 0 {
		return "Give the lot a name of its own, not a station's.", false
	}
	for _, l := range e.mem.Lots {
		switch {
		case l.Name != m.Lot:
		case l.open():
			return m.Lot + " is already in " + e.stationName(l.Station) + ". Move it, or give this piece another name.", false
		case l.Ruling.Verdict == Discard:
			return m.Lot + " was to be discarded. Give a new piece another name.", false
		}
	}
	var l, replaced *lot
	handed, inherited := false, ""
	// A copy of the list: handing over drops an ended lot of the name from it.
	for _, old := range slices.Clone(e.mem.Lots) {
		if !old.Standing || !old.open() || old.Station != i {
			continue
		}
		if m.Fresh {
			replaced = old
			continue
		}
		l, handed, inherited = old, true, " It takes over the clocks that were running there; load it with fresh if it is another piece."
		e.handOver(l, m.Lot)
		l.Standing = false
	}
	if l == nil {
		l = e.newLot(m.Lot, i, at)
	}
	if replaced != nil {
		e.end(replaced, at)
		e.emit(Event{Kind: LotEnded, Station: m.Station, Lot: replaced.Name, Verdict: replaced.Ruling.Verdict,
			Text: "The standing watch of " + replaced.Name + " ends: " + m.Lot + " was loaded fresh."})
	}
	l.Food, l.Made, l.Claim, l.Grams, l.Target = m.Food, m.Made, e.probeIndex(m.Probe), m.Grams, m.Target // -1 without a probe
	e.replaced(l.Claim)
	watch := watchFact("")
	switch {
	case handed:
		watch = watchHanded
	case replaced != nil:
		watch = watchReplaced
	}
	e.keepFact(m, l, watch)
	lost := e.takeProbe(l)
	e.reassign(at)
	inherited += e.beginAmbient(l) + e.firstHeat(l)
	e.armNow(i, at)
	e.enter(l)
	inherited += e.takeOver(l, at, m.Fresh)
	e.dropEnded(m.Lot) // an ended lot of the name, which may have had something to hand over
	e.emit(Event{Kind: LotBegun, Since: e.instant(at), Station: m.Station, Lot: l.Name, By: m.By,
		Text: l.Name + " was loaded into " + m.Station + "."})
	return l.Name + " is in " + m.Station + ", " + e.watchedBy(l) + "." + inherited + e.without(lost) + e.refuses(i, l) + e.contradiction(l) +
		e.checkedToo(m, l, at), true
}

// handOver goes on with a lot under another name: a station's own lot as a piece, or back. An alarm that
// stands is over under the old name and stands at once, as it was, under the new one.
func (e *Engine) handOver(l *lot, name string) {
	goesOn := "The watch of " + l.Name + " goes on as " + name + "."
	for _, x := range l.alarms() {
		if !x.a.Active {
			continue
		}
		kept := *x.a
		x.a.Active, x.a.Status, x.a.Text = false, Normal, goesOn
		e.tell(x.a, e.lotSubject(l, x.index), AlarmCleared)
		*x.a = kept
	}
	e.emit(Event{Kind: LotEnded, Station: e.stationName(l.Station), Lot: l.Name, Verdict: l.Ruling.Verdict, Text: goesOn})
	e.dropEnded(name)
	for i := range e.mem.Facts {
		if f := &e.mem.Facts[i]; f.Heard != nil && f.Lot == l.Name {
			f.Lot = name
		}
	}
	l.Name = name
	for _, x := range l.alarms() {
		if !x.a.Active {
			*x.a = alarm{Pending: x.a.Pending, PendingAt: x.a.PendingAt}
			continue
		}
		s := e.lotSubject(l, x.index)
		x.a.Text = e.alarmText(x.a, s)
		x.a.Seq = e.tell(x.a, s, AlarmRaised)
	}
}

// dropEnded forgets an ended lot whose name is taken anew.
func (e *Engine) dropEnded(name string) {
	e.mem.Lots = slices.DeleteFunc(e.mem.Lots, func(l *lot) bool { return l.Name == name && !l.open() })
}

func (e *Engine) newLot(name string, station int, at time.Duration) *lot {
	l := &lot{Name: name, Station: station, Stage: e.set.Stations[station].Purpose, Claim: -1, Begun: at,
		BegunAt: e.instant(at), HotSince: never, LastHot: never, LastCold: never, ColdSince: never, WarmPeak: sensor.MinTemp, HoldFrom: never, CheckT: never,
		Ended: never, Ruling: ruling{Verdict: OK, Deadline: never, Basis: e.set.Code.HotBasis}}
	if e.lost && at < e.mem.Now {
		l.LostLength, l.LostAt = true, e.mem.Now
	}
	l.beginStep()
	e.mem.Lots = append(e.mem.Lots, l)
	e.reassign(at)
	e.enterStage(l, at)
	return l
}

// end ends a lot. Its last stretch is counted when its probes next give a valid reading.
func (e *Engine) end(l *lot, at time.Duration) {
	l.Ended, l.EndedAt, l.EndKnown = at, e.instant(at), l.AllValid
	l.Spoke = e.spoke(l)
	for i := range l.Members {
		l.Members[i].Until = min(l.Members[i].Until, at)
	}
	if s := l.speechless(); s != nil {
		s.Until = at
	}
	e.reassign(at)
	e.emptied(l.Station)
}

// emptied disarms a station that its last lot has left. A pit must have been below its band before it
// arms on its own again; a hot cabinet that stays at its limit is watched again after armDelay.
func (e *Engine) emptied(station int) {
	if station >= 0 && e.mem.Stations[station].Armed && !e.hasLots(station) {
		e.disarm(station, e.set.Stations[station].Purpose == Cooking)
	}
}

// leftHot tells whoever took the last piece out of a hot cabinet how to leave it: left as it is, it is
// watched again, and rings once it is switched off.
func (e *Engine) leftHot(station int) string {
	if station < 0 || e.hasLots(station) || e.set.Stations[station].Purpose != HotHolding || e.mem.Stations[station].OutOfService {
		return ""
	}
	if low, ok := e.lowest(e.standingProbes(station)); !ok || low < e.standingCode(station).HotLimit {
		return ""
	}
	name := e.stationName(station)
	return " " + name + " is still hot and is watched again in " + words(armDelay) + ": mark close for " + name + " too before you switch it off."
}

func orHere(s string) string {
	if s == "" {
		return "the record"
	}
	return s
}

func (e *Engine) lotNamed(name string) *lot {
	for _, l := range e.mem.Lots {
		if l.open() && l.Name == name {
			return l
		}
	}
	return nil
}

func (e *Engine) stationIndex(name string) int {
	return slices.IndexFunc(e.set.Stations, func(s StationSetup) bool { return s.Name == name })
}

func (e *Engine) probeIndex(name string) int {
	return slices.IndexFunc(e.set.Probes, func(p ProbeSetup) bool { return p.Name == name })
}
