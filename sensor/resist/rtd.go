package resist

import (
	"fmt"
	"math"
)

// Coefficients of industrial platinum (IEC 60751: R = R0 (1 + A t + B t² + C (t-100 °C) t³), the last term
// below 0 °C only).
const (
	PlatinumA = 3.9083e-3  // 1/°C
	PlatinumB = -5.775e-7  // 1/°C²
	PlatinumC = -4.183e-12 // 1/°C⁴
)

// Where IEC 60751 defines the curve, °C, and how far it is carried on beyond, so that a converter's last step at
// either end is no fault.
const (
	rtdLowest  = -200
	rtdHighest = 850
	rtdBeyond  = 1
)

// RTD is a platinum resistance thermometer, by Callendar and Van Dusen. Platinum and NewRTD make one.
type RTD struct {
	r0, a, b, c float64
	low, high   float64 // ohms at the ends of the range
}

// Platinum is a thermometer of industrial platinum (IEC 60751) with r0 ohms at 0 °C: 100 for a Pt100, 1000
// for a Pt1000. The error is that of NewRTD.
func Platinum(r0 float64) (RTD, error) {
	return NewRTD(r0, PlatinumA, PlatinumB, PlatinumC)
}

// NewRTD is a thermometer with its own coefficients, as a calibration certificate gives them: r0 in ohms, a in
// 1/°C, b in 1/°C², c in 1/°C⁴. A certificate in Callendar's own form (alpha, delta, beta) turns into them by
//
//	a = alpha (1 + delta/100)   b = -alpha delta / 100²   c = -alpha beta / 100⁴
//
// The error names a figure that makes no thermometer: one whose resistance does not rise all the way from
// -201 to 851 °C.
func NewRTD(r0, a, b, c float64) (RTD, error) {
	if !(r0 > 0 && r0 <= 1e6) {
		return RTD{}, fmt.Errorf("%g Ω at 0 °C: give 100 for a Pt100, 1000 for a Pt1000", r0)
	}
	d := RTD{r0: r0, a: a, b: b, c: c}
	for t := float64(rtdLowest - rtdBeyond); t <= rtdHighest+rtdBeyond; t++ {
		if w, slope := d.at(t); !(w > 0 && slope > 1e-5) {
			return RTD{}, fmt.Errorf("coefficients %g, %g, %g: the resistance does not rise at %g °C: "+
				"give A near %g, B near %g and C near %g as on the certificate", a, b, c, t, PlatinumA, PlatinumB, PlatinumC)
		}
	}
	low, _ := d.at(rtdLowest - rtdBeyond)
	high, _ := d.at(rtdHighest + rtdBeyond)
	d.low, d.high = r0*low, r0*high
	return d, nil
}

// at gives the ratio of the resistance at t °C to that at 0 °C, and its slope in 1/°C.
func (d *RTD) at(t float64) (ratio, slope float64) {
	t2 := float64(t * t)
	ratio = 1 + float64(d.a*t) + float64(d.b*t2)
	slope = d.a + float64(2*d.b*t)
	if t < 0 {
		ratio += float64(float64(d.c*(t-100)) * float64(t2*t))
		slope += float64(float64(d.c*t2) * (float64(4*t) - 300))
	}
	return ratio, slope
}

// R0 is the resistance at 0 °C in ohms, zero for the zero RTD.
func (d *RTD) R0() float64 { return d.r0 }

// Ohms gives the resistance at a temperature in °C. One outside -201 to 851 °C, or NaN, is an error that
// wraps ErrRange.
func (d *RTD) Ohms(celsius float64) (float64, error) {
	if !(celsius >= rtdLowest-rtdBeyond && celsius <= rtdHighest+rtdBeyond) {
		return 0, fmt.Errorf("platinum at %.6g °C: %w (%d to %d °C)", celsius, ErrRange, rtdLowest, rtdHighest)
	}
	ratio, _ := d.at(celsius)
	return float64(d.r0 * ratio), nil
}

// Celsius gives the temperature in °C at which the thermometer has a resistance in ohms. It solves Ohms to
// better than a millionth of a degree. A resistance outside what -201 to 851 °C give, or NaN, is an error that
// wraps ErrRange.
func (d *RTD) Celsius(ohms float64) (float64, error) {
	if !(ohms >= d.low && ohms <= d.high) || d.r0 == 0 {
		return 0, fmt.Errorf("platinum of %g Ω at 0 °C with %.6g Ω: %w (%.2f to %.2f Ω)", d.r0, ohms, ErrRange, d.low, d.high)
	}
	// The root of the quadratic that goes through 0 °C, in the form that loses no digits and stands a B of zero.
	x := ohms/d.r0 - 1
	t := 2 * x / (d.a + math.Sqrt(float64(d.a*d.a)+float64(4*d.b*x)))
	if t >= 0 {
		return t, nil
	}
	// Below 0 °C the quadratic is up to two degrees off, and Newton's steps square the error each time. The curve
	// is smooth and its slope nearly even, so that the second step is under a millionth of a degree.
	for range 20 {
		ratio, slope := d.at(t)
		step := (x + 1 - ratio) / slope
		t += step
		if math.Abs(step) < 1e-7 {
			break
		}
	}
	return t, nil
}
