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
