package rules

import (
	"time"

	"holdbell/sensor"
)

// never stands for a moment that has not come.
const never = time.Duration(-1)

// forever is the end of a membership that has not ended.
const forever = time.Duration(1<<63 - 1)

// member ties one probe to one lot for a while. It keeps the probe's last valid reading for the lot, so
// that a gap of any cause, a fault or a probe taken out, is bridged or counted in one way.
type member struct {
	Probe     int
	Stage     Purpose
	From      time.Duration
	Until     time.Duration
	Has       bool // a valid reading stands in LastT and Last
	LastT     time.Duration
	Last      sensor.Temp
	Suspended bool // off watch: readings belong to no lot
	OffSince  time.Duration
}

// anchor is the left end of the member's open stretch: its last valid reading, else its beginning.
func (m *member) anchor() time.Duration {
	if m.Has {
		return m.LastT
	}
	return m.From
}

// left is the moment from which the member has not accounted for time yet.
func (m *member) left() time.Duration {
	if m.Has {
		return max(m.LastT, m.From)
	}
	return m.From
}

// excursion is the time since a lot held hot fell below its limit, until it is proven good again.
type excursion struct {
	Since   time.Duration // the crossing
	SinceAt sensor.Instant
	Below   time.Duration
	Min     sensor.Temp
	// A reheating in place counts from RiseT: the last moment at which the food fell or rested, at RiseTemp.
	RiseT        time.Duration `json:"MinT"` // older snapshots hold the moment of the lowest reading here
	DangerAtRise time.Duration `json:"DangerAtMin"`
	RiseTemp     sensor.Temp   `json:",omitempty"`
	RestFrom     time.Duration `json:",omitempty"` // within a degree since then, as far as is known
	RestTemp     sensor.Temp   `json:",omitempty"`
	Unknown      bool          // a gap that was counted whole lies in it: how cold it was, nobody knows
	InsideSince  time.Duration // back at or above the limit since then; never while below
	Count        int           // how often it fell below
}

// maxLegs is the most legs that a code's cooling rule has.
const maxLegs = 4

// run is a cooling or reheating run.
type run struct {
	Started     time.Duration
	StartedAt   sensor.Instant
	DangerStart time.Duration
	Leg         int // legs of cooling that are done
	LegDone     [maxLegs]time.Duration
	Hot         bool // cooling: the food has not left the hot limit yet
	Result      RunResult
	// FromTemp is the reading with which the present leg began; 0 while none is known.
	FromTemp sensor.Temp  `json:",omitempty"`
	Legs     []CoolingLeg `json:",omitempty"` // cooling: its own
	FromCold bool         `json:",omitempty"` // reheating: from a proof in the cold
	Packaged bool         `json:",omitempty"` // reheating: for the first time, out of its package
}

