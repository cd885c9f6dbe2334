package microbe

import "math"

// The standard library's exponential and logarithm are assembly on some machines, and a compiler for arm64 may fuse a
// product and a sum into one rounding. The two below use neither: explicit conversions round each product.

// exp is e to the power of x for x from -700 to 700, to about 1e-14 relative; what lies under e^-700 is zero.
func exp(x float64) float64 {
	if x < -700 {
		return 0
	}
	// x is k/32 powers of two and a rest within ±0.011. The shift makes truncation round to the nearest.
	k := int32(float64(x*(32*math.Log2E))+65536.5) - 65536
	r := x - float64(float64(k)*(math.Ln2/32))
	// The Taylor series to the fifth power: the next term is under 3e-15.
	r2 := float64(r * r)
	low := (1 + r) + float64(r2*(1./2+float64(r*(1./6))))
	series := low + float64(float64(r2*r2)*(1./24+float64(r*(1./120))))
	return float64(float64(series*root2[k&31]) * math.Float64frombits(uint64(int64(k>>5)+1023)<<52))
}

// root2 is 2 to the power of i/32.
var root2 = [32]float64{
	1.0, 1.0218971486541166, 1.0442737824274138, 1.0671404006768237,
	1.0905077326652577, 1.1143867425958924, 1.1387886347566916, 1.1637248587775775,
	1.189207115002721, 1.215247359980469, 1.241857812073484, 1.2690509571917332,
	1.2968395546510096, 1.3252366431597413, 1.3542555469368927, 1.383909881963832,
	1.4142135623730951, 1.4451808069770467, 1.4768261459394993, 1.5091644275934228,
	1.5422108254079407, 1.5759808451078865, 1.6104903319492543, 1.645755478153965,
	1.681792830507429, 1.718619298122478, 1.7562521603732995, 1.7947090750031072,
	1.8340080864093424, 1.8741676341103, 1.9152065613971474, 1.9571441241754002,
}

// log1p is the natural logarithm of 1+v for v from 0 to 1: 2·artanh(v/(2+v)), whose series falls ninefold a term.
func log1p(v float64) float64 {
	s := v / (2 + v)
	s2 := float64(s * s)
	sum := 1. / 33
	for i := len(oddParts) - 1; i >= 0; i-- {
		sum = oddParts[i] + float64(s2*sum)
	}
	return float64(float64(2*s) * sum)
}

// oddParts are 1/1, 1/3, 1/5 and on.
var oddParts = [...]float64{1, 1. / 3, 1. / 5, 1. / 7, 1. / 9, 1. / 11, 1. / 13, 1. / 15, 1. / 17, 1. / 19, 1. / 21,
	1. / 23, 1. / 25, 1. / 27, 1. / 29, 1. / 31}

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
	if a >= lo && a <= hi && b >= lo && b <= hi {
		return a, b, 1
	}
	if max(a, b) <= lo || min(a, b) >= hi {
		return 0, 0, 0
	}
	from, to = min(max(a, lo), hi), min(max(b, lo), hi)
	return from, to, (to - from) / (b - a)
}
