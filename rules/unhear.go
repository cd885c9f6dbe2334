package rules

import (
	"slices"
	"time"

	"holdbell/sensor"
)

// heard is what stood before somebody told something: wrap, rotate, serve, note, corrective or check.
type heard struct {
	At     time.Duration   // of the mark
	Said   sensor.Instant  // the same, as it was told
	Due    []time.Duration `json:",omitempty"` // since when the station's reminders ran
	Served sensor.Instant  `json:",omitzero"`
	Check  *checkedBefore  `json:",omitempty"`
	// Probe was held against a hand thermometer, or put right; Apart is the doubt that stood about it.
	Probe string `json:",omitempty"`
	Apart *apart `json:",omitempty"`
}

// checkedBefore is what stood before a hand check, and what came of it.
type checkedBefore struct {
	T         time.Duration
	At        sensor.Instant `json:",omitzero"`
	Temp      sensor.Temp    `json:",omitempty"`
	By        string         `json:",omitempty"`
	FoodKnown bool           `json:",omitempty"`
	FoodLow   sensor.Temp    `json:",omitempty"`
	FoodHigh  sensor.Temp    `json:",omitempty"`
	HandWarm  bool           `json:",omitempty"`
	Leapt     bool           `json:",omitempty"`
	Exc       *excursion     `json:",omitempty"`
	Legs      int            `json:",omitempty"` // of cooling that were done
	FromTemp  sensor.Temp    `json:",omitempty"`
	Excused   time.Duration  `json:",omitempty"` // until heed: in all; then by it

	Opened bool `json:",omitempty"` // it began a fall below the limit
	Closed bool `json:",omitempty"` // it ended one
	Passed int  `json:",omitempty"` // legs of cooling that it proved
}

// tellings are the marks that tell something and can be taken back as such.
func tellings() []MarkKind {
	return []MarkKind{MarkWrap, MarkRotate, MarkServe, MarkNote, MarkCorrective, MarkCheck}
}

// hear remembers what a telling mark is about to change; what it gives has to be told to heed afterwards.
func (e *Engine) hear(m *Mark, lots []*lot, at time.Duration) (facts int) {
	if m.ID == "" || !slices.Contains(tellings(), m.Kind) {
		return 0
	}
	for _, l := range lots {
		f := fact{ID: m.ID, Kind: m.Kind, Station: e.stationIndex(m.Station), Heard: &heard{At: at, Said: m.At}}
		h := f.Heard
		if l != nil {
			f.Lot, f.Station = l.Name, l.Station
			h.Served = l.Served
			if m.Kind == MarkCheck && m.Temp != nil {
				h.Check = l.beforeCheck()
			}
		}
		if f.Station >= 0 {
			for _, d := range e.mem.Stations[f.Station].Due {
				h.Due = append(h.Due, d.From)
			}
		}
		p := e.probeIndex(m.Probe)
		if m.Kind == MarkCheck {
			p, _ = e.beside(m, lots, at)
		}
		if p >= 0 && m.Kind != MarkNote {
			h.Probe, h.Apart = e.probeName(p), clone(e.mem.Probes[p].Apart)
		}
		e.addFact(f)
		facts++
	}
	return min(facts, maxHeard)
}

func (l *lot) beforeCheck() *checkedBefore {
	c := &checkedBefore{T: l.CheckT, At: l.CheckAt, Temp: l.CheckTemp, By: l.CheckBy, FoodKnown: l.FoodKnown, FoodLow: l.FoodLow, FoodHigh: l.FoodHigh,
		HandWarm: l.HandWarm, Leapt: l.Leap.Leapt, Exc: clone(l.Exc), Excused: l.Excused}
	if l.Cool != nil {
		c.Legs, c.FromTemp = l.Cool.Leg, l.Cool.FromTemp
	}
	return c
}

// heed notes what came of the newest facts.
func (e *Engine) heed(facts int) {
	for i := len(e.mem.Facts) - facts; i < len(e.mem.Facts); i++ {
		f := &e.mem.Facts[i]
		l := e.lotNamed(f.Lot)
		if f.Heard == nil || f.Heard.Check == nil || l == nil {
			continue
		}
		c := f.Heard.Check
		c.Opened, c.Closed = c.Exc == nil && l.Exc != nil, c.Exc != nil && l.Exc == nil
		c.Excused = l.Excused - c.Excused
		if l.Cool != nil {
			c.Passed = l.Cool.Leg - c.Legs
		}
	}
}

