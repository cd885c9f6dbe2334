package microbe

import (
	"math"
	"time"

	"holdbell/sensor"
)

// Uncertainty is how far a predicted increase may lie from the truth, in powers of ten, either way. Smith and Schaffner
// 2005 found replicates a whole power apart, and an hour's error in the lag outweighs all else.
const Uncertainty = 0.5

// Ceiling is where a shown increase ends, in powers of ten: food holds no more than about 10^8 microbes a gram (common
// practice). By then every other limit is long past.
const Ceiling = 8.0

// restart is where the guidance lets the count begin anew: vegetative cells of C. perfringens die at 60 °C, in media
// and in roast beef. Spores do not, nor does a toxin that is already there.
const restart sensor.Temp = 60000

// No model grows at or outside these: the lowest tmin and the highest tmax of the models.
const (
	growthLow  sensor.Temp = 8670
	growthHigh sensor.Temp = 53000
)

// Growth predicts how far spores that survived cooking have grown since the food was last at 60 °C, by every Model at
// once. The zero value is ready and starts with the first Add.
//
// The primary model is that of Baranyi and Roberts 1994 without its stationary phase: d(ln q)/dt = µ(T) and
// dy/dt = µ(T)/(1+1/q). The integral of µ alone is therefore the whole state: ln q is ln q0 plus it, and the increase is
// ln(1+q) - ln(1+q0), exactly. Models that differ only in the lag share it.
//
// The warmest reading is not always the worst one: growth peaks near 40 to 46 °C and ends above 50 to 53 °C. For food
// with several probes keep a Growth for the lowest reading and one for the highest, or one for each probe, and let the
// larger speak. Rewarming to less than 60 °C never takes growth back (common practice).
type Growth struct {
	// Work is the integral of µ in natural units since the last 60 °C, by Model.
	Work [NumModels]float64 `json:"work"`
}

// Add counts dt, over which the food went from one temperature to the other in a straight line. A line that touches
// 60 °C starts the count anew behind it. A dt of zero or less counts nothing.
func (g *Growth) Add(dt time.Duration, from, to sensor.Temp) {
	if dt <= 0 {
		return
	}
	if from >= restart || to >= restart {
		*g = Growth{}
		if to >= restart {
			return
		}
		// What is left of the line runs down from 60 °C, and no model grows before its own highest temperature.
	}
	if from >= growthHigh && to >= growthHigh || from <= growthLow && to <= growthLow {
		return
	}
	hours := float64(dt) / float64(time.Hour)
	a, b := from.Celsius(), to.Celsius()
	for i := range models {
		m := &models[i]
		if a >= m.tmin && a <= m.tmax && b >= m.tmin && b <= m.tmax {
			g.Work[i] += float64(hours * m.mean(a, b)) // the common case, without clip's cost
		} else if p, q, share := clip(a, b, m.tmin, m.tmax); share > 0 {
			g.Work[i] += float64(float64(hours*share) * m.mean(p, q))
		}
	}
}

// AddUnknown counts dt without readings as the worst that it can have been: growth at each model's fastest. It never
// starts the count anew.
func (g *Growth) AddUnknown(dt time.Duration) {
	if dt <= 0 {
		return
	}
	hours := float64(dt) / float64(time.Hour)
	for i := range models {
		m := &models[i]
		g.Work[i] += float64(hours * m.mean(m.peak, m.peak))
	}
}

// Log10 is the predicted increase in powers of ten, the larger where a range is published, at most Ceiling. It is
// within about Uncertainty at best, and advice only.
func (g *Growth) Log10(m Model) float64 {
	_, high := g.Range(m)
	return high
}

// Range is the predicted increase in powers of ten by the shortest and the longest lag that are published for the
// model, each at most Ceiling. Both are equal where there is only one.
func (g *Growth) Range(m Model) (low, high float64) {
	if m >= NumModels {
		return 0, 0
	}
	p := &models[m]
	low = min(increase(p.lnQ0, g.Work[m]), Ceiling)
	if p.lnQ0Short == p.lnQ0 {
		return low, low
	}
	return low, min(increase(p.lnQ0Short, g.Work[m]), Ceiling)
}

// increase is the model's growth in powers of ten after so much work, from an initial state of ln q0.
func increase(lnQ0, work float64) float64 {
	return max(0, float64((softplus(lnQ0+work)-softplus(lnQ0))/math.Ln10))
}
