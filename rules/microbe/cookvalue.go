package microbe

import (
	"math"
	"time"

	"holdbell/sensor"
)

// The cook value is the integral of 10^((T-100)/33) over time, T in °C: the minutes at 100 °C that would have done as
// much to the eating quality (Mansfield 1962 named it; a reference of 100 °C and z = 33 °C are what the literature of
// food engineering commonly takes; from memory, no source was at hand). It says nothing about safety.
const (
	cookRef sensor.Temp = 100_000
	cookLn              = math.Ln10 / 33_000 // what a thousandth of a °C adds to the rate's natural logarithm
	// Under 40 °C a minute is worth less than a second: nothing is reckoned there, so that a day in the chiller adds
	// nothing (our own cut).
	cookStart sensor.Temp = 40_000
)

// CookValue is C100 with z = 33 °C, in seconds at 100 °C. The zero value is ready. Give it the lowest reading of the
// lot; a gap without readings must not be added.
type CookValue struct {
	Seconds float64 `json:"seconds"`
}

// Add counts dt, over which the food went from one temperature to the other in a straight line: the exact integral
// over the line. A dt of zero or less, and a line that begins or ends under 40 °C, count nothing.
func (c *CookValue) Add(dt time.Duration, from, to sensor.Temp) {
	if dt <= 0 || min(from, to) < cookStart {
		return
	}
	h := float64(float64(int64(to)-int64(from)) * (cookLn / 2))
	half := float64(float64(int64(from)+int64(to)) / 2)
	mid := exp(float64((half - float64(cookRef)) * cookLn))
	mean := float64(mid * sinhc(float64(h*h)))
	if h > 0.25 || h < -0.25 {
		mean = float64(mid*(exp(h)-exp(-h))) / float64(2*h)
	}
	c.Seconds += float64(float64(dt) / 1e9 * mean)
}

// Minutes is the cook value in minutes at 100 °C, as it is told.
func (c *CookValue) Minutes() float64 { return c.Seconds / 60 }
