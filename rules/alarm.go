package rules

import (
	"slices"
	"time"

	"holdbell/sensor"
)

// alarm is the memory of one alarm. Its zero value is normal and has never been pending.
type alarm struct {
	Status   AlarmStatus `json:",omitempty"`
	Active   bool        `json:",omitempty"` // the condition holds, raise delay past
	Unknown  bool        `json:",omitempty"` // active, and no valid reading says how it stands
	Priority Priority    `json:",omitempty"`
	Seq      uint64      `json:",omitempty"`
	Station  string      `json:",omitempty"` // where it was raised, and by which probe: its identity
	Probe    string      `json:",omitempty"`

	Pending   bool          `json:",omitempty"` // bad since PendingAt, delay not past
	PendingAt time.Duration `json:",omitempty"`
	Calm      bool          `json:",omitempty"` // fine since CalmAt, clear delay not past
	CalmAt    time.Duration `json:",omitempty"`

	Since   sensor.Instant `json:",omitzero"`
	Raised  sensor.Instant `json:",omitzero"`
	Acked   sensor.Instant `json:",omitzero"`
	AckBy   string         `json:",omitempty"`
	AckRank int            `json:",omitempty"` // how bad it was when acknowledged
	Cleared sensor.Instant `json:",omitzero"`
	Ring    time.Duration  `json:",omitempty"` // next repeat
	HalfAt  time.Duration  `json:",omitempty"` // rings again then, though acknowledged; 0 never
	Shelf   time.Duration  `json:",omitempty"` // end of shelving
	ShelfAt sensor.Instant `json:",omitzero"`
	Worst   sensor.Temp    `json:",omitempty"`
	HasTemp bool           `json:",omitempty"`
	Text    string         `json:",omitempty"`
}

func (a *alarm) normal() bool { return a.Status == "" && !a.Pending }

// spec is how one alarm at one station behaves.
type spec struct {
	raise, clear time.Duration
	hysteresis   sensor.Temp
	repeat       time.Duration
	priority     Priority
}

// The alarms' indexes in a station's specs.
const (
	aBelow = iota
	aDanger
	aBand
	aTime
	aFault
	aStuck
	aRecord
	aAhead
	aDoor
	aFire
	aComeUp
	aDue
	aCalDue // check-due of a probe
	aDisagree
	aCold
	aCooling
	aReheat
	aClock
	aMains
	numAlarms
)

var alarmNames = [numAlarms]AlarmName{
	aBelow:    BelowHotLimit,
	aDanger:   DangerTime,
	aBand:     OutOfBand,
	aTime:     TimeControlEnded,
	aFault:    ProbeFault,
	aStuck:    ProbeStuck,
	aRecord:   RecordTrouble,
	aAhead:    LimitAhead,
	aDoor:     DoorOpen,
	aFire:     FireFalling,
	aComeUp:   ComeUpLate,
	aDue:      CheckDue,
	aCalDue:   CheckDue,
	aDisagree: ProbesDisagree,
	aCold:     AboveColdLimit,
	aCooling:  CoolingLate,
	aReheat:   ReheatLate,
	aClock:    ClockDoubt,
	aMains:    MainsLost,
}

// AlarmNames lists the alarms that the Engine raises.
func AlarmNames() []AlarmName {
	return slices.Compact(append([]AlarmName(nil), alarmNames[:]...)) // check-due has two subjects
}

// defaultSpecs are common practice. A raise delay hides a flicker, never a fall: it is counted from the
// interpolated crossing, and the clocks run meanwhile.
func defaultSpecs() [numAlarms]spec {
	const halfDegree, oneDegree = sensor.Temp(500), sensor.Temp(1000)
	return [numAlarms]spec{
		aBelow:   {10 * time.Second, time.Minute, halfDegree, 5 * time.Minute, Critical},
		aDanger:  {0, time.Minute, 0, 5 * time.Minute, Warning},
		aBand:    {5 * time.Minute, 2 * time.Minute, oneDegree, 30 * time.Minute, Warning},
		aTime:    {0, time.Minute, 0, 5 * time.Minute, Critical},
		aFault:   {5 * time.Second, 5 * time.Second, 0, 15 * time.Minute, Warning},
		aStuck:   {30 * time.Minute, time.Minute, 0, time.Hour, Warning},
		aRecord:  {0, time.Minute, 0, time.Hour, Warning},
		aAhead:   {2 * time.Minute, 5 * time.Minute, 0, 15 * time.Minute, Warning},
		aDoor:    {10 * time.Second, time.Minute, 0, 15 * time.Minute, Advice},
		aFire:    {0, 5 * time.Minute, 0, 15 * time.Minute, Warning},
		aComeUp:  {5 * time.Minute, 10 * time.Minute, 0, time.Hour, Advice},
		aCold:    {5 * time.Minute, time.Minute, halfDegree, 15 * time.Minute, Warning},
		aCooling: {2 * time.Minute, 5 * time.Minute, 0, 15 * time.Minute, Warning},
		aReheat:  {2 * time.Minute, 5 * time.Minute, 0, 10 * time.Minute, Warning},
		// A time service needs a minute or two after a start. A board that never has one is told of it once a day.
		aClock:  {5 * time.Minute, 5 * time.Minute, 0, 24 * time.Hour, Advice},
		aMains:  {10 * time.Second, time.Minute, 0, 15 * time.Minute, Warning},
		aDue:    {0, 0, 0, 30 * time.Minute, Advice},
		aCalDue: {0, 0, 0, 24 * time.Hour, Advice}, // what has a year's time is not said every half hour
		// A hand check is one moment: nothing flickers, and what settles it is a person's mark.
		aDisagree: {0, 0, 0, time.Hour, Warning},
	}
}

