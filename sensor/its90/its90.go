// Package its90 holds the ITS-90 reference functions of the eight letter-designated thermocouples: volts
// from temperature by NIST's polynomials, temperature from volts by solving those same polynomials, so
// that the two agree over the whole range. NIST's own inverse polynomials are not used: they stop short of
// the cold end and are some hundredths of a degree off the reference function.
//
// Every product is rounded before it is added to anything, so that machines with and without a fused
// multiply-add give the same bits.
package its90

import (
	"errors"
	"fmt"
	"math"
)

// Type is a letter-designated thermocouple type. The zero Type is none of them.
type Type uint8

// The letter types of ITS-90.
const (
	B Type = iota + 1 // Pt-30%Rh against Pt-6%Rh
	E                 // Ni-Cr against Cu-Ni
	J                 // Fe against Cu-Ni
	K                 // Ni-Cr against Ni-Al
	N                 // Ni-Cr-Si against Ni-Si
	R                 // Pt-13%Rh against Pt
	S                 // Pt-10%Rh against Pt
	T                 // Cu against Cu-Ni
)

const letters = "BEJKNRST"

// ErrRange is wrapped by the error for a temperature or a voltage outside a type's range, and for a voltage
// that more than one temperature gives.
var ErrRange = errors.New("out of range")

// ParseType reads a type's letter, in either case.
func ParseType(s string) (Type, error) {
	if len(s) == 1 {
		for i := range len(letters) {
			if s[0] == letters[i] || s[0] == letters[i]|0x20 {
				return Type(i + 1), nil
			}
		}
	}
	return 0, fmt.Errorf("thermocouple type %q is none of B, E, J, K, N, R, S, T", s)
}

// Valid reports whether t is one of the eight types.
func (t Type) Valid() bool { return t >= B && t <= T }

// String gives the letter.
func (t Type) String() string {
	if !t.Valid() {
		return fmt.Sprintf("type(%d)", uint8(t))
	}
	return letters[t-1 : t]
}

// Range gives the temperatures in °C between which t's reference function is defined; zeros when t is no
// type.
func Range(t Type) (lowest, highest float64) {
	if !t.Valid() {
		return 0, 0
	}
	return curves[t].min, curves[t].max
}

// EMF gives the voltage in millivolts of a thermocouple of type t with its tip at the given temperature in
// °C and its reference junction at 0 °C. A temperature outside Range, or NaN, is an error that wraps
// ErrRange.
func EMF(t Type, celsius float64) (millivolts float64, err error) {
	if !t.Valid() {
		return 0, fmt.Errorf("%v is no thermocouple type", t)
	}
	c := &curves[t]
	if !(celsius >= c.min && celsius <= c.max) {
		return 0, fmt.Errorf("type %v at %.6g °C: %w (%g to %g °C)", t, celsius, ErrRange, c.min, c.max)
	}
	millivolts, _ = c.at(celsius)
	return millivolts, nil
}

// Temperature gives the temperature in °C at which a thermocouple of type t with its reference junction at
// 0 °C shows the given voltage in millivolts. It solves EMF to well under a millionth of a degree.
//
// A voltage outside what Range gives is an error that wraps ErrRange. So is one of 0 mV or less for type B,
// whose curve falls to a minimum near 21 °C and is back at 0 mV near 42 °C: below that a voltage
// has two temperatures.
func Temperature(t Type, millivolts float64) (celsius float64, err error) {
	if !t.Valid() {
		return 0, fmt.Errorf("%v is no thermocouple type", t)
	}
	s := &solvers[t]
	if !(millivolts >= s.low && millivolts <= s.high) {
		if t == B && millivolts < s.low {
			return 0, fmt.Errorf("type B at %.6g mV: %w: below %.1f °C its voltage does not tell the temperature",
				millivolts, ErrRange, s.start[0])
		}
		return 0, fmt.Errorf("type %v at %.6g mV: %w (%.3f to %.3f mV)", t, millivolts, ErrRange, s.low, s.high)
	}
	return s.solve(millivolts), nil
}

// Compensate gives the tip's temperature in °C from the voltage measured between the leads in millivolts
// and the temperature of the cold junction in °C: voltages are added, never temperatures. Its errors are
// those of EMF and Temperature.
func Compensate(t Type, measured, coldJunction float64) (celsius float64, err error) {
	cold, err := EMF(t, coldJunction)
	if err != nil {
		return 0, fmt.Errorf("cold junction: %w", err)
	}
	return Temperature(t, measured+cold)
}

// at gives the curve's voltage in mV and its slope in mV/°C.
func (c *curve) at(t float64) (mv, slope float64) {
	p := &c.pieces[0]
	for i := 1; i < len(c.pieces) && t >= p.upTo; i++ {
		p = &c.pieces[i]
	}
	for i := len(p.c) - 1; i >= 0; i-- {
		slope = float64(slope*t) + mv
		mv = float64(mv*t) + p.c[i]
	}
	if p.gauss {
		d := t - gaussA2
		g := float64(gaussA0 * expNegative(float64(float64(gaussA1*d)*d)))
		mv += g
		slope += float64(float64(2*gaussA1*d) * g)
	}
	return mv, slope
}

// expNegative is e to the power of x for x <= 0, to about 1e-12 absolute. The standard library's is
// written in assembly that differs from machine to machine; this one gives the same bits everywhere.
func expNegative(x float64) float64 {
	if x < -40 {
		return 0 // under 1e-17: lost beside a voltage
	}
	k := math.Floor(float64(x*math.Log2E) + 0.5)
	r := x - float64(k*math.Ln2) // within ±0.35
	// The Taylor series to the tenth power: the eleventh adds less than 3e-13.
	const (
		f2, f3, f4 = 1. / 2, 1. / 6, 1. / 24
		f5, f6, f7 = 1. / 120, 1. / 720, 1. / 5040
		f8, f9     = 1. / 40320, 1. / 362880
		f10        = 1. / 3628800
	)
	// Grouped so that the halves do not wait for each other.
	r2 := float64(r * r)
	r4 := float64(r2 * r2)
	low := (1 + r) + float64(r2*(f2+float64(f3*r)))
	mid := (f4 + float64(f5*r)) + float64(r2*(f6+float64(f7*r)))
	top := (f8 + float64(f9*r)) + float64(f10*r2)
	sum := low + float64(r4*(mid+float64(r4*top)))
	return float64(sum * math.Float64frombits(uint64(int64(k)+1023)<<52))
}
