package forecast

import (
	"math"
	"time"

	"holdbell/sensor"
)

// Model is what is remembered of one probe: minute means of an hour and a half, and the curve laid through them. It
// is of fixed size, its JSON form holds all of it, and the zero value has seen nothing.
type Model struct {
	Seen   bool
	Began  int64         // first minute
	Minute int64         // the open minute
	Last   time.Duration // of the last reading
	Food   track
	Air    track
	Curve  curve // refitted at the end of each minute
	Knows  bool  // whether the curve's rate stands out
	Stall  bool
	Hot    bool // whether the air is far above the food
	// Loose is whether the probe has lately moved as the air does: its tip sits in no food.
	Loose bool `json:",omitempty"`
}

// Estimate is when a limit will be reached, counted from the last reading. Nine in ten should lie between Soonest and
// Latest as long as nobody changes anything: loads, opens, wraps, repairs or breaks.
type Estimate struct {
	In, Soonest, Latest time.Duration
	// StallAhead says that the way leads up through the temperatures at which a moist piece that is not wrapped
	// stalls in hot air: then it takes hours longer, which Latest does not count in.
	StallAhead bool
}

const (
	// fewest is how many minutes there must be.
	fewest = 10
	// longestSwing is for how many minutes a probe without air beside it must have been on its way: half a swing of
	// a slow thermostat looks the same until then.
	longestSwing = 30
	// horizon is how far a forecast may look.
	horizon = 12 * time.Hour
	// nine in ten of a normal distribution lie within so many standard deviations.
	quantile = 1.645
	// wander is the share of the way to the limit that is not known in any case: the food is no first-order
	// system, and its surroundings do not stand still. Found by simulated cabinets without supply.
	wander = 0.2
	// tooWide and slack bound the spread: Latest - Soonest is at most tooWide times In and slack on top.
	tooWide = 1.5
	slack   = 10 * time.Minute
	// leastClear is how many standard deviations a rate must be away from zero, and wellClear how many make a
	// longer look back unnecessary.
	leastClear, wellClear = 4, 10
	// newGround is how much further than the deepest dip that was made up again a run must have come, and
	// newGroundNoise how many spreads of a minute on top.
	newGround, newGroundNoise = 1.25, 4
)

// windows are the minutes that a curve is tried over.
var windows = [...]int64{10, 15, 24, 38, 60, size}

// Add takes in one valid reading of the probe and, with hasAir, the valid reading of the air about the food at the
// same time. For a probe that is in the air itself hasAir is false. t is any clock that does not step: a silence of
// more than 5 minutes, or a t before the last one, forgets all that was before.
func (m *Model) Add(t time.Duration, food, air sensor.Temp, hasAir bool) {
	minute := int64(t / time.Minute)
	if !m.Seen || t < m.Last || t-m.Last > maxGap {
		*m = Model{Seen: true, Began: minute, Minute: minute}
	}
	if minute > m.Minute {
		for ; m.Minute < minute; m.Minute++ {
			m.Food.shut(m.Minute)
			m.Air.shut(m.Minute)
		}
		m.refit()
	}
	m.Last = t
	m.Food.add(food)
	if hasAir {
		m.Air.add(air)
	}
}

// Reset forgets everything: the probe was moved.
func (m *Model) Reset() { *m = Model{} }

// refit lays the curve anew. It takes the shortest look back over which the rate stands well out of the noise, and
// then as much longer a one as the same shape still fits.
func (m *Model) refit() {
	m.Curve, m.Knows, m.Stall, m.Hot = curve{}, false, false, false
	last := m.Minute - 1
	age := min(m.Minute-m.Began, size)
	if age < fewest {
		return
	}
	var food, air series
	food.last(&m.Food, last, age)
	air.last(&m.Air, last, age)
	m.feel(&food, &air, age)
	beside, hasAir := air.fit(min(age, airWindow), 2)
	var base, best curve
	var found bool
	for _, n := range windows {
		if n > age {
			break
		}
		c, ok := food.fit(n, 3)
		if !ok {
			continue
		}
		decay, sd := decay(&c, n, &beside, hasAir)
		c.observe(decay, sd)
		if found { // longer, as long as it says the same
			if c.Sigma > float64(1.5*base.Sigma) || c.clear() < wellClear || !c.agrees(&base) {
				break
			}
			best = c
			continue
		}
		if best.N == 0 || c.clear() > best.clear() {
			best = c
		}
		if best.clear() >= wellClear {
			found, base = true, best
		}
	}
	m.Curve = best
	m.Stall, m.Hot = stalled(&food, age, &beside, hasAir)
	m.Knows = best.N > 0 && best.clear() >= leastClear && m.onTheMove(last, age)
}

// onTheMove reports whether the temperature has left the ground on which it has lately gone to and fro.
func (m *Model) onTheMove(last, age int64) bool {
	sign := int32(1)
	if m.Curve.P[1] > 0 {
		sign = -1
	}
	deepest, since, lasted := m.Food.dip(last, age, sign)
	if lasted < longestSwing && m.Air.ago(last, 0) == none {
		return false
	}
	return float64(since) > float64(newGround*float64(deepest))+float64(newGroundNoise*1000*m.Curve.Sigma)
}

// Bounds of the decay, per minute: the food does not lose its rate faster than within 20 minutes, and does not
// gather speed faster than within an hour.
const (
	fastest = 1.0 / 20
	gaining = -1.0 / 60
	// mostGain is the largest gain of speed on the way to a limit, as an exponent: what gathers speed now does not
	// for hours.
	mostGain = 1
)

