package rules

import (
	"fmt"
	"time"
)

// stepFrom is how far the wall clock may move against the monotonic one between two sweeps before it counts as
// stepped. A time service slews what is less than a fraction of a second, and steps the rest; 10 s is far above
// either's noise and far below what an entry of a record could bear (common practice).
const stepFrom = 10 * time.Second

// clock is what the Engine remembers of the board's wall clock, which labels and never decides.
type clock struct {
	Doubt   bool          `json:",omitempty"` // the wall clock is not known to be right
	DoubtAt time.Duration `json:",omitempty"` // since then
	By      time.Duration `json:",omitempty"` // how far it stepped when it was last seen to while believed
	Alarm   alarm         `json:",omitzero"`
}

// mains is what the Engine remembers of the board's mains, where anybody can say.
type mains struct {
	Says  NoticeKind `json:",omitempty"` // the newest word; empty before the first
	Alarm alarm      `json:",omitzero"`
}

// readClock compares the wall clock with the monotonic one over the last sweep. A clock that is set is an event:
// by it a reader of the record puts the labels of this boot right that were written before; nothing that was
// told is told anew, and no duration changes.
func (e *Engine) readClock() {
	c, at := &e.mem.Clock, e.mem.At
	now := finding{since: never, left: never, delay: never}
	switch {
	case at.Believed:
		c.Doubt = false
	case !c.Doubt || e.was.Boot != at.Boot:
		c.Doubt, c.DoubtAt = true, e.mem.Now
	}
	if c.Doubt {
		now.level, now.since, c.By = bad, c.DoubtAt, 0
	}
	if e.was.Boot == at.Boot && !e.was.IsZero() {
		by := at.Wall.Sub(e.was.Wall) - (at.Mono - e.was.Mono)
		stepped := by >= stepFrom || by <= -stepFrom
		if stepped || at.Believed && !e.was.Believed {
			e.emit(Event{Kind: ClockSet, Station: board, Text: e.clockSetText(by, stepped)})
		}
		if stepped && at.Believed && e.was.Believed {
			now.level, now.urgent, c.By = bad, true, by
		}
	}
	e.judge(&c.Alarm, subjectOf{aClock, -1, nil, -1}, now)
}

// clockSetText says what became of the wall clock.
func (e *Engine) clockSetText(by time.Duration, stepped bool) string {
	text := "The board's clock is known to be right from now on."
	if stepped {
		text = "The board's clock was moved " + moved(by) + "."
	}
	switch {
	case e.mem.At.Believed && !e.was.Believed && stepped:
		text += " It is known to be right from now on; times that were written before, since the board was started, are shown corrected."
	case stepped:
		text += " Durations and limits do not go by it."
	}
	return text
}

// moved says how far and which way, in whole units: a clock that was never set is years off.
func moved(by time.Duration) string {
	way := "forward"
	if by < 0 {
		by, way = -by, "back"
	}
	const day = 24 * time.Hour
	if by < 2*day {
		return words(by) + " " + way
	}
	return fmt.Sprintf("%d days %s", by/day, way)
}

func (e *Engine) clockText() string {
	if c := &e.mem.Clock; !c.Doubt {
		return "The board's clock jumped " + moved(c.By) + ". Durations and limits do not go by it, but times on the page and in the record may be wrong. " +
			"Look at the clock, and at what sets it."
	}
	return "The board's clock is not known to be right. Durations and limits do not go by it, but times on the page and in the record may be wrong. " +
		"Connect the board to the network, or set its clock."
}

// watchMains judges mains-lost by what the daemon last said. A word that nobody can give any more clears nothing.
func (e *Engine) watchMains() {
	f := finding{since: never, left: never, delay: never}
	switch e.mem.Mains.Says {
	case MainsOff:
		f.level = bad
	case MainsUnknown:
		f.level = unknown
	}
	e.judge(&e.mem.Mains.Alarm, subjectOf{aMains, -1, nil, -1}, f)
}

const (
	mainsText = "The mains power is off, and the board runs from its battery. Whatever heats or cools by electricity is off as well: " +
		"keep doors and lids shut, note the time, and look at the breaker."
	mainsClearText = "The mains power is back. See that every cabinet and cooler is on again."
)
