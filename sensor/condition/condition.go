// Package condition is the Engine's first stage: it calibrates a probe's reading and rejects what no
// food or air can do. It passes a reading unaltered, after calibration, or rejects it; it never smooths
// and never shifts. It is pure: no clock, no I/O.
package condition

import (
	"time"

	"holdbell/sensor"
)

// Settings is how one probe is conditioned. The zero value passes everything.
type Settings struct {
	// Calibration corrects every valid reading.
	Calibration Calibration
	// MaxSlew is the fastest true change, in thousandths of a degree Celsius a second, that the probe in
	// its place can show; 0 turns spike rejection off.
	MaxSlew sensor.Temp
	// Bridge is how long readings that agree with each other, and not with those before, are rejected
	// before they are believed: a filter that goes on rejecting hides a true change. A probe read less
	// often than this is never rejected; 0 rejects nothing.
	Bridge time.Duration
}

// Default is what suits a kitchen and leaves every true swing of the recorded fires in testdata alone: no
// change over 20 °C a second, and at most 5 s of doubt. The fastest true change there is 5.9 °C between
// two samples one second apart; the dropouts are 50 to 340 °C. A bare thermocouple moved from a roast
// into air can beat the limit for a second or two; then it slows down and comes into reach, or Bridge is
// over.
func Default() Settings { return Settings{MaxSlew: 20_000, Bridge: 5 * time.Second} }

// jitter is what two readings may differ by at any pace, in thousandths of a degree Celsius: eight steps
// of a MAX31855 (datasheet p. 10: 0.25 °C), so that fast sampling does not make a slope of a step.
const jitter = 2000

// drift is the part of MaxSlew at which the true temperature is taken to go on behind rejected readings,
// for Bridge at most: a burst of dropouts must not come into reach by lasting.
const drift = 4

// Filter rejects the jumps of one probe. It holds a reading against the last believed one, the anchor,
// and against the one just before, so that a true step is believed in the end. The zero value has seen
// nothing. The fields are exported for the Engine's snapshot alone.
type Filter struct {
	Seen   bool          `json:",omitempty"` // there is an anchor
	Temp   sensor.Temp   `json:",omitempty"` // the anchor, calibrated
	At     time.Duration `json:",omitempty"`
	Lone   bool          `json:",omitempty"` // nothing has agreed with the anchor yet
	Prev   sensor.Temp   `json:",omitempty"` // the last valid reading, believed or not
	PrevAt time.Duration `json:",omitempty"`
	Since  time.Duration `json:",omitempty"` // the readings up to Prev have agreed with each other since
}

// Pass conditions one reading taken at elapsed, a time that never runs back. The result is the fault that
// came in, the calibrated reading, Range where the offset leads out of what a Temp may be, or Spike.
//
// Spike is a reading further from the anchor than MaxSlew allows for the time since the reading before,
// unless the readings have agreed with each other for Bridge. The first reading, and the first after
// Bridge without any, is believed: nothing speaks against it. Nothing speaks for it either, so if the
// next two agree on something else, they are believed.
func (f *Filter) Pass(s *Settings, elapsed time.Duration, r sensor.Reading) sensor.Reading {
	if !r.Valid() {
		return r
	}
	r = s.Corrected(r)
	if !r.Valid() || s.MaxSlew <= 0 {
		return r
	}
	step := max(elapsed-f.PrevAt, 0)
	fresh := !f.Seen || step >= s.Bridge
	hidden := min(f.PrevAt-f.At, s.Bridge) // how long rejected readings have hidden the true one
	agrees := within(r.Temp, f.Prev, jitter+slope(s, step))
	near := f.Seen && within(r.Temp, f.Temp, jitter+slope(s, step)+slope(s, hidden)/drift)
	if fresh || !agrees {
		f.Since = elapsed
	}
	f.Prev, f.PrevAt = r.Temp, elapsed
	if !fresh && !near && elapsed-f.Since < s.Bridge && !(f.Lone && agrees) {
		return sensor.Bad(sensor.Spike)
	}
	f.Seen, f.Temp, f.At, f.Lone = true, r.Temp, elapsed, fresh && !near
	return r
}

// Corrected is the reading after calibration, before anything is rejected. What that moves out of a Temp's
// range is a fault, not a temperature.
func (s *Settings) Corrected(r sensor.Reading) sensor.Reading {
	if !r.Valid() {
		return r
	}
	t, ok := s.Calibration.Correct(r.Temp)
	if !ok {
		return sensor.Bad(sensor.Range)
	}
	return sensor.Reading{Temp: t}
}

// slope is how far MaxSlew leads in d, in thousandths of a degree Celsius. The month keeps the product
// within 64 bits.
func slope(s *Settings, d time.Duration) int64 {
	const month = 30 * 24 * time.Hour
	return int64(s.MaxSlew) * min(d, month).Milliseconds() / 1000
}

func within(a, b sensor.Temp, reach int64) bool {
	d := int64(a) - int64(b)
	return -reach <= d && d <= reach
}
