package rules

import (
	"slices"
	"strings"
	"time"

	"holdbell/sensor"
)

// maxShelf is the longest that an alarm may be shelved (common practice: one shift).
const maxShelf = 12 * time.Hour

// applyMove takes a lot to another station. Its clocks go with it.
func (e *Engine) applyMove(m *Mark, l *lot, at time.Duration) (string, bool) {
	i := e.stationIndex(m.Station)
	switch {
	case i < 0:
		return "No station is called " + m.Station + ". Stations: " + e.stationNames() + ".", false
	case l.Standing:
		return l.Name + " is the station's own watch. Load the piece by its own name first, then move it.", false
	case i == l.Station:
		return l.Name + " is already in " + m.Station + ".", true
	}
	e.keepFact(m, l, "")
	from, more := l.Station, ""
	if x := e.stays(l); x != nil && m.Probe == "" {
		more = " " + e.probeName(l.Claim) + " stays with " + x.Name + "; if it went along, mark probe for " + l.Name + "."
		l.Claim = -1
	} else if m.Probe != "" {
		l.Claim = e.probeIndex(m.Probe)
		e.replaced(l.Claim)
	}
	l.Station = i
	lost := e.takeProbe(l)
	e.takeTo(l, i, at)
	more += e.without(lost) + e.meetWatch(l, at)
	e.emptied(from)
	said := ""
	if m.Made != "" {
		l.Made = m.Made
		said = e.beginAmbient(l) + e.firstHeat(l)
	}
	e.emit(Event{Kind: LotMoved, Since: e.instant(at), Station: m.Station, Lot: l.Name, By: m.By,
		Text: l.Name + " was moved from " + e.stationName(from) + " to " + m.Station + "."})
	return l.Name + " is in " + m.Station + ", " + e.watchedBy(l) + "." + said + more + e.refuses(i, l) + e.contradiction(l), true
}

// meetWatch ends the station's own watch where a piece has come in, if that was in order: it goes on in the
// piece. One that is not stays for somebody to close, and the answer says so.
func (e *Engine) meetWatch(l *lot, at time.Duration) string {
	x := e.lotNamed(e.stationName(l.Station))
	switch {
	case x == nil || !x.Standing:
		return ""
	case x.Ruling.Verdict != OK || x.Exc != nil || x.Time != nil || e.assumed(x) > 0:
		return " The watch that " + x.Name + " kept before is " + string(x.Ruling.Verdict) + " and goes on: mark close for " + x.Name +
			" if nothing else was in it."
	}
	e.end(x, at)
	e.emit(Event{Kind: LotEnded, Station: x.Name, Lot: x.Name, Verdict: x.Ruling.Verdict, Text: "The watch of " + x.Name + " goes on as " + l.Name + "."})
	return " The watch of " + x.Name + " goes on in it."
}

// takeTo puts a lot into a station. A probe that was claimed by name goes along with the food.
func (e *Engine) takeTo(l *lot, station int, at time.Duration) {
	l.Station, l.Stage = station, e.set.Stations[station].Purpose
	e.reassign(at)
	e.enterStage(l, at)
	e.backFromCooling(l, at)
	e.armNow(station, at)
	e.enter(l)
}

// backFromCooling lets food that is put back to be held hot, half cooled, owe its proof: it was below the
// hot limit, whatever it reads now. How cold it was is not kept, so only reheating settles it.
func (e *Engine) backFromCooling(l *lot, at time.Duration) {
	c := l.Cool
	if !l.hot(l.Stage) || l.Exc != nil || c == nil || c.Result != Running || c.Hot {
		return
	}
	l.Excursions++
	l.Exc = &excursion{Since: c.Started, SinceAt: c.StartedAt, Below: at - c.Started, Min: e.code(l).HotLimit, RiseT: at,
		RiseTemp: e.code(l).HotLimit, DangerAtRise: l.Danger.Total, RestFrom: never, Unknown: true, InsideSince: never, Count: 1}
}

