package forecast

import "math"

// exp is e to the x, for x between -700 and 700.
func exp(x float64) float64 {
	n := math.Floor(x/math.Ln2 + 0.5)
	r := x - float64(n*math.Ln2)
	sum := 1.0
	for i := 14.0; i > 0; i-- { // the Taylor series by Horner's rule: |r| < 0.35 makes the next term 1e-19
		sum = float64(sum*r)/i + 1
	}
	return math.Ldexp(sum, int(n))
}

// log is the natural logarithm of x > 0.
func log(x float64) float64 {
	m, e := math.Frexp(x)
	if m < math.Sqrt2/2 {
		m, e = m+m, e-1
	}
	f := (m - 1) / (m + 1) // |f| < 0.172
	f2 := float64(f * f)
	sum := 0.0
	for i := 23.0; i > 0; i -= 2 { // 2·artanh f
		sum = float64(sum*f2) + 1/i
	}
	return float64(2*f*sum) + float64(float64(e)*math.Ln2)
}

// travel is how far a rate of one comes in s when it loses the share decay of itself per unit of time, and left the
// share of the rate that remains at its end.
func travel(s, decay float64) (distance, left float64) {
	x := float64(s * decay)
	left = exp(-x)
	if x < 1e-4 && x > -1e-4 { // the quotient below would lose its digits
		return float64(s * (1 - float64(x/2))), left
	}
	return (1 - left) / decay, left
}
