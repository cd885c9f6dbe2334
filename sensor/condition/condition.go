// Package condition is the Engine's first stage: it calibrates a probe's reading and rejects what no
// food or air can do. It is pure: no clock, no I/O.
package condition

import (
	"time"

	"holdbell/sensor"
)

// Settings is how one probe is conditioned. The zero value passes everything.
type Settings struct {
	// Offset is added to every valid reading.
	Offset sensor.Temp
	// MaxSlew is the fastest true change, in thousandths of a degree Celsius a second, that the probe in
	// its place can show; 0 turns spike rejection off.
	MaxSlew sensor.Temp
	// Bridge is how long a run of rejected readings may last before the reading is believed: a filter
	// that goes on rejecting hides a true change.
	Bridge time.Duration
}

// Filter conditions one probe's readings. The zero value has seen none. Its fields are exported for the
// Engine's snapshot alone.
type Filter struct{}

// Pass conditions one reading.
func (f *Filter) Pass(s *Settings, elapsed time.Duration, r sensor.Reading) sensor.Reading {
	if !r.Valid() {
		return r
	}
	return calibrate(s, r)
}

// calibrate adds the offset. What that moves out of a sensor's range is a fault, not a temperature.
func calibrate(s *Settings, r sensor.Reading) sensor.Reading {
	t := int64(r.Temp) + int64(s.Offset)
	if t < int64(sensor.MinTemp) || t > int64(sensor.MaxTemp) {
		return sensor.Bad(sensor.Range)
	}
	return sensor.Reading{Temp: sensor.Temp(t)}
}
