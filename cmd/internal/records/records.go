// Package records makes the record that people and inspectors read out of a ledger: which lots there were,
// what was said about them then, what people did, and the figures behind it.
//
// What was said is taken from the events as they were recorded. Nobody may be told later that a bell rang
// which did not, so the rules of today never speak for those of that day. Figures that no event carries
// (stages, lowest and highest, clocks, runs) are worked out by feeding the recorded readings and marks to the
// rules again, from before the first lot of the span was loaded: the readings are the evidence, and what the
// rules make of them is the same on every machine. Where the rules of today, or a configuration that has
// changed, would have given other verdicts than were recorded, the record says so. Without a configuration
// nothing is worked out.
package records

import (
	"time"

	"holdbell/publish/ledger"
	"holdbell/rules"
	"holdbell/sensor"
)

// Record is what stood in a ledger about a span of time.
type Record struct {
	Ledger   string      // its id
	Head     ledger.Head // of its chain, as it was opened
	Site     string      // empty without a configuration
	From, To time.Time   // the span, cut to what is recorded
	Units    rules.Units
	Code     string // the food code's title; empty without a configuration
	Sweeps   int    // recorded readings of all probes within the span
	Lots     []*Life
	Alarms   []*Alarm // of stations, probes and the board
	Marks    []*Mark  // about no lot
	// Calibrations are the checks of probes against a known temperature within the span, and each probe's last before it.
	Calibrations []rules.Mark
	whole        bool // of all lots, the probes and the board too
	Gaps         []rules.Event
	Clocks       []rules.Event
	Events       []rules.Event // all within the span, as recorded
	// Doubts are what the reader has to know about the figures, each a whole sentence.
	Doubts []string

	setup *rules.Setup // nil without a configuration
	book  *Book        // all that was gone through, from before the span
	pause []pause      // in which no sweep is recorded, longer than the allowance
	// silence is when probes gave no reading for longer than the allowance; not known without a configuration.
	silence []silence
}

// Life is a lot from its beginning to its end. The same name used again is another life.
type Life struct {
	Lot      string
	Food     string
	Seq      uint64 // of the event that began it
	Begun    sensor.Instant
	Ended    sensor.Instant // zero: open at the end of the record
	Moves    []Move         // where it was, as recorded
	Final    rules.Verdict  // with which it ended; empty while it is open
	Verdicts []rules.Event
	Proofs   []rules.Event // reheating that was proven
	Alarms   []*Alarm
	Marks    []*Mark
	// State is what the rules make of the recorded readings, nil when they were not asked. Late is set when they
	// did not see its beginning.
	State *rules.LotState
	Late  bool

	againVerdicts []rules.Verdict // what the rules of today say, in order
	trace         []point         // in order, where it was asked for
}

// point is what the probe that decided about a lot read, nil while none was valid.
type point struct {
	at   sensor.Instant
	temp *sensor.Temp
}

// Move is a lot's coming into a station.
type Move struct {
	At      sensor.Instant
	Station string
	By      string
}

// Mark is what a person did, and what was answered.
type Mark struct {
	rules.Mark
	Seq     uint64 // of the answer; 0: it was never answered, because it had been told before
	Answer  string
	Refused bool
	// Before is the reading that spoke for its lot just before, nil without one and where no rules were asked.
	Before *sensor.Temp
	lives  []*Life
}

// Alarm is one alarm from its raising to its end.
type Alarm struct {
	Raised       rules.Event
	Rang         int // how often it rang again
	Acknowledged sensor.Instant
	By           string
	Note         string // in the acknowledging person's own words
	Cleared      sensor.Instant
	ClearedText  string
	Worst        *sensor.Temp

	priority rules.Priority // the highest that it had
	asked    sensor.Instant // since when it has waited for an answer; zero: it was answered
	wait     time.Duration  // the longest until an answer
}

// Signed tells who answers for a mark, as far as a record can know.
func (m *Mark) Signed() string {
	if m.By == "" {
		return "unsigned"
	}
	return m.By
}

// Open reports whether the lot was still watched at the end of the record.
func (l *Life) Open() bool { return l.Ended.Wall.IsZero() }

// End is the lot's end, or the given moment while it is open.
func (l *Life) End(now time.Time) time.Time {
	if l.Open() {
		return now
	}
	return l.Ended.Wall
}

// Verdict is the one with which the lot ended, else the last one that was said; ok when none was.
func (l *Life) Verdict() rules.Verdict {
	if l.Final != "" {
		return l.Final
	}
	if n := len(l.Verdicts); n > 0 {
		return l.Verdicts[n-1].Verdict
	}
	return rules.OK
}

// told reports whether an event is about this lot in this life.
func (l *Life) told(ev *rules.Event) bool {
	for _, m := range l.Marks {
		if m.Seq == ev.Seq {
			return true
		}
	}
	return ev.Lot == l.Lot && !ev.At.Wall.Before(l.Begun.Wall) && (l.Open() || !ev.At.Wall.After(l.lastTold()))
}

// lastTold is when the last event about a lot may have come: an alarm can outlast it.
func (l *Life) lastTold() time.Time {
	last := l.Ended.Wall
	for _, a := range l.Alarms {
		for _, at := range []time.Time{a.Cleared.Wall, a.Acknowledged.Wall} {
			if at.After(last) {
				last = at
			}
		}
	}
	return last
}

// stationAt is where a lot was at a moment, as recorded.
func (l *Life) stationAt(at time.Time) string {
	station := ""
	for _, m := range l.Moves {
		if m.At.Wall.After(at) {
			break
		}
		station = m.Station
	}
	return station
}