// applySplit makes a second lot of one. The clocks are copied: what the whole has been through, each
// part has.
func (e *Engine) applySplit(m *Mark, at time.Duration) (string, bool) {
	parent := e.lotNamed(m.From)
	switch {
	case parent == nil:
		return "No open lot is called " + m.From + ". Open lots: " + e.openNames() + ".", false
	case m.Lot == "" || e.stationIndex(m.Lot) >= 0 || e.lotNamed(m.Lot) != nil:
		return "Give the new part a name that is not in use.", false
	}
	station := parent.Station
	if m.Station != "" {
		if station = e.stationIndex(m.Station); station < 0 {
			return "No station is called " + m.Station + ". Stations: " + e.stationNames() + ".", false
		}
	}
	e.dropEnded(m.Lot)
	part := parent.copyAs(m.Lot)
	part.Cut = true
	part.Claim = e.probeIndex(m.Probe) // -1 without one
	var lost []*lot
	if part.Claim >= 0 && parent.Claim == part.Claim {
		parent.Claim = -1 // it is in the part now
		lost = append(lost, parent)
	}
	e.mem.Lots = append(e.mem.Lots, part)
	part.Station = station
	lost = append(lost, e.takeProbe(part)...)
	if station != parent.Station {
		e.takeTo(part, station, at)
	} else {
		e.reassign(at)
	}
	e.emit(Event{Kind: LotBegun, Since: e.instant(at), Station: e.stationName(station), Lot: part.Name, By: m.By,
		Text: part.Name + " was split from " + parent.Name + " and carries its clocks."})
	return part.Name + " is in " + e.stationName(station) + " with the clocks of " + parent.Name + ", " + e.watchedBy(part) + "." +
		e.without(lost) + e.refuses(station, part) + e.contradiction(part), true
}

// copyAs is a lot with the same past and no alarms of its own yet.
func (l *lot) copyAs(name string) *lot {
	c := *l
	c.Name, c.Standing = name, false
	c.Cook, c.Spoke = clone(l.Cook), nil
	for _, x := range c.alarms() {
		*x.a = alarm{}
	}
	c.Members, c.Stays, c.Silent = slices.Clone(l.Members), slices.Clone(l.Stays), slices.Clone(l.Silent)
	for _, t := range []*tally{&c.Danger, &c.Below, &c.ComeUp, &c.ComeUpDanger, &c.Unknown} {
		t.Cover = slices.Clone(t.Cover)
	}
	c.Exc, c.Cool, c.Heat, c.Latched = clone(l.Exc), clone(l.Cool), clone(l.Heat), clone(l.Latched)
	return &c
}

func clone[T any](p *T) *T {
	if p == nil {
		return nil
	}
	c := *p
	return &c
}

// applyCheck takes a hand thermometer's reading. It proves nothing about reheating; signed, and at or
// above the limit, it ends a short shallow excursion that is over.
func (e *Engine) applyCheck(m *Mark, l *lot, at time.Duration) string {
	if m.Temp == nil {
		return "Noted for " + l.Name + "."
	}
	t, limit := *m.Temp, e.code(l).HotLimit
	l.CheckT, l.CheckAt, l.CheckTemp, l.CheckBy = at, m.At, t, m.By
	said := l.Name + " was checked by hand at " + e.temp(t) + "." + e.checkCook(m, l, at)
	e.vouchLeap(m, l)
	good := t >= limit
	if l.Stage == ColdHolding || l.Stage == Cooling {
		good = t <= e.code(l).ColdLimit
	}
	if m.By != "" || !good {
		l.FoodKnown, l.FoodLow, l.FoodHigh = true, t, t // what earns credit is signed
	}
	e.checkCooling(l, at)
	if !l.hot(l.Stage) {
		return said + e.checkCold(l)
	}
	if t < limit {
		if l.Exc == nil {
			l.Excursions++
			l.Exc = &excursion{Since: at, SinceAt: e.instant(at), Min: t, RiseT: at, RiseTemp: t, DangerAtRise: l.Danger.Total, RestFrom: never,
				InsideSince: never, Count: 1}
		}
		if t < l.Exc.Min {
			l.Exc.Min, l.Exc.RiseT, l.Exc.RiseTemp, l.Exc.DangerAtRise = t, at, t, l.Danger.Total
		}
		return said + " That is under " + e.temp(limit) + ": it counts as fallen below, whatever the probe says."
	}
	switch x := l.Exc; {
	case x == nil:
		return said
	case x.InsideSince == never:
		return said + " The probe still reads under " + e.temp(limit) + ", so the verdict stays."
	case !e.pardonable(l, x):
		return said + " It was below for too long, or too cold, or unwatched: only reheating to " + e.temp(e.code(l).Reheat.Target) + " ends this."
	case m.By == "":
		return said + " Sign the check (by) for it to end the excursion."
	}
	l.Exc = nil
	return said + " The short fall below " + e.temp(limit) + " is closed by it."
}