// lot is one piece, or several that go together.
type lot struct {
	Name     string
	Food     string
	Grams    int32        `json:",omitempty"` // its weight as loaded; 0 when nobody said
	Target   *sensor.Temp `json:",omitempty"` // a person's own target of the cook
	Made     Made         `json:",omitempty"`
	Station  int
	Stage    Purpose
	Standing bool
	Claim    int // the probe given by a mark; -1: the station's
	Begun    time.Duration
	BegunAt  sensor.Instant
	Members  []member
	// Silent are the stretches in which no probe spoke for the lot, the last one open while none does. A
	// closed one waits for the next sweep to count it.
	Silent []silence `json:",omitempty"`

	Danger       tally
	Below        tally
	ComeUp       tally
	ComeUpDanger tally
	Unknown      tally
	Excused      time.Duration // danger-zone time of runs that passed
	LostLength   bool          // a power-off of unknown length
	LostAt       time.Duration // the end of the latest one

	Arrived     bool          // has reached the hot limit
	HotSince    time.Duration // at or above the hot limit since then
	CookSeen    bool
	LastHot     time.Duration // last proof at or above the hot limit
	LastCold    time.Duration // last proof at or below the cold limit
	DangerAtHot time.Duration // Danger.Total at LastHot
	// LastFrom and DangerAtFrom are the same for the temperature from which cooling counts, where that lies
	// below the hot limit; 0 is never.
	LastFrom     time.Duration `json:",omitempty"`
	DangerAtFrom time.Duration `json:",omitempty"`
	ColdSide     time.Duration `json:",omitempty"` // danger-zone time since proofs in the cold
	ExcusedCold  time.Duration `json:",omitempty"` // the part of Excused that lies on that side
	ColdSince    time.Duration // at or below the cold limit since then
	WarmPeak     sensor.Temp   // the warmest since LastCold
	WarmUnknown  bool          // a gap that was counted whole lies since LastCold
	Warm         bool          // above the cold limit, or not settled back below it
	WarmFrom     time.Duration `json:",omitempty"` // held cold, and warm since then
	WarmCounted  bool          `json:",omitempty"`
	ColdOuts     int           `json:",omitempty"` // how often it rose above the cold limit while held cold
	Cut          bool          `json:",omitempty"` // a part of another
	HoldFrom     time.Duration // at or above the reheating target since then
	Exc          *excursion    `json:",omitempty"`
	Excursions   int
	Cool         *run             `json:",omitempty"`
	Heat         *run             `json:",omitempty"`
	Time         *TimeControlRule `json:",omitempty"` // while under time control; a copy, so that another code changes nothing
	TimeStart    time.Duration    // of time control
	TimeOver     bool             // its food limit was passed
	CheckT       time.Duration    // last hand check
	CheckAt      sensor.Instant
	CheckTemp    sensor.Temp
	CheckBy      string
	// FoodLow and FoodHigh are what was last measured of the food itself, not of the air about it.
	FoodKnown         bool        `json:",omitempty"`
	FoodLow, FoodHigh sensor.Temp `json:",omitempty"`
	HandWarm          bool        `json:",omitempty"` // held cold, and the last hand check found it over the cold limit
	OutCheck          bool        // a signed check at or above the limit stood when its probe came out

	Ruling  ruling
	Latched *ruling `json:",omitempty"` // a discard, for good
	Ended   time.Duration
	EndedAt sensor.Instant
	// EndKnown is whether a reading stood when it ended; Low and High then are its last.
	EndKnown bool
	// Against is set while it lies in a station that was out of service when it was put there: nobody has
	// silenced its own alarms.
	Against  bool           `json:",omitempty"`
	Leap     leap           `json:",omitzero"`
	Trend    trend          `json:",omitzero"`
	Proposed proposal       `json:",omitempty"`
	Served   sensor.Instant `json:",omitzero"` // the latest serve mark

	Spoke   []int  `json:",omitempty"` // the probes in its food when it ended
	EndedBy string `json:",omitempty"` // who closed it

	Unheard bool // a power-off ended it and nobody has said that he knows

	Guard sensor.Temp `json:",omitempty"` // by how much its limits are moved

	Advice advice
	Cook   *cook  `json:",omitempty"` // nil until it was seen cooking
	Stays  []stay `json:",omitempty"`

	AlarmBelow   alarm
	AlarmDanger  alarm
	AlarmTime    alarm
	AlarmAhead   alarm
	AlarmDry     alarm `json:",omitzero"` // out-of-band: held too hot
	AlarmComeUp  alarm
	AlarmCold    alarm         `json:",omitzero"`
	AlarmCooling alarm         `json:",omitzero"`
	AlarmReheat  alarm         `json:",omitzero"`
	Ahead        time.Duration // until the hot limit, as forecast; never when nobody knows

	// What the last step found. A mark is applied before the next one's readings are absorbed, so a
	// snapshot carries it.
	Low, High           sensor.Temp // of the present members' valid readings
	LowProbe, HighProbe int
	AnyValid, AllValid  bool
	OpenSince           time.Duration // start of the oldest open gap, never without one

	firstBelow   time.Duration // start of the first below-limit span counted in this step
	stepBelow    time.Duration
	dangerBefore time.Duration // Danger.Total before this step
	stepUnknown  bool
}

// hot reports whether the hot-holding clocks run: in hot holding, in cooking once the food has been at
// the limit, and where it was reheated once that is proven. A fire that dies is no excuse.
func (l *lot) hot(stage Purpose) bool {
	return stage == HotHolding || stage == Cooking && l.Arrived ||
		stage == Reheating && l.Heat != nil && l.Heat.Result == Pass
}

// comingUp reports whether time in the danger zone is come-up time.
func (l *lot) comingUp(stage Purpose) bool { return stage == Cooking && !l.Arrived }

// beginStep resets what a step finds.
func (l *lot) beginStep() {
	l.AnyValid, l.AllValid = false, true
	l.LowProbe, l.HighProbe = -1, -1
	l.firstBelow, l.OpenSince = never, never
	l.stepBelow, l.stepUnknown = 0, false
	l.dangerBefore = l.Danger.Total
	l.Ahead = never
}

