package condition

import "holdbell/sensor"

// Point is one comparison with a known temperature: what the probe read, and what was true.
type Point struct{ Read, True sensor.Temp }

// Calibration puts a probe's readings right by one straight line through its two points; where both points read
// the same it moves every reading alike, by what the first says. The zero value leaves a reading as it is.
type Calibration [2]Point

// Offset is the calibration that adds d to every reading.
func Offset(d sensor.Temp) Calibration { return Through(Point{0, d}) }

// Through is the calibration that a check at one or two points makes. The order of two does not matter.
func Through(first Point, second ...Point) Calibration {
	if len(second) > 0 {
		return Calibration{first, second[0]}
	}
	return Calibration{first, first}
}

// Correct gives the true temperature of a reading, rounded to the nearest thousandth, halves away from zero. It
// is all integers, so that every machine corrects alike. ok is false where the line leads out of what a Temp
// may be.
func (c *Calibration) Correct(t sensor.Temp) (sensor.Temp, bool) {
	low, high := c[0], c[1]
	v := int64(t) + int64(low.True) - int64(low.Read)
	if span := int64(high.Read) - int64(low.Read); span != 0 {
		// Temperatures are under 2^22 apart: no product of two comes near 2^63.
		rise := (int64(t) - int64(low.Read)) * (int64(high.True) - int64(low.True))
		v = int64(low.True) + rounded(rise, span)
	}
	if v < int64(sensor.MinTemp) || v > int64(sensor.MaxTemp) {
		return 0, false
	}
	return sensor.Temp(v), true
}

// rounded divides, halves away from zero.
func rounded(a, b int64) int64 {
	if b < 0 {
		a, b = -a, -b
	}
	half := b / 2
	if a < 0 {
		half = -half
	}
	return (a + half) / b
}
