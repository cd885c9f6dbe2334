package rules

import (
	"time"

	"holdbell/sensor"
)

// What is taken when the setup names no accuracy.
const (
	handAccuracy  = sensor.Temp(1000) // FDA Food Code 2022 4-203.11(A): food thermometers, ±1 °C
	probeAccuracy = sensor.Temp(2200) // ASTM E230, type K, standard tolerance from 0 to 293 °C
)

// apart is a hand check that a probe contradicted by more than both can err. It invalidates nothing: which
// of the two is wrong, nobody knows yet.
type apart struct {
	At          time.Duration
	Hand, Probe sensor.Temp
	Raw         sensor.Temp `json:",omitempty"` // what the probe gave about then, 0 when it gave nothing
	Offset      sensor.Temp // what calibration added to that
	In          string      `json:",omitempty"` // the lot that was checked
	Cold        bool        `json:",omitempty"` // which was to be cold
}

// correction is what a probe's calibration adds to a raw reading.
func (e *Engine) correction(p int, raw sensor.Temp) sensor.Temp {
	t, ok := e.set.Probes[p].Condition.Calibration.Correct(raw)
	if !ok {
		return 0
	}
	return t - raw
}

// compare holds a hand check against the probes of the lot it was made of, as they read at that moment. A
// check of a station with several lots names no piece, and is compared with nothing unless it names a probe.
func (e *Engine) compare(m *Mark, lots []*lot, at time.Duration) []string {
	p, read := e.beside(m, lots, at)
	if p < 0 {
		return nil
	}
	q, name := &e.mem.Probes[p], e.probeName(p)
	gap := max(*m.Temp-read, read-*m.Temp)
	if gap <= e.mayErr(p) {
		if doubted := e.vouch(p); q.Apart == nil && !doubted {
			return nil
		}
		q.Apart = nil
		return []string{"Probe " + name + " reads " + e.temp(read) + " and agrees again."}
	}
	q.Apart = &apart{At: at, Hand: *m.Temp, Probe: read, Raw: q.Raw.Temp, Offset: e.correction(p, q.Raw.Temp)}
	if len(lots) == 1 && lots[0] != nil && !e.isAir(p) {
		q.Apart.In = e.placed(lots[0])
		q.Apart.Cold = lots[0].Stage == ColdHolding || lots[0].Stage == Cooling
	} else if st := e.stationOf(p); st >= 0 {
		purpose := e.set.Stations[st].Purpose
		q.Apart.Cold = purpose == ColdHolding || purpose == Cooling
	}
	return []string{"Probe " + name + " reads " + e.temp(read) + ", " + e.set.Units.Difference(gap) +
		" away: more than both can err. Check both in ice water."}
}

// mayErr is how far a hand thermometer and a probe may lie apart with both in order.
func (e *Engine) mayErr(p int) sensor.Temp {
	hand := e.set.HandAccuracy
	if hand <= 0 {
		hand = handAccuracy
	}
	return hand + e.accuracy(p)
}

// accuracy is the half-width that a probe can claim.
func (e *Engine) accuracy(p int) sensor.Temp {
	if a := e.set.Probes[p].Accuracy; a > 0 {
		return a
	}
	return probeAccuracy
}

// beside is the probe that a hand check is compared with, and what it read then; -1 when none can be. Of
// several it is the nearest: a check between the coldest and the warmest contradicts neither. Air says
// nothing about food, so it is compared only when the mark names it.
func (e *Engine) beside(m *Mark, lots []*lot, at time.Duration) (int, sensor.Temp) {
	if m.Temp == nil {
		return -1, 0
	}
	if m.Probe != "" {
		p := e.probeIndex(m.Probe)
		if p < 0 || e.offWatch(p) {
			return -1, 0
		}
		if t, ok := e.readAt(p, at); ok {
			return p, t
		}
		return -1, 0
	}
	if len(lots) != 1 || lots[0] == nil || lots[0].onAirOnly(e) {
		return -1, 0
	}
	nearest, read := -1, sensor.Temp(0)
	under, over := false, false
	for i := range lots[0].Members {
		x := &lots[0].Members[i]
		if x.Until != forever || x.Suspended {
			continue
		}
		t, ok := e.readAt(x.Probe, at)
		under, over = under || ok && t < *m.Temp, over || ok && t > *m.Temp
		if ok && (nearest < 0 || max(*m.Temp-t, t-*m.Temp) < max(*m.Temp-read, read-*m.Temp)) {
			nearest, read = x.Probe, t
		}
	}
	if under && over {
		return -1, 0
	}
	return nearest, read
}

// readAt is what a probe read at a moment of this step, on the straight line from the sweep before; ok is
// false when this sweep has no valid reading of it.
func (e *Engine) readAt(p int, at time.Duration) (t sensor.Temp, ok bool) {
	q := &e.mem.Probes[p]
	if !e.read[p].Valid() {
		return 0, false
	}
	t = e.read[p].Temp
	if dt := e.mem.Now - e.mem.Prev; q.before.Valid() && !e.gap && dt > 0 {
		t -= sensor.Temp(int64(t-q.before.Temp) * int64(e.mem.Now-at) / int64(dt))
	}
	return t, true
}

// offWatch reports whether a probe was taken out of some piece.
func (e *Engine) offWatch(p int) bool {
	for _, l := range e.mem.Lots {
		for i := range l.Members {
			if x := &l.Members[i]; l.open() && x.Probe == p && x.Until == forever && x.Suspended {
				return true
			}
		}
	}
	return false
}

// putRight takes a corrective mark that names a probe: it was mended, moved or calibrated.
func (e *Engine) putRight(m *Mark) []string {
	p := e.probeIndex(m.Probe)
	if p < 0 || !e.mem.Probes[p].stands() {
		return nil
	}
	e.mem.Probes[p].Apart = nil
	e.vouch(p)
	return []string{"Probe " + m.Probe + " counts as put right; check it by hand once more."}
}

// watchApart judges probes-disagree. What a hand check said stands until a check agrees, somebody put the probe right,
// or its calibration was written anew; no reading settles it. What the other probes say is advice beside it.
func (e *Engine) watchApart(i int, p *probe, st int) {
	f := finding{since: never, left: never, delay: never}
	if x := p.Apart; x != nil && e.correction(i, x.Raw) != x.Offset {
		p.Apart = nil
	} else if x != nil {
		f.level, f.since, f.temp, f.hasTemp, f.rank = bad, x.At, x.Probe, true, 1
		f.priority = e.specs[e.specIndex(st)][aDisagree].priority
	}
	if c := &p.Cross; p.Apart == nil && (c.Apart || c.Drift) {
		f.level, f.since, f.temp, f.hasTemp, f.priority = bad, c.since(), c.Mean, true, Advice
	}
	e.judge(&p.AlarmApart, subjectOf{aDisagree, st, nil, i}, f)
}

// apartText says how far, and whom to believe meanwhile: the one that is less kind to the food.
func (e *Engine) apartText(s subjectOf) string {
	x := e.mem.Probes[s.probe].Apart
	if x == nil {
		return e.crossText(s.probe)
	}
	where := x.In
	if where == "" {
		where = e.stationName(s.station)
	}
	believe := "the colder"
	if x.Cold {
		believe = "the warmer"
	}
	return "Probe " + e.probeName(s.probe) + " read " + e.temp(x.Probe) + " in " + where + " when the hand thermometer said " +
		e.temp(x.Hand) + ". Go by " + believe + " of the two, check both in ice water, and put the probe right."
}
