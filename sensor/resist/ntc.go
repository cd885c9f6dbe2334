package resist

import (
	"errors"
	"fmt"
	"math"
)

// What a thermistor of a kitchen may be at: the range that glass beads and food probes are made for, °C, and
// resistances beyond which a lead is broken or shorted, Ω (both common practice).
const (
	ntcLowest  = -60
	ntcHighest = 350
	ntcLeast   = 1.0
	ntcMost    = 20e6
)

// Between these lies the beta of every thermistor at every temperature, with room to spare, K: parts are sold
// from 2000 to 5500 (common practice).
const (
	leastBeta = 800
	mostBeta  = 20_000
)

const kelvin = 273.15

// Thermistor is a curve 1/T = c0 + c1 x + c2 x² + c3 x³ with T in kelvin and x = ln(R/R0), along which the
// resistance falls as the temperature rises (NTC). SteinhartHart, Beta and Extended make one; the zero
// Thermistor has no temperature.
type Thermistor struct {
	r0   float64
	c    [4]float64
	x    [2]float64 // at the hottest and at the coldest
	ohms [2]float64 // the same in Ω
}

// SteinhartHart is a thermistor by the three coefficients of Steinhart and Hart (Deep-Sea Research 15, 1968):
// 1/T = a + b ln R + c ln³ R, with R in ohms. The error names what makes no thermistor.
func SteinhartHart(a, b, c float64) (Thermistor, error) {
	return thermistor(1, [4]float64{a, b, 0, c})
}

// Beta is a thermistor by its resistance in ohms at a temperature in °C, mostly 25, and its beta in kelvin:
// 1/T = 1/T0 + ln(R/R0)/beta. It is exact at that temperature, and about a degree off fifty degrees away.
func Beta(r0, celsius, beta float64) (Thermistor, error) {
	if !(celsius >= ntcLowest && celsius <= ntcHighest) {
		return Thermistor{}, fmt.Errorf("a reference temperature of %g °C: give one from %d to %d, mostly 25", celsius, ntcLowest, ntcHighest)
	}
	if !(beta >= leastBeta && beta <= mostBeta) {
		return Thermistor{}, fmt.Errorf("a beta of %g K: give the maker's figure, such as 3950", beta)
	}
	return thermistor(r0, [4]float64{1 / (celsius + kelvin), 1 / beta})
}

// Extended is a thermistor by its resistance in ohms at 25 °C and the four coefficients that some makers print:
// 1/T = a + b x + c x² + d x³ with x = ln(R/R25).
func Extended(r25 float64, coefficients [4]float64) (Thermistor, error) {
	return thermistor(r25, coefficients)
}

var errFalls = errors.New("the resistance does not fall as a thermistor's does all the way from the coldest to the hottest: check the coefficients and their powers of ten")

func thermistor(r0 float64, c [4]float64) (Thermistor, error) {
	if !(r0 >= ntcLeast && r0 <= ntcMost) {
		return Thermistor{}, fmt.Errorf("%g Ω at the reference temperature: give ohms from %g to %g, such as 100000", r0, ntcLeast, ntcMost)
	}
	t := Thermistor{r0: r0, c: c}
	// The curve is used between its hottest and its coldest, or as far as resistances can be measured.
	least, most := math.Log(ntcLeast/r0), math.Log(ntcMost/r0)
	for i, celsius := range [...]float64{ntcHighest, ntcLowest} {
		t.x[i] = t.solve(1/(celsius+kelvin), least, most)
		t.ohms[i] = float64(r0 * math.Exp(t.x[i]))
	}
	// A cubic's slope is a parabola: it is above zero throughout if it is so at both ends and at its vertex.
	points := [3]float64{t.x[0], t.x[1], t.x[0]}
	if vertex := -c[2] / (3 * c[3]); vertex > t.x[0] && vertex < t.x[1] {
		points[2] = vertex
	}
	for _, x := range points {
		if _, slope := t.at(x); !(slope >= 1.0/mostBeta && slope <= 1.0/leastBeta) || !(t.x[0] < t.x[1]) {
			return Thermistor{}, errFalls
		}
	}
	for i, need := range [...]float64{100, 30} {
		inverse, _ := t.at(t.x[i])
		at := 1/inverse - kelvin
		if i == 0 && !(at >= need) || i == 1 && !(at <= need) {
			return Thermistor{}, fmt.Errorf("at %.4g Ω it would be at %.0f °C: check the coefficients and their powers of ten", t.ohms[i], at)
		}
	}
	return t, nil
}

