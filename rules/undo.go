package rules

import (
	"slices"
	"time"

	"holdbell/sensor"
)

// fact is what a mark changed, so that an undo can restore it. Clocks are never turned back: time that
// was counted stays counted.
type fact struct {
	ID      string
	Kind    MarkKind
	Lot     string
	Station int
	Stage   Purpose
	Time    *TimeControlRule `json:",omitempty"` // time control before
	// Watch is what a load did to the station's own lot.
	Watch watchFact `json:",omitempty"`
	// CookUnseen is whether it had not been seen cooking before.
	CookUnseen bool `json:",omitempty"`
	// Heating is whether a reheating ran before a move.
	Heating bool `json:",omitempty"`
	// Heard is what stood before a mark that tells something; nil for one that changes something.
	Heard *heard `json:",omitempty"`
}

// watchFact is what became of a station's own lot when a piece was loaded.
type watchFact string

const (
	watchHanded   watchFact = "handed over" // its clocks go on in the piece
	watchReplaced watchFact = "replaced"    // it ended: the piece is fresh
)

// How many marks can still be undone: of those that changed something, and of those that told something, so
// that many notes leave room for a load. They are in every snapshot.
const (
	maxFacts = 64
	maxHeard = 24
)

// Undoable reports whether a mark of this kind can be taken back by an undo. Whether one mark can be is told by its event.
func (k MarkKind) Undoable() bool {
	switch k {
	case MarkLoad, MarkMove, MarkTimeControl, MarkDiscard, MarkClose:
		return true
	}
	return slices.Contains(tellings(), k)
}

// hasFact reports whether what a mark changed or told is remembered.
func (e *Engine) hasFact(id string) bool {
	return slices.ContainsFunc(e.mem.Facts, func(f fact) bool { return f.ID == id })
}

// keepFact remembers what a mark is about to change.
func (e *Engine) keepFact(m *Mark, l *lot, w watchFact) {
	if m.ID == "" {
		return
	}
	e.addFact(fact{ID: m.ID, Kind: m.Kind, Lot: l.Name, Station: l.Station, Stage: l.Stage, Time: l.Time, Watch: w, CookUnseen: !l.CookSeen,
		Heating: l.Heat != nil && l.Heat.Result == Running})
}

func (e *Engine) addFact(f fact) {
	like := func(x fact) bool { return (x.Heard != nil) == (f.Heard != nil) }
	n := 0
	for i := range e.mem.Facts {
		if like(e.mem.Facts[i]) {
			n++
		}
	}
	if n >= maxFacts || f.Heard != nil && n >= maxHeard {
		i := slices.IndexFunc(e.mem.Facts, like)
		e.mem.Facts = slices.Delete(e.mem.Facts, i, i+1)
	}
	e.mem.Facts = append(e.mem.Facts, f)
}

// applyUndo takes back a wrong fact. Clocks are not turned back.
func (e *Engine) applyUndo(m *Mark, at time.Duration) (string, bool) {
	i := slices.IndexFunc(e.mem.Facts, func(f fact) bool { return f.ID == m.Undoes })
	if i < 0 {
		return "There is no mark with the id " + m.Undoes + " that can be undone. Load, move, wrap, rotate, check, serve, note, corrective, close, discard and time-control can, while they are recent.", false
	}
	f := e.mem.Facts[i]
	if f.Heard != nil {
		return e.unhear(m)
	}
	var l *lot
	for _, x := range e.mem.Lots {
		if x.Name == f.Lot {
			l = x
		}
	}
	switch {
	case l == nil:
		return f.Lot + " is no longer on the list.", false
	case f.Station < 0:
		return f.Lot + " was in a station that is gone.", false
	case f.Kind == MarkMove && slices.ContainsFunc(e.mem.Facts[i+1:], func(x fact) bool { return x.Kind == MarkMove && x.Lot == f.Lot }):
		return l.Name + " was moved again since then: take the later move back first.", false
	case (f.Kind == MarkDiscard || l.Ruling.Verdict == Discard) && m.By == "":
		return "Undoing this touches a discard: it must be signed (by).", false
	case (f.Kind == MarkDiscard || f.Kind == MarkClose) == l.open():
		return l.Name + " is " + map[bool]string{true: "open already", false: "not open any more"}[l.open()] + ".", false
	}
	e.mem.Facts = slices.Delete(e.mem.Facts, i, i+1)
	switch f.Kind {
	case MarkDiscard, MarkClose:
		e.reopen(l, at)
		return l.Name + " is open again; the time in between counts.", true
	case MarkMove:
		from := l.Station
		e.unseeCook(m, l, &f)
		// The reheating that began with the move goes with it; one that ran before goes on.
		if h := l.Heat; h != nil && h.Result == Running && l.Stage == Reheating && f.Stage != Reheating && !f.Heating {
			l.Heat = nil
		}
		e.takeTo(l, f.Station, at)
		e.emptied(from)
		return l.Name + " is back in " + e.stationName(f.Station) + "; its clocks keep what was counted.", true
	case MarkTimeControl:
		l.Time = f.Time
		if l.Latched != nil && (l.Latched.Reason == reasonTimeEnded || l.Latched.Reason == reasonTimeTooWarm) {
			l.Latched = nil
		}
		return l.Name + " is no longer under time control.", true
	}
	return e.undoLoad(l, f, at), true
}

// undoLoad takes a piece off the list that was never there. What the station's own lot had been through
// before is not undone with it: its watch goes on.
func (e *Engine) undoLoad(l *lot, f fact, at time.Duration) string {
	watch := e.set.Stations[f.Station].Name
	if f.Watch == watchHanded && e.lotNamed(watch) == nil {
		from := l.Station
		e.handOver(l, watch)
		l.Standing, l.Food, l.Claim = true, "", -1
		if from != f.Station {
			e.takeTo(l, f.Station, at)
			e.emptied(from)
		}
		e.reassign(at)
		return f.Lot + " is off the list; the watch of " + watch + " goes on with its clocks."
	}
	l.Latched = nil
	e.end(l, at)
	e.emit(Event{Kind: LotEnded, Station: e.stationName(l.Station), Lot: l.Name, Verdict: l.Ruling.Verdict,
		Text: "Loading " + l.Name + " was a mistake and is undone."})
	if f.Watch == watchReplaced && e.lotNamed(watch) == nil {
		for _, x := range e.mem.Lots {
			if x.Name == watch && x.Station == f.Station {
				e.reopen(x, at)
				return l.Name + " is off the list; the watch of " + watch + " goes on, and the time in between counts."
			}
		}
	}
	return l.Name + " is off the list."
}

// reopen goes on with a lot that was ended by mistake. Nobody's probe spoke for it since: a slip undone
// within the allowance is bridged from its last reading, a longer time is unknown and counts whole.
func (e *Engine) reopen(l *lot, at time.Duration) {
	ended, known := l.Ended, l.EndKnown
	last := l.Low
	if l.Stage == ColdHolding || l.Stage == Cooling {
		last = l.High
	}
	l.Ended, l.EndedAt, l.EndedBy, l.Unheard = never, sensor.Instant{}, "", false
	e.reassign(at)
	for i := range l.Members {
		if x := &l.Members[i]; x.Until == forever {
			x.From, x.Has, x.LastT, x.Last = ended, known, ended, last
		}
	}
	if s := l.speechless(); s != nil {
		s.From = ended
	}
	e.armNow(l.Station, at)
}
