package microbe

import (
	"fmt"
	"math"
)

// Model is one published model of growth.
type Model uint8

// The models, by organism and food. Salt, nitrite and acid only slow growth; no model here counts on them.
const (
	BCereusRice Model = iota
	CPerfringensBeef
	CPerfringensChicken
	CPerfringensPork
	NumModels // how many there are
)

// rate is a model's figures: µ in natural units an hour is c·(T-tmin)²·(1-exp(b·(T-tmax))) between tmin and tmax, T in
// °C, and zero outside.
type rate struct {
	c, tmin, b, tmax float64
	lnQ0             float64 // the initial state: its natural logarithm
	lnQ0Short        float64 // the same of the shorter lag, where two are published
	peak             float64 // where µ is largest, °C
	name, provenance string
}

const juneja2011 = "Juneja, Marks, Huang, Thippareddi 2011, Food Microbiology 28:791-795, cooked uncured meat; " +
	"coefficients read in a public model repository that cites it (not in the paper itself), unit log10 an hour inferred from its " +
	"published predictions"

var models = [NumModels]rate{
	BCereusRice: {
		c: 0.0046, tmin: 8.67, b: 0.0656, tmax: 49.68,
		lnQ0: -4.083288461452919, lnQ0Short: -4.083288461452919, // h0 = 4.1: q0 = 1/(e^4.1-1)
		peak: 39.123,
		name: "B. cereus in cooked rice",
		provenance: "Juneja, Golden, Mishra, Harrison, Mohr, Silverman 2019, Int. J. Food Microbiology 290:49-58; confirmed against the " +
			"13-point table of the USDA-ARS Pathogen Modeling Program, ModelID 2021166",
	},
	CPerfringensBeef: {
		c: 0.050 * 0.050 * math.Ln10, tmin: 10.15, b: 0.238, tmax: 53.0,
		lnQ0: -4.961845129926823, lnQ0Short: -2.6606896297423726, // q0 = 0.007 and 0.0699
		peak: 46.018,
		name: "C. perfringens in beef",
		provenance: juneja2011 + "; a range from q0 0.007 (the paper's abstract, from memory) to 0.0699 (the repository), the larger " +
			"where one number must speak",
	},
	CPerfringensChicken: {
		c: 0.048 * 0.048 * math.Ln10, tmin: 9.74, b: 0.208, tmax: 52.1,
		lnQ0: -4.55638002181866, lnQ0Short: -4.55638002181866, // q0 = 0.0105
		peak:       44.723,
		name:       "C. perfringens in chicken",
		provenance: juneja2011 + "; q0 0.0105 (the repository)",
	},
	CPerfringensPork: {
		c: 0.047 * 0.047 * math.Ln10, tmin: 10.69, b: 0.252, tmax: 52.8,
		lnQ0: -4.290359446148058, lnQ0Short: -3.2188758248682006, // q0 = 0.0137 and 0.04
		peak: 46.066,
		name: "C. perfringens in pork",
		provenance: juneja2011 + "; q0 0.0137 (the repository) to the fail-safe 0.04 (from memory, not confirmed), the larger where one " +
			"number must speak",
	},
}

// String names organism and food.
func (m Model) String() string {
	if m >= NumModels {
		return fmt.Sprintf("model(%d)", uint8(m))
	}
	return models[m].name
}

// Provenance says where the model's figures come from and how sure they are.
func (m Model) Provenance() string {
	if m >= NumModels {
		return ""
	}
	return models[m].provenance
}

// mean is the mean of µ along a straight line from p to q, both within tmin to tmax, to about 1e-12. Around the line's
// middle, u above tmin, the mean of (u+s)²·(1-e^(b(T+s-tmax))) over s within ±h is
//
//	u² + h²/3 - e^(b(T-tmax))·(u²·S0 + 2u·S1 + S2)
//
// where S0, S1 and S2 are the means of e^(bs), s·e^(bs) and s²·e^(bs): sinh(x)/x with x = b·h, and its derivatives. A
// line too long for their short series is cut in equal pieces.
func (r *rate) mean(p, q float64) float64 {
	h := float64((q - p) / 2)
	x := float64(r.b * h)
	// Rounding must not take growth back where µ itself is all but zero: hence max.
	if x <= 0.25 && x >= -0.25 {
		return max(0, float64(r.c*r.around(p+h, h)))
	}
	pieces := int(4*max(x, -x)) + 1
	h /= float64(pieces)
	sum := 0.0
	for i := range pieces {
		sum += r.around(p+float64(h*float64(2*i+1)), h)
	}
	return max(0, float64(r.c*sum)/float64(pieces))
}

// around is the mean of µ/c within ±h of t, for b·h within ±0.25: the series' next terms are under 2e-12 of the whole.
func (r *rate) around(t, h float64) float64 {
	x := float64(r.b * h)
	x2, h2 := float64(x*x), float64(h*h)
	s0 := sinhc(x2)
	s1 := float64(float64(h*x) * (1./3 + float64(x2*(1./30+float64(x2*(1./840+float64(x2*(1./45360))))))))
	s2 := float64(h2 * (1./3 + float64(x2*(1./10+float64(x2*(1./168+float64(x2*(1./6480))))))))
	u := t - r.tmin
	u2 := float64(u * u)
	e := exp(float64(r.b * (t - r.tmax)))
	return (u2 + float64(h2*(1./3))) - float64(e*((float64(u2*s0)+float64(float64(2*u)*s1))+s2))
}
