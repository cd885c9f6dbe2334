package rules

import (
	"time"

	"holdbell/sensor"
)

// Verdict is what the rules advise about a lot. It is advice with its citation, never permission.
type Verdict string

// The verdicts.
const (
	OK      Verdict = "ok"
	Act     Verdict = "act"
	Discard Verdict = "discard"
)

// AlarmStatus is the state of an alarm by ANSI/ISA-18.2.
type AlarmStatus string

// The alarm states. A normal alarm is not listed in State.
const (
	Normal         AlarmStatus = "normal"
	Unacknowledged AlarmStatus = "unacknowledged"
	Acknowledged   AlarmStatus = "acknowledged"
	Returned       AlarmStatus = "returned" // to normal, unacknowledged
	Shelved        AlarmStatus = "shelved"
	OutOfService   AlarmStatus = "out-of-service"
)

// State is everything that the Engine knows, for publishers to show. It is a copy: nothing in it
// changes after it was handed out.
type State struct {
	Site     string
	Units    Units
	At       sensor.Instant
	Seq      uint64 // of the newest event
	Sweeps   uint64
	Supply   Supply // the board's own
	Probes   []ProbeState
	Stations []StationState
	// Lots are the open ones, then the ended ones still shown, each in order of loading. An ended one may
	// share its name with an open one: a station's own lot that a power-off ended stays to be checked.
	Lots   []LotState
	Alarms []AlarmState // all that are not normal, oldest first
}

// Supply is how the board's own supply is; empty where its kernel does not say.
type Supply string

// The two.
const (
	SupplyIsFine Supply = "fine"
	SupplyIsLow  Supply = "low"
)

// ProbeState is one probe: as it read, corrected by its calibration, and as conditioning passed it.
type ProbeState struct {
	Name      string
	Station   string // the first station that uses it; empty when none does
	Role      string // "air", "food" or ""
	Raw       sensor.Reading
	Corrected sensor.Reading
	Reading   sensor.Reading
	Rejected  string         // why Reading is not Corrected, a whole sentence; empty when it is
	LastValid sensor.Instant // zero: never
	Faults    [sensor.NumFaults]uint64
	Valid     uint64
	Min, Max  sensor.Temp // of the valid readings, when Valid > 0
	Sum       float64     // of the valid readings in °C
	// Calibration is the newest check against a known temperature, nil when none is on record; Second is the
	// newest one far enough from it for a straight line through both.
	Calibration, Second *CalibrationState
}

// StationState is one station.
type StationState struct {
	Name         string
	Purpose      Purpose
	Armed        bool
	OutOfService bool
	Air          string // probe names
	Food         []string
	Setpoint     *sensor.Temp
	Band         *Band
	// AirTemp is the air probe's valid reading, nil while it has none.
	AirTemp *sensor.Temp
	// LimitAhead is how soon the first lot here will fall to the hot limit, as forecast; nil when nobody
	// knows or nothing falls.
	LimitAhead *time.Duration
	// Kept is how the air was kept since the station was armed; nil while it is not.
	Kept *AirFigures
	// DoorOpen is since when its door seems to stand open, by its air; zero while it does not.
	DoorOpen sensor.Instant
	// Recovery is how long the air took to come back after its door was last shut; nil when it never was.
	Recovery  *time.Duration
	Reminders []ReminderState
}

// LotState is one lot.
type LotState struct {
	Lot      string
	Food     string
	Station  string
	Stage    Purpose
	Standing bool // the station's own lot, nobody marked it
	Ended    bool
	Begun    sensor.Instant
	EndedAt  sensor.Instant // zero while it is open
	Probes   []string       // the probes that speak for it
	// Temp is the reading that decides: the lowest when held hot, the highest when held cold. nil while
	// no probe of the lot is valid.
	Temp  *sensor.Temp
	Probe string // the probe whose reading Temp is

	Verdict  Verdict
	Action   string         // what to do now, a whole sentence; empty when ok
	Deadline sensor.Instant // zero: none
	Basis    string
	Text     string // the verdict in one whole sentence

	DangerZone      time.Duration
	Charged         time.Duration // what the verdict looks at
	DangerLimit     time.Duration // charged time at which the verdict becomes discard
	BelowHotLimit   time.Duration
	ComeUp          time.Duration
	ComeUpDanger    time.Duration // the part of ComeUp between the code's come-up bounds
	Unknown         time.Duration
	UnknownSince    sensor.Instant // zero: no gap is open
	UnknownLength   bool           // a power-off of unknown length lies in this lot's life
	TimeControlEnds sensor.Instant // zero: not under time control
	LastCheck       sensor.Instant // zero: no hand check since loading
	CookSeen        bool           // it was loaded into a cooking station
	Served          sensor.Instant // the latest serve mark; zero: none
	Proposal        string         // a stage that the readings speak of, and the mark to make; empty: none

	Cook      *CookState  // nil where it does not apply
	CookValue float64     // C100 in minutes, z = 33 °C, from loading on
	Made      Made        // "": cooked here, or nobody said
	Guard     sensor.Temp // by how much its limits are moved for the accuracy of its probe

	Lethality *LethalityState // nil when its cooking was not seen
	Growth    *GrowthState    // nil while it comes up
	Cooling   *CoolingState
	Reheating *ReheatingState

	Stays []StayState // where it has been, oldest first
}

// RunResult is how a cooling or reheating run stands.
type RunResult string

// The results.
const (
	Running RunResult = "running"
	Pass    RunResult = "pass"
	Fail    RunResult = "fail"
)

// CoolingState is a lot's latest cooling run. A stage not reached yet is negative.
type CoolingState struct {
	Started sensor.Instant
	Stage1  time.Duration
	Stage2  time.Duration
	Result  RunResult
	Basis   string    // of the present leg, or the last
	Late    bool      // cooling-late stands
	Leg     *LegState // the present leg; nil when the run is over
	Finish  *LegState // the whole run
}

// ReheatingState is a lot's latest reheating run. Reached is negative until the target was proven.
type ReheatingState struct {
	Started sensor.Instant
	Reached time.Duration
	Result  RunResult
	Basis   string
	Late    bool      // reheat-late stands
	Finish  *LegState // nil when the run is over
}

// AlarmState is one alarm that is not normal.
type AlarmState struct {
	Seq          uint64 // of the event that raised it
	Alarm        AlarmName
	Station      string
	Lot          string
	Probe        string
	Priority     Priority
	Status       AlarmStatus
	Active       bool // the condition holds
	ValueUnknown bool // active, and no valid reading says how it stands
	Since        sensor.Instant
	Raised       sensor.Instant
	Acknowledged sensor.Instant
	AckBy        string
	Cleared      sensor.Instant
	Until        sensor.Instant // end of shelving
	Worst        *sensor.Temp
	Text         string
}

// Subject is what the alarm is about, for a topic or a key: the lot, else the probe, else "-".
func (a *AlarmState) Subject() string { return subject(a.Lot, a.Probe) }

// Subject is the same for an event.
func (e *Event) Subject() string { return subject(e.Lot, e.Probe) }

func subject(lot, probe string) string {
	switch {
	case lot != "":
		return lot
	case probe != "":
		return probe
	}
	return "-"
}
