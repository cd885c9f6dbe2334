package sensor

import (
	"fmt"
	"math"
)

// Temp is a temperature in thousandths of a degree Celsius. Limits and clocks compare integers, so that
// every machine decides alike.
type Temp int32

// MinTemp and MaxTemp bound what a Temp may hold: absolute zero, and the top of the hottest thermocouple
// type with room to spare.
const (
	MinTemp Temp = -273_150
	MaxTemp Temp = 2_500_000
)

// FromCelsius rounds c to the nearest thousandth, halves away from zero. ok is false for NaN, infinities
// and what lies outside MinTemp to MaxTemp.
func FromCelsius(c float64) (t Temp, ok bool) {
	// The range check comes first: converting an out-of-range float to an integer is not defined alike
	// on every machine. NaN fails both comparisons.
	if !(c >= float64(MinTemp)/1000 && c <= float64(MaxTemp)/1000) {
		return 0, false
	}
	return Temp(math.Round(c * 1000)), true
}

// FromFahrenheit is FromCelsius of a Fahrenheit temperature.
func FromFahrenheit(f float64) (Temp, bool) { return FromCelsius((f - 32) * 5 / 9) }

// FahrenheitLimit is a published limit of whole degrees Fahrenheit as a Temp, converted exactly as
// readings are.
func FahrenheitLimit(f int) Temp {
	t, ok := FromFahrenheit(float64(f))
	if !ok {
		panic(fmt.Sprintf("sensor: limit %d °F is no temperature", f))
	}
	return t
}

// Celsius gives t in °C.
func (t Temp) Celsius() float64 { return float64(t) / 1000 }

// Fahrenheit gives t in °F.
func (t Temp) Fahrenheit() float64 { return float64(t)*9/5000 + 32 }

// String gives t in °C with a tenth, such as "65.6 °C".
func (t Temp) String() string { return fmt.Sprintf("%.1f °C", t.Celsius()) }