// checkCold lets a hand check over the cold limit speak for food that is held cold, whatever the probe
// says, until a signed check finds it cold.
func (e *Engine) checkCold(l *lot) string {
	cold := e.code(l).ColdLimit
	held := l.Stage == ColdHolding || l.Stage == Cooling && l.Cool != nil && l.Cool.Result == Pass
	switch {
	case l.CheckTemp <= cold && l.HandWarm && l.CheckBy == "":
		return " Sign the check (by) for it to count as cold again."
	case l.CheckTemp <= cold:
		l.HandWarm = false
		return ""
	case !held:
		return ""
	}
	l.HandWarm = true
	return " That is over " + e.temp(cold) + ": it counts as too warm, whatever the probe says, until a signed check finds it cold."
}

// applyServe takes a serve mark. It ends nothing: what is left is watched until it is closed.
func (e *Engine) applyServe(m *Mark, l *lot) string {
	l.Served = m.At
	left := " What is left of it stays on watch; mark close when it is gone."
	switch r := &l.Ruling; {
	case r.Verdict == Discard:
		return l.Name + " was marked as served, but the rules say discard. " + e.lotText(l)
	case r.Verdict == Act && r.Reason != reasonTimeRuns:
		return l.Name + " was marked as served, but it was not in order. " + e.lotText(l)
	case r.Verdict == Act:
		return l.Name + " is being served" + quoted(m) + "." + left + " " + e.lotText(l)
	}
	return l.Name + " is being served" + quoted(m) + "." + left
}

// applyOut takes a lot's probes off watch: what they read belongs to no lot, and the time is unknown.
func (e *Engine) applyOut(m *Mark, l *lot, at time.Duration) (string, bool) {
	n := 0
	for i := range l.Members {
		x := &l.Members[i]
		if x.Until != forever || x.Suspended || m.Probe != "" && e.probeName(x.Probe) != m.Probe {
			continue
		}
		x.Suspended, x.OffSince = true, at
		n++
	}
	if n == 0 {
		return l.Name + " has no probe on watch that this could take off.", false
	}
	checked := e.checkedToo(m, l, at)
	l.OutCheck = e.vouches(l, at)
	return l.Name + " is off watch. Up to " + words(e.set.GapAllowance) + " is bridged; longer counts as unknown, unless signed hand checks at both ends are at or above " + e.temp(e.code(l).HotLimit) + "." + checked, true
}

// vouches reports whether a signed hand check at or above the hot limit stands close to a moment.
func (e *Engine) vouches(l *lot, at time.Duration) bool {
	return l.CheckT != never && l.CheckBy != "" && l.CheckTemp >= e.code(l).HotLimit && at-l.CheckT <= e.set.GapAllowance
}

// applyIn puts a lot's probes back on watch.
func (e *Engine) applyIn(m *Mark, l *lot, at time.Duration) (string, bool) {
	checked := e.checkedToo(m, l, at)
	n := 0
	for i := range l.Members {
		x := &l.Members[i]
		if x.Until != forever || !x.Suspended || m.Probe != "" && e.probeName(x.Probe) != m.Probe {
			continue
		}
		x.Suspended = false
		l.Leap = leap{} // it was put back in on purpose
		// The check at the far end must be another than the one before the probe came out. It vouches for
		// what lies behind it: from there on it is itself the last reading.
		if l.OutCheck && e.vouches(l, at) && l.CheckT > x.OffSince {
			x.From, x.Has, x.LastT, x.Last = l.CheckT, true, l.CheckT, l.CheckTemp
		}
		n++
	}
	if n == 0 {
		return l.Name + " has no probe off watch.", false
	}
	return l.Name + " is on watch again." + checked, true
}