// airDelay is the raise delay of below-hot-limit for a lot that only the station's air speaks for: a
// door that is opened cools the air long before the food (common practice).
const airDelay = 5 * time.Minute

func specsFor(layers ...map[AlarmName]AlarmSetup) []spec {
	s := defaultSpecs()
	for _, layer := range layers {
		for i, name := range alarmNames {
			o, ok := layer[name]
			if !ok {
				continue
			}
			set(&s[i].raise, o.RaiseDelay)
			set(&s[i].clear, o.ClearDelay)
			set(&s[i].hysteresis, o.Hysteresis)
			set(&s[i].repeat, o.Repeat)
			set(&s[i].priority, o.Priority)
		}
	}
	return s[:]
}

func set[T any](dst *T, v *T) {
	if v != nil {
		*dst = *v
	}
}

// level is how a condition stands in one sweep.
type level uint8

const (
	fine    level = iota // beyond the hysteresis
	near                 // inside the limit, within the hysteresis
	bad                  // past the limit
	unknown              // no reading says
)

// subjectOf is whom an alarm concerns.
type subjectOf struct {
	index   int // into the specs
	station int // -1: the board
	lot     *lot
	probe   int // -1: none
}

// finding is what a rule found for one alarm in one sweep.
type finding struct {
	level    level
	since    time.Duration // the interpolated crossing, for bad and fine; never: this sweep
	temp     sensor.Temp
	hasTemp  bool
	worse    func(a, b sensor.Temp) bool // whether a is worse than b; nil without temperatures
	priority Priority                    // "" keeps the spec's
	rank     int                         // how bad: rises when the verdict worsens
	left     time.Duration               // until the deadline; never without one
	delay    time.Duration               // raise delay; never: the spec's
	urgent   bool                        // no raise delay: what was waited for has come
	mute     bool                        // no repeats: another alarm of the lot says it already
}

func lower(a, b sensor.Temp) bool  { return a < b }
func higher(a, b sensor.Temp) bool { return a > b }

// judge moves an alarm by what was found, through the states of ANSI/ISA-18.2.
func (e *Engine) judge(a *alarm, s subjectOf, f finding) {
	if a.Status == Shelved && e.mem.Now >= a.Shelf {
		e.unshelve(a, s)
	}
	if f.level == fine && !a.Active && !a.Pending {
		return
	}
	sp := &e.specs[e.specIndex(s.station)][s.index]
	since := f.since
	if since == never {
		since = e.mem.Now
	}
	switch f.level {
	case bad:
		a.Calm, a.Unknown = false, false
		if !a.Active {
			e.pend(a, s, f, sp, since)
			return
		}
		e.worsen(a, f, sp)
		e.ring(a, s, f)
	case near:
		a.Calm, a.Unknown = false, false
		if a.Active {
			e.ring(a, s, f)
		}
	case unknown:
		a.Calm = false
		a.Unknown = a.Active
		if a.Active {
			e.ring(a, s, f)
		}
	case fine:
		a.Pending, a.Unknown = false, false
		if !a.Active {
			return
		}
		if !a.Calm {
			a.Calm, a.CalmAt = true, since
		}
		if e.mem.Now-a.CalmAt >= sp.clear {
			e.clear(a, s)
		} else {
			e.ring(a, s, f)
		}
	}
}

func (e *Engine) specIndex(station int) int {
	if station < 0 {
		return len(e.specs) - 1
	}
	return station
}