// unhear takes a telling mark back: what it gave credit for is owed again, what it put off is due again. What
// it said against the food goes only if it is signed for and the probes bear it out.
func (e *Engine) unhear(m *Mark) (string, bool) {
	of := func(f fact) bool { return f.ID == m.Undoes }
	var text string
	for _, f := range e.mem.Facts {
		if l := e.lotNamed(f.Lot); of(f) && f.Heard.Check != nil && l != nil && l.bridgedBy(f.Heard.At) {
			return "That check vouches for the time in which a probe of " + l.Name + " was out, and cannot be taken back. Check it again, or discard it.", false
		}
	}
	for _, f := range e.mem.Facts {
		if !of(f) {
			continue
		}
		if text == "" {
			text = "The mark " + string(f.Kind) + orAbout(f.Lot) + " is taken back."
		}
		text += e.unsay(m, &f)
	}
	e.mem.Facts = slices.DeleteFunc(e.mem.Facts, of)
	return text, true
}

func orAbout(lot string) string {
	if lot == "" {
		return ""
	}
	return " of " + lot
}

// unsay restores what one fact changed, and says what that means for the food.
func (e *Engine) unsay(m *Mark, f *fact) (said string) {
	h := f.Heard
	if f.Station >= 0 && f.Station < len(e.mem.Stations) {
		if due := e.mem.Stations[f.Station].Due; len(due) == len(h.Due) {
			for j := range due {
				if e.set.Stations[f.Station].Reminders[j].After == f.Kind && due[j].From == h.At && h.Due[j] != h.At {
					due[j].From = h.Due[j]
					said = " What it answered is due again."
				}
			}
		}
	}
	if p := e.probeIndex(h.Probe); p >= 0 {
		switch q := &e.mem.Probes[p]; {
		case h.Apart != nil && q.Apart == nil:
			q.Apart = clone(h.Apart)
			said += " Probe " + h.Probe + " is in doubt again."
		case h.Apart == nil && q.Apart != nil && q.Apart.At == h.At && m.By != "":
			q.Apart = nil
		}
	}
	l := e.lotNamed(f.Lot)
	if l != nil && l.Begun > h.At {
		l = nil // another piece has the name now
	}
	switch {
	case l == nil && h.Check != nil:
		return said + " " + f.Lot + " is not open any more: what was said of it stands."
	case l == nil:
		return said
	case f.Kind == MarkServe && l.Served == h.Said:
		l.Served = h.Served
	case h.Check != nil:
		return said + e.uncheck(m, l, h)
	}
	return said
}

// bridgedBy reports whether a probe was put back on watch by the word of a check at that moment.
func (l *lot) bridgedBy(at time.Duration) bool {
	return slices.ContainsFunc(l.Members, func(x member) bool { return x.From == at && l.CheckT == at })
}

// uncheck takes a hand check back from an open lot.
func (e *Engine) uncheck(m *Mark, l *lot, h *heard) (said string) {
	c := h.Check
	newest := l.CheckT == h.At
	if newest {
		if l.FoodKnown && l.FoodLow == l.CheckTemp && l.FoodHigh == l.CheckTemp {
			l.FoodKnown, l.FoodLow, l.FoodHigh = c.FoodKnown, c.FoodLow, c.FoodHigh
		}
		l.CheckT, l.CheckAt, l.CheckTemp, l.CheckBy, l.OutCheck = c.T, c.At, c.Temp, c.By, false
		l.HandWarm = c.HandWarm || l.HandWarm && m.By == ""
	}
	l.Leap.Leapt = l.Leap.Leapt || c.Leapt
	if k := l.Cook; k != nil && k.Proof == ProvenByCheck && k.Proven == h.At {
		k.Proof, k.Temp, k.Hold, k.Basis, k.Proven, k.ProvenI = "", 0, 0, Citation{}, never, sensor.Instant{}
		said += " Its cook is not proven by it any more."
	}
	if r := l.Cool; r != nil && c.Passed > 0 && r.Leg == c.Legs+c.Passed && (r.Result == Running || r.Result == Pass) {
		r.Leg, r.FromTemp, r.Result = c.Legs, c.FromTemp, Running
		l.Excused = max(0, l.Excused-c.Excused)
		said += " Its cooling is not proven by it any more."
	}
	switch x := l.Exc; {
	case c.Closed && c.Exc != nil:
		was := clone(c.Exc)
		if x != nil { // it has fallen again since
			was.Below, was.Min, was.Unknown, was.Count = was.Below+x.Below, min(was.Min, x.Min), was.Unknown || x.Unknown, was.Count+x.Count
			was.InsideSince, was.RiseT, was.RiseTemp, was.DangerAtRise = x.InsideSince, x.RiseT, x.RiseTemp, x.DangerAtRise
		}
		was.RestFrom = never
		l.Exc = was
		said += " Its fall below " + e.temp(e.code(l).HotLimit) + " is open again."
	case c.Opened && x != nil && x.Since == h.At:
		if m.By == "" || x.Below > 0 || x.Unknown || !l.AnyValid || !l.AllValid || l.Low < e.code(l).HotLimit {
			return said + " What it found below " + e.temp(e.code(l).HotLimit) + " stands: that takes a signed undo, and every probe at the limit."
		}
		l.Exc = nil
		l.Excursions--
	}
	return said
}