// absorb takes the sweep's readings into the lot's clocks.
func (e *Engine) absorb(l *lot) {
	l.beginStep()
	now := e.mem.Now
	horizon := now
	e.absorbSilence(l)
	if l.OpenSince != never {
		horizon = l.OpenSince
	}
	keep := l.Members[:0]
	for i := range l.Members {
		m := l.Members[i]
		r := e.read[m.Probe]
		current := m.Until == forever
		switch {
		case m.Suspended || !r.Valid():
			if current {
				l.AllValid = false
			}
			if current && (l.OpenSince == never || m.left() < l.OpenSince) {
				l.OpenSince = m.left()
			}
			if !current && m.Until <= m.left() {
				continue // nothing is left to count
			}
			if !current && now-m.anchor() > e.set.GapAllowance {
				// No later reading can bridge it any more: the lot went on and takes its unknown time along.
				e.countWhole(l, m.Stage, span{m.left(), m.Until})
				continue
			}
			horizon = min(horizon, m.left())
		default:
			e.absorbReading(l, &m, r.Temp)
			if current {
				l.see(m.Probe, r.Temp)
			}
			if m.Until <= now {
				continue // its last stretch is counted
			}
		}
		keep = append(keep, m)
	}
	l.Members = keep
	for _, c := range [...]*tally{&l.Danger, &l.Below, &l.ComeUp, &l.ComeUpDanger, &l.Unknown} {
		c.settle(horizon)
	}
	if !l.AnyValid {
		l.AllValid = false
	}
}

// see notes a valid reading of a present member.
func (l *lot) see(probe int, t sensor.Temp) {
	if !l.AnyValid || t < l.Low {
		l.Low, l.LowProbe = t, probe
	}
	if !l.AnyValid || t > l.High {
		l.High, l.HighProbe = t, probe
	}
	l.AnyValid = true
}

// absorbReading counts the stretch that ends with a valid reading of m.
func (e *Engine) absorbReading(l *lot, m *member, t sensor.Temp) {
	now := e.mem.Now
	had, seg := m.Has, segment{m.LastT, now, m.Last, t}
	from := span{m.left(), min(now, m.Until)}
	bridged := now-m.anchor() <= e.set.GapAllowance
	m.Has, m.LastT, m.Last = true, now, t
	switch {
	case from.B <= from.A:
	case had && bridged:
		e.count(l, m.Stage, seg, from)
	case bridged:
		// A probe that is plugged in, or comes round, moments after it was given to the lot: its first
		// reading speaks for those moments.
		e.count(l, m.Stage, segment{m.From, now, t, t}, from)
	default:
		e.countWhole(l, m.Stage, from)
	}
}

// count adds a known stretch to the lot's clocks.
func (e *Engine) count(l *lot, stage Purpose, s segment, within span) {
	code := e.code(l)
	if s.V0 >= code.HotLimit && s.V1 >= code.HotLimit {
		return
	}
	zone := s.between(code.ColdLimit, code.HotLimit).clip(within.A, within.B)
	if l.comingUp(stage) {
		l.ComeUp.add(zone.A, zone.B)
		up := s.between(code.ComeUpLow, code.ComeUpHigh).clip(within.A, within.B)
		l.ComeUpDanger.add(up.A, up.B)
	} else {
		l.Danger.add(zone.A, zone.B)
	}
	if l.hot(stage) {
		e.addBelow(l, s.between(sensor.MinTemp, code.HotLimit).clip(within.A, within.B))
	}
}

// countWhole adds a stretch of which nobody knows anything: whole, in every clock that can run against
// the lot.
func (e *Engine) countWhole(l *lot, stage Purpose, s span) {
	l.Unknown.add(s.A, s.B)
	l.stepUnknown = true
	if l.comingUp(stage) {
		l.ComeUp.add(s.A, s.B)
		l.ComeUpDanger.add(s.A, s.B)
	} else {
		l.Danger.add(s.A, s.B)
	}
	if l.hot(stage) {
		e.addBelow(l, s)
	}
}

func (e *Engine) addBelow(l *lot, s span) {
	if s.B <= s.A {
		return
	}
	l.stepBelow += l.Below.add(s.A, s.B)
	if l.firstBelow == never || s.A < l.firstBelow {
		l.firstBelow = s.A
	}
}

// charged is the danger-zone time that the verdict looks at.
func (l *lot) charged() time.Duration { return max(0, l.Danger.Total-l.Excused) }

// assumed is charged time with an open gap taken at its worst.
func (e *Engine) assumed(l *lot) time.Duration {
	c := l.charged()
	if l.OpenSince != never && !l.comingUp(l.Stage) {
		// What a probe that reads has counted meanwhile is not counted twice.
		c += e.mem.Now - l.OpenSince - l.Danger.covered(l.OpenSince, e.mem.Now)
	}
	return c
}

// open reports whether the lot is still watched.
func (l *lot) open() bool { return l.Ended == never }