// at gives 1/T in 1/K and its slope.
func (t *Thermistor) at(x float64) (inverse, slope float64) {
	for i := len(t.c) - 1; i >= 0; i-- {
		slope = float64(slope*x) + inverse
		inverse = float64(inverse*x) + t.c[i]
	}
	return inverse, slope
}

// solve finds the x from low to high at which the curve has a value, or the end that is nearer to it, by halving:
// sixty times is the last bit.
func (t *Thermistor) solve(inverse, low, high float64) float64 {
	for range 60 {
		x := low + (high-low)/2
		if v, _ := t.at(x); v < inverse {
			low = x
		} else {
			high = x
		}
	}
	return low + (high-low)/2
}

// Range gives the resistances in ohms between which the curve is used: at its hottest and at its coldest.
func (t *Thermistor) Range() (hottest, coldest float64) { return t.ohms[0], t.ohms[1] }

// Celsius gives the temperature in °C of a resistance in ohms. One outside Range, or NaN, is an error that wraps
// ErrRange.
func (t *Thermistor) Celsius(ohms float64) (float64, error) {
	if !(ohms >= t.ohms[0] && ohms <= t.ohms[1]) || t.r0 == 0 {
		return 0, fmt.Errorf("thermistor of %.6g Ω: %w (%.4g to %.4g Ω)", ohms, ErrRange, t.ohms[0], t.ohms[1])
	}
	inverse, _ := t.at(math.Log(ohms / t.r0))
	return 1/inverse - kelvin, nil
}

// Ohms is the inverse of Celsius, to better than a millionth of a degree.
func (t *Thermistor) Ohms(celsius float64) (float64, error) {
	const room = 1e-9 // so that the ends belong to the range, as rounded as they are
	inverse := 1 / (celsius + kelvin)
	hottest, _ := t.at(t.x[0])
	coldest, _ := t.at(t.x[1])
	if !(inverse >= float64(hottest*(1-room)) && inverse <= float64(coldest*(1+room))) || t.r0 == 0 {
		return 0, fmt.Errorf("thermistor at %.6g °C: %w", celsius, ErrRange)
	}
	return float64(t.r0 * math.Exp(t.solve(inverse, t.x[0], t.x[1]))), nil
}

// Divider is a thermistor and a fixed resistor between an excitation voltage and ground, measured in the
// middle.
type Divider struct {
	Series float64 // the fixed resistor in ohms, above zero
	// Top says that the thermistor goes to the excitation and the fixed resistor to ground; else it is the other
	// way round.
	Top bool
}

// Ohms gives the thermistor's resistance from the ratio of the measured voltage to the excitation. The ratio of
// an open or a shorted thermistor, and what lies beyond, give +Inf or 0; NaN gives NaN.
func (d Divider) Ohms(ratio float64) float64 {
	if d.Top {
		ratio = 1 - ratio
	}
	switch {
	case ratio <= 0:
		return 0
	case ratio >= 1:
		return math.Inf(1)
	}
	return float64(d.Series*ratio) / (1 - ratio)
}

// Ratio is the inverse of Ohms.
func (d Divider) Ratio(ohms float64) float64 {
	ratio := 1.0
	if !math.IsInf(ohms, 1) {
		ratio = ohms / (ohms + d.Series)
	}
	if d.Top {
		return 1 - ratio
	}
	return ratio
}
