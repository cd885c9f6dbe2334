package microbe

import "math"

// The standard library's exponential and logarithm are assembly on some machines, and a compiler for arm64 may fuse a
// product and a sum into one rounding. The two below use neither: explicit conversions round each product.

// exp is e to the power of x for x up to 700, to about 1e-14 relative; what lies under e^-700 is zero.
func exp(x float64) float64 {
	if x < -700 {
		return 0
	}
	k := math.Floor(float64(x*math.Log2E) + 0.5)
	r := x - float64(k*math.Ln2) // within ±0.35
	// The Taylor series to the twelfth power: the next term adds less than 2e-16.
	const (
		f2, f3, f4  = 1. / 2, 1. / 6, 1. / 24
		f5, f6, f7  = 1. / 120, 1. / 720, 1. / 5040
		f8, f9, f10 = 1. / 40320, 1. / 362880, 1. / 3628800
		f11, f12    = 1. / 39916800, 1. / 479001600
	)
	// Grouped so that the parts do not wait for each other.
	r2 := float64(r * r)
	r4 := float64(r2 * r2)
	low := (1 + r) + float64(r2*(f2+float64(f3*r)))
	mid := (f4 + float64(f5*r)) + float64(r2*(f6+float64(f7*r)))
	top := (f8 + float64(f9*r)) + float64(r2*(f10+float64(f11*r))) + float64(f12*r4)
	sum := low + float64(r4*(mid+float64(r4*top)))
	return float64(sum * math.Float64frombits(uint64(int64(k)+1023)<<52))
}

// log1p is the natural logarithm of 1+v for v from 0 to 1: 2·artanh(v/(2+v)), whose series falls ninefold a term.
func log1p(v float64) float64 {
	s := v / (2 + v)
	s2 := float64(s * s)
	sum := 0.0
	for n := 33; n >= 1; n -= 2 {
		sum = 1/float64(n) + float64(s2*sum)
	}
	return float64(2*s) * sum
}

// softplus is the natural logarithm of 1+e^x, for any x.
func softplus(x float64) float64 {
	if x > 0 {
		return x + log1p(exp(-x))
	}
	return log1p(exp(x))
}

// clip gives the part of the straight line from a to b that lies within lo to hi, and its share of the whole. A level
// line lies in or out whole; both bounds count as inside. A share of zero comes with no part.
func clip(a, b, lo, hi float64) (from, to, share float64) {
	from, to = min(max(a, lo), hi), min(max(b, lo), hi)
	switch {
	case a == b && a == from:
		return from, to, 1
	case from == to:
		return from, to, 0
	}
	return from, to, (to - from) / (b - a)
}
