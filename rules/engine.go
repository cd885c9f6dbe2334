package rules

import (
	"errors"
	"fmt"
	"time"

	"holdbell/rules/forecast"
	"holdbell/sensor"
	"holdbell/sensor/condition"
)

// armDelay is how long a station must be at its limit before it watches on its own: an empty cabinet
// that warms up rings nobody (common practice).
const armDelay = 5 * time.Minute

// keepEnded is how long an ended lot is still shown, unless Setup.KeepEnded says otherwise.
const keepEnded = 24 * time.Hour

// keepAtMost is how long an ended lot is kept for an alarm that nobody acknowledges.
const keepAtMost = 7 * 24 * time.Hour

// maxIDs is how many mark ids the Engine remembers; the ledger remembers them all.
const maxIDs = 64

// Engine turns Inputs into Events. It is a value in one goroutine's hands: no method may be called while
// another runs.
type Engine struct {
	set      Setup
	variants []variant
	specs    [][]spec // by station (the board last), by alarm index
	mem      memory

	air    []int // each station's air probe
	airFor []int // each probe's air where its lot is now; -1 where none is
	tables tables
	read   []sensor.Reading // this sweep, conditioned
	out    []Event
	calm   []bool         // by probe, in the hour that is over; scratch of the cross-check
	group  []int          // the same: the probes being compared,
	means  []sensor.Temp  // and what the others of them read
	was    sensor.Instant // the sweep before's
	lost   bool           // the gap before this sweep has an unknown length
	gap    bool           // it was longer than the allowance
}

// memory is all that an Engine remembers between steps: exactly what a snapshot holds.
type memory struct {
	Started  bool
	Now      time.Duration // the Engine's own time; it never steps back
	Prev     time.Duration
	At       sensor.Instant
	Seq      uint64
	Sweeps   uint64
	Probes   []probe
	Stations []station
	Lots     []*lot
	Hour     int64 `json:",omitempty"` // in which probes are being compared
	Record   alarm // record-trouble
	Trouble  bool
	Supply   Supply `json:",omitempty"` // the board's own
	Clock    clock  `json:",omitzero"`
	Mains    mains  `json:",omitzero"`
	IDs      []string
	Facts    []fact
}

type probe struct {
	Name    string
	Filter  condition.Filter
	Raw     sensor.Reading
	Last    sensor.Temp // last valid, conditioned
	LastT   time.Duration
	LastAt  sensor.Instant
	Faults  [sensor.NumFaults]uint64
	Valid   uint64
	Min     sensor.Temp
	Max     sensor.Temp
	Sum     float64
	BadFrom time.Duration // first reading of the present run of bad ones; never while valid
	BadKind sensor.Fault
	Cur     sensor.Reading // this sweep's, conditioned; a snapshot carries it to the next step

	FlatFrom   time.Duration // the raw reading has not changed since then
	FlatRaw    sensor.Temp
	FlatBeside sensor.Reading // its neighbour's, when the flat line began
	Rest       restless       `json:",omitzero"`

	Bounce     bounce `json:",omitzero"`
	AlarmFault alarm
	AlarmStuck alarm

	Fit        fit    `json:",omitzero"`
	Apart      *apart `json:",omitempty"` // a hand check that the probe contradicts
	Cross      cross  `json:",omitzero"`
	AlarmApart alarm  `json:",omitzero"`

	Checks []checked `json:",omitempty"` // against known temperatures: the newest, and one far from it
	// Dated is when the day DatedDay of the configured calibration was, once the wall clock was believed.
	Dated    time.Duration `json:",omitempty"`
	DatedDay time.Time     `json:",omitzero"`
	AlarmCal alarm         `json:",omitzero"`

	// Ahead forecasts food held hot; nil for a probe that speaks for none.
	Ahead *forecast.Model `json:",omitempty"`

	before sensor.Reading // the sweep before's, conditioned
	prior  sensor.Temp    // Last and LastT as they were before this sweep
	priorT time.Duration
}

type station struct {
	Name         string
	Armed        bool
	ArmedAt      sensor.Instant
	AtLimit      time.Duration // at its limit since then
	MustDrop     bool          // closed while hot: must have been below its limit before it arms again
	BandSeen     bool          // has been in its band since it was armed
	ArmedT       time.Duration
	OutOfService bool
	OutFor       string         `json:",omitempty"` // why, in the person's words
	OutAt        sensor.Instant `json:",omitzero"`
	Unproven     bool           `json:",omitempty"` // back in service, and not yet proven hot
	ProvingFrom  time.Duration  `json:",omitempty"` // at its limit since then, while unproven
	AlarmBand    alarm

	Air       airWatch       `json:",omitzero"`
	Door      door           `json:",omitzero"`
	Fire      *forecast.Fire `json:",omitempty"`
	FireLeft  time.Duration  `json:",omitempty"` // until the band is left, as forecast; never when nobody knows
	Swing     swing          `json:",omitzero"`
	Opened    bool           `json:",omitempty"` // its door was, in the hour in which probes are compared
	AlarmDoor alarm          `json:",omitzero"`
	AlarmFire alarm          `json:",omitzero"`

	Due      []dueClock `json:",omitempty"` // a station's reminders, as the configuration lists them
	DueTimes int        `json:",omitempty"` // how often they have fallen due and were not done
	DueRank  int        `json:",omitempty"` // the same, and never less while the alarm stands
	AlarmDue alarm      `json:",omitzero"`
}

