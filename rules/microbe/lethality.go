package microbe

import (
	"math"
	"time"

	"holdbell/sensor"
)

// Decimal reduction times of Salmonella at 150 °F (65.56 °C), with z = 10 °F (5.56 °C). Both are computed from the
// tables of FSIS-GD-2021-14, which print no D-value.
const (
	// D150Meat is the log-linear fit of the 5, 6.5 and 7 log columns for meat from 130 to 157 °F: 10.65 s. Meat here is
	// beef, pork and lamb, not poultry.
	D150Meat = 10650 * time.Millisecond
	// D150Poultry is the longest that any row of the chicken and turkey tables implies, at any fat: 42.3 s. The poultry
	// tables are no straight line, so that one fit would claim more than the table at some rows.
	D150Poultry = 42300 * time.Millisecond
)

// The lethal rate is 10^((T-150)/10), T in °F: the seconds at 150 °F that a second at T is worth.
const (
	lethalRef = (150. - 32) * 5000 / 9 // 150 °F in thousandths of a °C
	lethalLn  = math.Ln10 * 9 / 50000  // what a thousandth of a °C adds to the rate's natural logarithm
)

// Outside the tables' own rows the straight line behind D and z is not published. Below 130 °F nothing counts towards
// the advice (McMinn et al. 2018, Meat and Muscle Biology, found the times short of their promise already at 54.4 °C);
// above 165 °F a second counts as one at 165 °F.
const (
	lethalFloor sensor.Temp = 54444 // 130 °F
	lethalCap   sensor.Temp = 73889 // 165 °F
	// A worksheet's figure is nil to its last decimal under 100 °F; nothing is reckoned there.
	lethalStart sensor.Temp = 37778
)

// Lethality is the integral of the lethal rate over time, in seconds at 150 °F. The zero value is ready.
//
// It is advice beside Table, which alone is the published safe harbour. Give it the lowest reading of the lot, rounded
// down by the probe's error where a guard band is wanted; only moist food counts.
type Lethality struct {
	// Line is the exact integral over straight lines between readings, from 130 °F up. Cutting a line in two does not
	// change it, and up to 165 °F it never exceeds Trapezoid.
	Line float64 `json:"line_s"`
	// Trapezoid is the figure of published worksheets: the mean of the two rates, times the time, at any temperature
	// (up to 165 °F). It is generous where readings lie far apart.
	Trapezoid float64 `json:"trapezoid_s"`
}

// Add counts dt, over which the food went from one temperature to the other in a straight line. A dt of zero or less
// counts nothing. A gap without readings must not be added.
func (l *Lethality) Add(dt time.Duration, from, to sensor.Temp) {
	if dt <= 0 || from < lethalStart && to < lethalStart {
		return
	}
	s := float64(dt) / 1e9
	line, ends := meanRates(float64(min(from, lethalCap)), float64(min(to, lethalCap)))
	l.Trapezoid += float64(s * ends)
	lo, hi := min(from, to), max(from, to)
	if lo >= lethalFloor && hi <= lethalCap {
		l.Line += float64(s * line)
		return
	}
	a, b := float64(from), float64(to)
	if p, q, share := clip(a, b, float64(lethalFloor), float64(lethalCap)); share > 0 {
		line, _ = meanRates(p, q)
		l.Line += float64(float64(s*share) * line)
	}
	if _, _, share := clip(a, b, float64(lethalCap), float64(sensor.MaxTemp)); share > 0 {
		line, _ = meanRates(float64(lethalCap), float64(lethalCap))
		l.Line += float64(float64(s*share) * line)
	}
}

// meanRates gives the mean lethal rate along a straight line from p to q, in thousandths of a °C, and the mean of the
// rates at its two ends: the rate at the middle times sinh(h)/h and times cosh(h), where h is half the change of the
// rate's logarithm.
func meanRates(p, q float64) (line, ends float64) {
	h := float64((q - p) * (lethalLn / 2))
	mid := exp(float64((float64((p+q)/2) - lethalRef) * lethalLn))
	if h > 0.25 || h < -0.25 {
		up, down := exp(h), exp(-h)
		return float64(mid*(up-down)) / float64(2*h), float64(mid*(up+down)) / 2
	}
	h2 := float64(h * h)
	return float64(mid * sinhc(h2)), float64(mid * cosh(h2))
}

// sinhc is sinh(x)/x from the square of x, for x within ±0.25: the next term is under 3e-14.
func sinhc(x2 float64) float64 {
	return 1 + float64(x2*(1./6+float64(x2*(1./120+float64(x2*(1./5040+float64(x2*(1./362880))))))))
}

// cosh is the hyperbolic cosine from the square of x, for x within ±0.25: the next term is under 3e-13.
func cosh(x2 float64) float64 {
	return 1 + float64(x2*(1./2+float64(x2*(1./24+float64(x2*(1./720+float64(x2*(1./40320))))))))
}

// Log10 is the reduction of Salmonella by Line, in powers of ten, for a decimal reduction time at 150 °F such as
// D150Meat or D150Poultry. Hot holding makes it as large as one likes: past 7, the most that the tables know, it only
// says "more than enough by this model".
func (l *Lethality) Log10(d150 time.Duration) float64 { return l.Line / (float64(d150) / 1e9) }