// pend waits out the raise delay, counted from the crossing, and raises.
func (e *Engine) pend(a *alarm, s subjectOf, f finding, sp *spec, since time.Duration) {
	if !a.Pending {
		a.Pending, a.PendingAt = true, since
		a.Worst, a.HasTemp = f.temp, f.hasTemp
	}
	delay := sp.raise
	if f.delay != never {
		delay = max(delay, f.delay)
	}
	if e.mem.Now-a.PendingAt < delay && !f.urgent {
		return
	}
	keep := *a
	*a = alarm{Active: true, Priority: sp.priority, Status: Unacknowledged, Since: e.instant(a.PendingAt),
		Raised: e.mem.At, Worst: f.temp, HasTemp: f.hasTemp, Station: e.stationName(s.station), Probe: e.probeName(s.probe)}
	if f.priority != "" {
		a.Priority = f.priority
	}
	if sp.repeat > 0 {
		a.Ring = e.mem.Now + sp.repeat
	}
	a.AckRank = f.rank
	a.Text = e.alarmText(a, s)
	switch {
	case keep.Status == Shelved:
		a.Status, a.Shelf, a.ShelfAt = Shelved, keep.Shelf, keep.ShelfAt
	case s.station >= 0 && e.mem.Stations[s.station].OutOfService && (s.lot == nil || !s.lot.Against):
		a.Status = OutOfService
	}
	a.Seq = e.tell(a, s, AlarmRaised)
}

// worsen keeps the worst value and raises the priority; it never lowers either.
func (e *Engine) worsen(a *alarm, f finding, sp *spec) {
	if f.hasTemp && f.worse != nil && (!a.HasTemp || f.worse(f.temp, a.Worst)) {
		a.Worst, a.HasTemp = f.temp, true
	}
	if f.priority.Rank() > a.Priority.Rank() {
		a.Priority = f.priority
	}
}

// ring repeats an alarm that nobody acknowledged, and brings back one that got worse since somebody did,
// or whose time is half gone: acknowledging never settles.
func (e *Engine) ring(a *alarm, s subjectOf, f finding) {
	if f.mute {
		return
	}
	now := e.mem.Now
	switch a.Status {
	case Unacknowledged:
		worse := f.rank > a.AckRank
		if !worse && (a.Ring == 0 || now < a.Ring) {
			return
		}
		a.AckRank = max(a.AckRank, f.rank)
	case Acknowledged:
		half := a.HalfAt > 0 && now >= a.HalfAt
		if f.rank <= a.AckRank && !half {
			if a.HalfAt == 0 && f.left > 0 {
				a.HalfAt = now + f.left/2
			}
			return
		}
		a.Status, a.AckRank, a.HalfAt = Unacknowledged, max(a.AckRank, f.rank), 0
	default:
		return
	}
	e.ringAgain(a, s, AlarmRepeated)
}

// ringAgain tells an alarm anew, in today's words, and sets its next repeat.
func (e *Engine) ringAgain(a *alarm, s subjectOf, kind EventKind) {
	a.Ring = 0
	if repeat := e.specs[e.specIndex(s.station)][s.index].repeat; repeat > 0 {
		a.Ring = e.mem.Now + repeat
	}
	a.Text = e.alarmText(a, s)
	e.tell(a, s, kind)
}

// clear ends the condition; an alarm that nobody acknowledged stays listed as returned.
func (e *Engine) clear(a *alarm, s subjectOf) {
	a.Active, a.Unknown, a.Calm, a.Pending = false, false, false, false
	a.Cleared = e.mem.At
	switch a.Status {
	case Unacknowledged:
		a.Status = Returned
	case Shelved, OutOfService:
	default:
		a.Status = Normal
	}
	a.Text = e.clearText(a, s)
	e.tell(a, s, AlarmCleared)
	if a.Status == Normal {
		*a = alarm{}
	}
}

// tell emits an alarm's event and returns its Seq.
func (e *Engine) tell(a *alarm, s subjectOf, kind EventKind) uint64 {
	ev := Event{Kind: kind, Since: a.Since, Alarm: alarmNames[s.index], Station: a.Station,
		Probe: a.Probe, Priority: a.Priority, State: a.Status, Text: a.Text}
	if s.lot != nil {
		ev.Lot = s.lot.Name
		ev.Verdict = s.lot.Ruling.Verdict
		ev.Basis = s.lot.Ruling.Basis.String()
	}
	if kind == AlarmCleared {
		ev.Since = e.mem.At
		if a.Calm {
			ev.Since = e.instant(a.CalmAt)
		}
	}
	if a.HasTemp {
		t := a.Worst
		ev.Temp = &t
	}
	return e.emit(ev).Seq
}

func (e *Engine) unshelve(a *alarm, s subjectOf) {
	a.Shelf, a.ShelfAt = 0, sensor.Instant{}
	if !a.Active {
		*a = alarm{Pending: a.Pending, PendingAt: a.PendingAt}
		return
	}
	a.Status = Unacknowledged
	e.ringAgain(a, s, AlarmUnshelved)
}

// acknowledge answers a person's mark for one alarm; it reports whether there was anything to answer.
func (e *Engine) acknowledge(a *alarm, s subjectOf, by string) bool {
	switch a.Status {
	case Unacknowledged:
		a.Status = Acknowledged
	case Returned:
		a.Status = Normal
	default:
		return false
	}
	a.Acked, a.AckBy, a.HalfAt = e.mem.At, by, 0
	e.tell(a, s, AlarmAcknowledged)
	e.out[len(e.out)-1].By = by
	if a.Status == Normal {
		*a = alarm{}
	}
	return true
}