// New builds an Engine that has seen nothing yet. The errors name what in the setup cannot be.
func New(s Setup) (*Engine, error) {
	e := &Engine{set: s}
	if err := e.prepare(); err != nil {
		return nil, err
	}
	e.mem.Now, e.mem.Prev = 0, 0
	for _, p := range s.Probes {
		e.mem.Probes = append(e.mem.Probes, newProbe(p.Name))
	}
	for _, st := range s.Stations {
		e.mem.Stations = append(e.mem.Stations, station{Name: st.Name, AtLimit: never, ArmedT: never})
	}
	e.modelled()
	e.heatModels()
	e.setReminders()
	e.recross()
	return e, nil
}

func newProbe(name string) probe {
	return probe{Name: name, LastT: never, BadFrom: never, FlatFrom: never, Cur: sensor.Bad(sensor.Stale)}
}

func (e *Engine) prepare() error {
	s := &e.set
	if s.GapAllowance <= 0 {
		return errors.New("rules: the gap allowance must be longer than zero")
	}
	if s.KeepEnded <= 0 {
		s.KeepEnded = keepEnded
	}
	if s.Code.HotLimit <= s.Code.ColdLimit {
		return fmt.Errorf("rules: the hot limit %v must lie above the cold limit %v", s.Code.HotLimit, s.Code.ColdLimit)
	}
	for _, st := range s.Stations {
		for _, p := range append([]int{st.Air}, st.Food...) {
			if p < -1 || p >= len(s.Probes) {
				return fmt.Errorf("rules: station %s names probe number %d of %d", st.Name, p, len(s.Probes))
			}
		}
	}
	for i := range s.Stations {
		for _, r := range s.Stations[i].Reminders {
			if r.Every <= 0 || r.Say == "" {
				return fmt.Errorf("rules: a reminder of station %s needs something to say and an interval", s.Stations[i].Name)
			}
		}
		e.specs = append(e.specs, specsFor(s.Alarms, s.Stations[i].Alarms))
		e.air = append(e.air, s.Stations[i].Air)
	}
	e.specs = append(e.specs, specsFor(s.Alarms, nil))
	e.makeVariants()
	e.tables = newTables()
	e.read = make([]sensor.Reading, len(s.Probes))
	e.airFor = make([]int, len(s.Probes))
	e.calm = make([]bool, len(s.Probes))
	e.group = make([]int, 0, len(s.Probes))
	e.means = make([]sensor.Temp, 0, len(s.Probes))
	e.stand()
	return nil
}

// Alarmed reports whether the condition of an alarm holds that is more than an advice. An advice, such as a check
// that is due or a clock that nobody has set, may stand for weeks and be left standing: the record is then written
// as in quiet times, which spares the card. What it tells of costs no food while the record is a minute behind.
func (e *Engine) Alarmed() bool {
	found := false
	e.eachAlarm(func(a *alarm) { found = found || a.Active && a.Priority != Advice })
	return found
}

// Step takes one Input and returns what it decided, in order; the slice is the Engine's own and valid
// until the next Step. A step in which nothing happens allocates nothing.
func (e *Engine) Step(in Input) []Event {
	e.out = e.out[:0]
	e.advance(in.Sweep.At)
	e.condition(in.Sweep.Readings)
	e.foresee()
	if e.gap {
		e.afterGap()
	}
	e.readClock()
	for i := range in.Notices {
		e.notice(&in.Notices[i])
	}
	for i := range in.Marks {
		m := in.Marks[i] // a copy: the input is the caller's, and what the ledger records
		e.mark(&m)
	}
	for _, l := range e.mem.Lots {
		if l.open() || len(l.Members)+len(l.Silent) > 0 {
			e.absorb(l)
			e.follow(l)
			e.advise(l)
			e.followCook(l)
			e.propose(l)
		}
	}
	for i := range e.mem.Stations {
		e.sumAir(i)
		e.watchDoor(i)
		e.watchFire(i)
		e.watchStation(i)
		e.watchDue(i)
	}
	for _, l := range e.mem.Lots {
		if l.open() {
			e.judgeLot(l)
		} else {
			e.restLot(l)
		}
		e.followStay(l)
		e.noteStay(l)
	}
	e.crossCheck()
	e.watchProbes()
	e.watchRecord()
	e.watchMains()
	e.forget()
	return e.out
}