// applyTimeControl puts a lot under time as a public health control. The clock starts at the last proof
// at its limit at or before the mark, never at its typing, and nothing stops it.
func (e *Engine) applyTimeControl(m *Mark, l *lot, at time.Duration) (string, bool) {
	code := e.code(l)
	if len(code.TimeControl) == 0 {
		return code.Title + " has no rule for time as a control here; ask the health department.", false
	}
	if l.Time != nil {
		return l.Name + " is already under time control; its clock goes on.", true
	}
	if l.Ruling.Verdict == Discard {
		return l.Name + " is to be discarded; time control does not change that.", false
	}
	rule, start := e.timeRule(l, strings.Fields(m.Note))
	if rule != nil && l.LostLength && l.LostAt > start {
		return l.Name + " went through a power cut of unknown length since it was last proven at its limit. Reheat it first, or discard it.", false
	}
	if rule != nil {
		e.keepFact(m, l, "")
		l.Time, l.TimeStart, l.TimeOver = rule, min(start, at), false
		return l.Name + " is under time control of " + rule.Name + ", running since it was last proven at its limit, " +
			words(at-l.TimeStart) + " ago: serve, cook or discard it within " + words(l.TimeStart+rule.Limit-at) + ".", true
	}
	if e.hotExcused(l) || e.coldExcused(l) {
		return l.Name + " has had its one time outside the limits that the law excuses (" + code.DangerBasis.String() + "); keep it at its limit.", false
	}
	return l.Name + " was never proven at a limit from which time control may start (" + e.temp(code.HotLimit) + " or above, " + e.temp(code.ColdLimit) + " or below).", false
}

// timeRule chooses the time control that a lot may be under, by the names in want where there are any,
// and when it starts: at the latest proof that allows one. rule is nil when nothing was ever proven. A rule
// with a limit for the food asks that it was watched, and kept, since that proof.
func (e *Engine) timeRule(l *lot, want []string) (rule *TimeControlRule, latest time.Duration) {
	latest = never
	rules := e.code(l).TimeControl
	named := slices.ContainsFunc(rules, func(t TimeControlRule) bool { return slices.Contains(want, t.Name) })
	for _, t := range rules {
		if (named || t.Asked) && !slices.Contains(want, t.Name) || t.MaxFood != nil && (l.WarmUnknown || l.WarmPeak > *t.MaxFood) {
			continue
		}
		start := never
		if t.Asked && l.LastCold == never && l.LastHot == never && l.WarmPeak > sensor.MinTemp {
			start = l.Begun // cut or opened when it was loaded, and never warmer than MaxFood since
		}
		if t.HotMin != nil && !e.hotExcused(l) {
			start = l.LastHot
			// Food that fell and still owes its proof has had no proof since it fell.
			if l.Exc != nil && e.owesProof(l) {
				start = min(start, l.Exc.Since)
			}
		}
		if t.ColdMax != nil && !t.Asked && !e.coldExcused(l) {
			start = max(start, l.LastCold)
		}
		if start > latest {
			rule, latest = &t, start
		}
	}
	return rule, latest
}

// hotExcused and coldExcused report whether a lot has had the one time outside that limit which its code
// excuses, and is back inside.
func (e *Engine) hotExcused(l *lot) bool {
	return e.code(l).Return == ReturnOnce && (l.Excursions > 1 || l.Excursions == 1 && !e.outside(l))
}

func (e *Engine) coldExcused(l *lot) bool {
	return e.code(l).Return == ReturnOnce && (l.ColdOuts > 1 || l.ColdOuts == 1 && !l.Warm)
}