const (
	// airWindow is over how many minutes the air's rate is taken, and for how many a stalling food must hardly
	// have risen.
	airWindow = 30
	// lasting is the share of the air's present rate that counts for its future one: it slows down too.
	lasting = 0.85
	// airDecay and airShare make the standard deviation of the decay that follows from the air, per minute
	// and as a share of itself.
	airDecay, airShare = 0.15 / 60, 0.5
	// aloneDecay and aloneSpread are the decay assumed without air, per minute: time constants of 1.3 h to none.
	aloneDecay, aloneSpread = 0.25 / 60, 0.5 / 60
)

// decay is what is known beforehand of how the rate will change, from the air where that makes sense, and the
// standard deviation of the bend that this leaves.
func decay(c *curve, n int64, air *curve, hasAir bool) (decay, sd float64) {
	middle := c.P[1] - float64(c.P[2]*float64(n-1)/2) // the rate in the middle, which the fit knows best
	decay, sd = aloneDecay, aloneSpread
	if hasAir {
		gap := air.P[0] - c.P[0]
		// Heat flows from the warm to the cold with a plausible time constant; else (evaporation, an air
		// probe in a corner) the air says nothing.
		if slow := gap / middle; slow > 20 && slow < 24*60 {
			d := (middle - float64(lasting*air.P[1])) / gap
			noise := (math.Sqrt(air.Cov[1][1]) + float64(math.Abs(d)*air.Sigma)) / math.Abs(gap)
			decay = min(max(d, gaining), fastest)
			sd = airDecay + float64(airShare*math.Abs(decay)) + noise
		}
	}
	return decay, math.Abs(float64(sd * middle))
}

// Reach says when the temperature will be at limit, falling or rising. ok is false when that is not known: less than
// 10 minutes of readings, without air less than 30 minutes on the way, a rate within the noise, a to and fro as a
// thermostat makes it, a limit that lies behind or is never reached, one more than 12 h off, a stall while the limit
// lies above, or a spread of more than one and a half times the estimate and 10 minutes.
func (m *Model) Reach(limit sensor.Temp) (e Estimate, ok bool) {
	level, rate, bend := m.Curve.P[0], m.Curve.P[1], m.Curve.P[2]
	if !m.Knows || m.Stall && rate > 0 {
		return Estimate{}, false
	}
	way := (limit.Celsius() - level) / rate
	decay := min(max(-bend/rate, gaining, -mostGain/math.Abs(way)), fastest)
	rest := 1 - float64(decay*way)
	if way <= 0 || rest < 0.01 {
		return Estimate{}, false
	}
	s := way
	if part := 1 - rest; part > 1e-4 || part < -1e-4 {
		s = -log(rest) / decay
	}
	distance, left := travel(s, decay)
	// How the temperature then depends on level, rate and bend.
	bends := float64(s*s) / 2
	if x := float64(decay * s); x > 1e-3 || x < -1e-3 {
		bends = (distance - float64(s*left)) / decay
	}
	g := [3]float64{1, distance + float64(decay*bends), bends}
	c := &m.Curve.Cov
	v := dot(g, [3]float64{dot(c[0], g), dot(c[1], g), dot(c[2], g)})
	lost := float64(wander * way * rate)
	half := quantile * math.Sqrt(max(v, 0)+float64(lost*lost)) / math.Abs(float64(rate*left))
	// The curve counts from the middle of the last full minute.
	since := m.Last - time.Duration(m.Minute)*time.Minute + time.Minute/2
	if s+half > 2*horizon.Minutes() {
		return Estimate{}, false
	}
	e.In = max(minutes(s)-since, 0)
	e.Soonest = max(minutes(s-half)-since, 0)
	e.Latest = max(minutes(s+half)-since, 0)
	e.StallAhead = rate > 0 && m.Hot && level < stallTo && limit.Celsius() > stallFrom
	wide := e.Latest - e.Soonest
	if e.In > horizon || wide > slack+time.Duration(tooWide*float64(e.In)) {
		return Estimate{}, false
	}
	return e, true
}

// minutes is x minutes, to the second.
func minutes(x float64) time.Duration {
	return time.Duration(math.Floor(float64(x*60)+0.5)) * time.Second
}

// Plateau reports whether the food stalls: it is warm, the air is far above it, and for half an hour it has hardly
// risen, since what it is given goes into evaporating its water. It will go on to rise, nobody knows when.
func (m *Model) Plateau() bool { return m.Stall }

const (
	// stallFrom and stallTo bound the temperatures of a stall in °C: colder, a food that does not rise yet is in its
	// dead time. A measured stall lay at 60 to 66 °C, in a pit at 107 to 121 °C (Texas A&M, 2013); the rest is room.
	stallFrom, stallTo = 50, 72
	// stallGap is how far above it the air is at least, °C.
	stallGap = 20
	// stallTau is the apparent time constant in minutes from which a rise counts as none: the slowest common piece,
	// 10 cm in still air, has 8.4 h.
	stallTau = 12 * 60
)

// stalled looks for a plateau, and for air that could make one.
func stalled(inside *series, age int64, air *curve, hasAir bool) (stall, hot bool) {
	if !hasAir {
		return false, false
	}
	n := min(age, airWindow)
	food, ok := inside.fit(n, 2)
	gap := air.P[0] - food.P[0]
	if !ok || gap < stallGap {
		return false, false
	}
	noise := math.Sqrt(food.Cov[1][1])
	still := math.Abs(food.P[1])+float64(2*noise) < gap/stallTau
	return still && n == airWindow && food.P[0] >= stallFrom && food.P[0] <= stallTo, true
}