// maxDoubt is how far a wall clock that is not believed may say that the power was off: a clock that was
// never set is off by decades, which is no news about the food.
const maxDoubt = 7 * 24 * time.Hour

// advance moves the Engine's own time to the sweep. Within a boot the monotonic clock says how far; over
// a restart of the board the wall clocks do, if both are believed and it took time at all; else the length
// is unknown, and the gap is taken as longer than the allowance.
func (e *Engine) advance(at sensor.Instant) {
	m := &e.mem
	e.lost, e.gap, e.was = false, false, m.At
	m.Sweeps++
	if !m.Started {
		m.Started, m.At = true, at
		return
	}
	d, known := at.Sub(m.At)
	if !known || at.Boot != m.At.Boot && d <= 0 {
		e.lost = true
		if d > maxDoubt {
			d = 0
		}
		d = max(d, e.set.GapAllowance+time.Second)
	}
	d = max(d, 0)
	e.gap = d > e.set.GapAllowance
	m.Prev = m.Now
	m.Now += d
	m.At = at
}

// instant labels a moment of the Engine's own time.
func (e *Engine) instant(t time.Duration) sensor.Instant { return e.mem.At.Add(t - e.mem.Now) }

// moment is when a mark entered: its own time, held within the stretch since the sweep before. One that
// arrived just before a power-off of unknown length counts from the sweep before it.
func (e *Engine) moment(at sensor.Instant) time.Duration {
	t := e.mem.Now
	if d, known := at.Sub(e.mem.At); known {
		t += d
	} else if d, known := at.Sub(e.was); known {
		t = e.mem.Prev + d
	}
	return min(max(t, e.mem.Prev), e.mem.Now)
}

// condition runs the first stage and keeps each probe's figures.
func (e *Engine) condition(raw []sensor.Reading) {
	for i := range e.mem.Probes {
		p := &e.mem.Probes[i]
		r := sensor.Bad(sensor.Stale)
		if i < len(raw) {
			r = raw[i]
		}
		p.Raw = r
		r = p.Filter.Pass(&e.set.Probes[i].Condition, e.mem.Now, r)
		e.read[i] = r
		p.before, p.Cur = p.Cur, r
		p.prior, p.priorT = p.Last, p.LastT
		p.note(r, e.mem.Now, e.mem.At)
		p.Bounce.note(r.Fault, e.mem.Now, p.BadFrom)
	}
}

func (p *probe) note(r sensor.Reading, now time.Duration, at sensor.Instant) {
	if !r.Valid() {
		p.Faults[r.Fault]++
		if p.BadFrom == never {
			p.BadFrom = now
		}
		p.BadKind = r.Fault
		return
	}
	p.BadFrom = never
	if p.Valid == 0 || r.Temp < p.Min {
		p.Min = r.Temp
	}
	if p.Valid == 0 || r.Temp > p.Max {
		p.Max = r.Temp
	}
	p.Valid++
	// The explicit conversion keeps arm64 from fusing the multiplication with the addition.
	p.Sum += float64(r.Temp.Celsius())
	p.Last, p.LastT, p.LastAt = r.Temp, now, at
}

// emit appends an event decided by this sweep.
func (e *Engine) emit(ev Event) *Event {
	e.mem.Seq++
	ev.Seq, ev.At = e.mem.Seq, e.mem.At
	if ev.Since.IsZero() {
		ev.Since = ev.At
	}
	e.out = append(e.out, ev)
	return &e.out[len(e.out)-1]
}

// stationName is the name of a station by index; the daemon's own station is "board".
func (e *Engine) stationName(i int) string {
	if i < 0 || i >= len(e.set.Stations) {
		return board
	}
	return e.set.Stations[i].Name
}

const board = "board"

// notice takes what the daemon says of itself.
func (e *Engine) notice(n *Notice) {
	switch n.Kind {
	case LedgerTrouble:
		e.mem.Trouble = true
	case LedgerFine:
		e.mem.Trouble = false
	case SupplyLow:
		e.mem.Supply = SupplyIsLow
	case SupplyFine:
		e.mem.Supply = SupplyIsFine
	case SupplyUnknown:
		e.mem.Supply = ""
	case MainsOff, MainsOn, MainsUnknown:
		e.mem.Mains.Says = n.Kind
	}
}

// forget drops lots that ended long ago and whose alarms are over.
func (e *Engine) forget() {
	keep := e.mem.Lots[:0]
	for _, l := range e.mem.Lots {
		quiet := l.quiet()
		age := e.mem.Now - l.Ended
		if !l.open() && age > e.set.KeepEnded && (quiet || age > keepAtMost) {
			continue
		}
		keep = append(keep, l)
	}
	clear(e.mem.Lots[len(keep):])
	e.mem.Lots = keep
}
