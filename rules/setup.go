package rules

import (
	"slices"
	"strings"
	"time"

	"holdbell/sensor"
	"holdbell/sensor/condition"
)

// Purpose is what a station is for; a lot's stage is its station's purpose.
type Purpose string

// The purposes, in the words of the food code.
const (
	Cooking     Purpose = "cooking"
	HotHolding  Purpose = "hot-holding"
	Cooling     Purpose = "cooling"
	ColdHolding Purpose = "cold-holding"
	Reheating   Purpose = "reheating"
	TimeControl Purpose = "time-control"
)

// Purposes lists every purpose.
func Purposes() []Purpose {
	return []Purpose{Cooking, HotHolding, Cooling, ColdHolding, Reheating, TimeControl}
}

// Units is how temperatures are written for people.
type Units string

// The two units.
const (
	Fahrenheit Units = "fahrenheit"
	Celsius    Units = "celsius"
)

// Setup is all that the Engine is told before its first sweep. It is not changed afterwards; a new
// configuration arrives as a Notice.
type Setup struct {
	Site         string
	Units        Units
	GapAllowance time.Duration // a gap between valid readings up to this is interpolated
	KeepEnded    time.Duration // how long an ended lot is still shown; 0 means 24 h
	Code         Code
	GuardBand    bool // limits move by the accuracy of a lot's worst probe
	// CookingPlan names the variance or the plan under which a published lethality table proves a cook; empty
	// without one: the tables then only advise.
	CookingPlan string
	// GrowthLimit is the kitchen's own limit of predicted growth in powers of ten; 0 without one.
	GrowthLimit float64
	Probes      []ProbeSetup // in sweep order
	Stations    []StationSetup
	Alarms      map[AlarmName]AlarmSetup // what differs from DefaultAlarms
	Shift       *Shift                   // outside it reminders sleep; nil: they never do
	// HandAccuracy is the half-width that the kitchen's hand thermometer can claim; 0 means ±1 °C, what a
	// food thermometer must keep (FDA Food Code 2022 4-203.11(A)).
	HandAccuracy sensor.Temp
}

// ProbeSetup is one probe as the rules see it.
type ProbeSetup struct {
	Name      string
	Condition condition.Settings
	// Accuracy is the half-width that the chain of probe and chip can claim; 0 when unknown, taken as
	// ±2.2 °C (ASTM E230, standard tolerance of type K from 0 to 293 °C).
	Accuracy sensor.Temp
	// CalibrateEvery is after how long a calibration is old; 0 never.
	CalibrateEvery time.Duration
	// Calibrated is the day of the calibration that Condition holds, at its midnight in UTC; zero when nobody wrote it.
	Calibrated time.Time
}

// StationSetup is one station. Air and Food are indexes into Setup.Probes; Air is -1 without one.
type StationSetup struct {
	Name     string
	Purpose  Purpose
	Air      int
	Food     []int
	Setpoint *sensor.Temp
	Band     *Band
	Oven     Oven                     // of a cooking station; empty when nobody said
	Alarms   map[AlarmName]AlarmSetup // this station's own, over Setup.Alarms
	TooHot   *TooHot                  // of hot holding; nil for common practice
	// ProbesApart is how far two probes in the food held here may lie apart beyond both accuracies; nil 3 °C, less
	// than zero: they are not compared.
	ProbesApart *sensor.Temp
	// Reminders want something done at intervals; no two say the same.
	Reminders []Reminder
}

// Band is the range in which a station's air ought to stay.
type Band struct{ Low, High sensor.Temp }

// AlarmName is a kind of alarm.
type AlarmName string

// The alarms.
const (
	BelowHotLimit    AlarmName = "below-hot-limit"
	DangerTime       AlarmName = "danger-time"
	OutOfBand        AlarmName = "out-of-band"
	TimeControlEnded AlarmName = "time-control-ended"
	ProbeFault       AlarmName = "probe-fault"
	ProbeStuck       AlarmName = "probe-stuck"
	RecordTrouble    AlarmName = "record-trouble"
	LimitAhead       AlarmName = "limit-ahead"
	DoorOpen         AlarmName = "door-open"
	FireFalling      AlarmName = "fire-falling"
	ComeUpLate       AlarmName = "come-up-late"
	CheckDue         AlarmName = "check-due"
	ProbesDisagree   AlarmName = "probes-disagree"
	AboveColdLimit   AlarmName = "above-cold-limit"
	CoolingLate      AlarmName = "cooling-late"
	ReheatLate       AlarmName = "reheat-late"
	ClockDoubt       AlarmName = "clock-doubt"
	MainsLost        AlarmName = "mains-lost"
)

// Words is an alarm's name as it stands within a sentence. The glossary has the same, with what it tells.
func (a AlarmName) Words() string {
	switch a {
	case DangerTime:
		return "danger-zone time"
	case ReheatLate:
		return "reheating late"
	case ClockDoubt:
		return "clock in doubt"
	case ComeUpLate:
		return "come-up late"
	}
	return strings.ReplaceAll(string(a), "-", " ")
}

// Priority is how much an alarm matters.
type Priority string

// The priorities, least first.
const (
	Advice   Priority = "advice"
	Warning  Priority = "warning"
	Critical Priority = "critical"
)

// Rank orders priorities: advice 1, warning 2, critical 3, anything else 0.
func (p Priority) Rank() int {
	switch p {
	case Advice:
		return 1
	case Warning:
		return 2
	case Critical:
		return 3
	}
	return 0
}

// AlarmSetup is how one alarm is raised, cleared and repeated. In an override a nil field keeps the
// default.
type AlarmSetup struct {
	RaiseDelay *time.Duration // from the interpolated crossing
	ClearDelay *time.Duration
	Hysteresis *sensor.Temp
	Repeat     *time.Duration // until acknowledged; 0 never repeats
	Priority   *Priority
}

// Place is the first station that names a probe, and the probe's role there, "air" or "food"; both empty where none does.
func (s *Setup) Place(probe int) (station, role string) {
	for i := range s.Stations {
		switch st := &s.Stations[i]; {
		case st.Air == probe:
			return st.Name, "air"
		case slices.Contains(st.Food, probe):
			return st.Name, "food"
		}
	}
	return "", ""
}
