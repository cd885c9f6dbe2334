// Package boiling says at what temperature pure water boils, from the pressure of the air or from the
// altitude: the second point at which a thermometer can be checked without another one. It is pure maths.
package boiling

import (
	"fmt"
	"math"

	"holdbell/sensor"
)

// SeaLevel is the pressure of the standard atmosphere at sea level in hPa (ISO 2533, ICAO Doc 7488).
const SeaLevel = 1013.25

// The bounds of what is taken. Kitchens lie between the shore of the Dead Sea and the highest towns, at
// 5,100 m; weather moves the pressure by a few per cent.
const (
	minPressure = 500  // hPa
	maxPressure = 1100 // hPa
	minAltitude = -500 // m
	maxAltitude = 5500 // m
)

// AtPressure is the boiling point of pure water at a station pressure in hPa: what a barometer shows at the
// place itself, not what a forecast reduces to sea level. It is an error outside 500 to 1100 hPa.
//
// IAPWS-IF97 (2007 revision), section 8.2, equation 31: the backward equation of the saturation line, good to
// 0.025 K there.
func AtPressure(hPa float64) (sensor.Temp, error) {
	if !(hPa >= minPressure && hPa <= maxPressure) {
		return 0, fmt.Errorf("%g hPa is no pressure of a kitchen; give the barometer's own reading at the place, from %d to %d hPa", hPa, minPressure, maxPressure)
	}
	t, ok := sensor.FromCelsius(saturation(hPa/1e4) - 273.15)
	if !ok {
		return 0, fmt.Errorf("%g hPa gives no temperature", hPa)
	}
	return t, nil
}

// AtAltitude is the boiling point at an altitude in metres by the standard atmosphere. The weather of the day
// moves it by about half a degree Celsius. It is an error outside -500 to 5500 m.
func AtAltitude(m float64) (sensor.Temp, error) {
	if !(m >= minAltitude && m <= maxAltitude) {
		return 0, fmt.Errorf("%g m is no altitude of a kitchen; give it from %d to %d m", m, minAltitude, maxAltitude)
	}
	return AtPressure(Standard(m))
}

// Standard is the pressure of the standard atmosphere in hPa at an altitude in metres, below 11 km (ICAO Doc
// 7488: 288.15 K at sea level, falling by 6.5 K a kilometre).
func Standard(m float64) float64 {
	return SeaLevel * math.Pow(1-2.25577e-5*m, 5.25588)
}

// saturation gives the temperature in K at which water and steam are in balance at a pressure in MPa, from
// 0.000611 to 22.06 (IAPWS-IF97, equations 29b, 30 and 31, with the coefficients of table 34).
func saturation(mpa float64) float64 {
	const (
		n1  = 0.11670521452767e4
		n2  = -0.72421316703206e6
		n3  = -0.17073846940092e2
		n4  = 0.12020824702470e5
		n5  = -0.32325550322333e7
		n6  = 0.14915108613530e2
		n7  = -0.48232657361591e4
		n8  = 0.40511340542057e6
		n9  = -0.23855557567849
		n10 = 0.65017534844798e3
	)
	beta := math.Pow(mpa, 0.25)
	square := beta * beta
	e := square + float64(n3*beta) + n6
	f := float64(n1*square) + float64(n4*beta) + n7
	g := float64(n2*square) + float64(n5*beta) + n8
	d := 2 * g / (-f - math.Sqrt(float64(f*f)-float64(4*e*g)))
	root := float64((n10 + d) * (n10 + d))
	return (n10 + d - math.Sqrt(root-float64(4*(n9+float64(n10*d))))) / 2
}
