package forecast_test

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"holdbell/rules/forecast"
	"holdbell/sensor"
)

// chip is a probe as a chip gives it: noise of a standard deviation, then steps, both in °C.
type chip struct {
	rng         *rand.Rand
	noise, step float64
}

func newChip(seed uint64, noise, step float64) *chip {
	return &chip{rand.New(rand.NewPCG(seed, 1)), noise, step}
}

func (c *chip) read(x float64) sensor.Temp {
	x += c.rng.NormFloat64() * c.noise
	if c.step > 0 {
		x = math.Round(x/c.step) * c.step
	}
	t, ok := sensor.FromCelsius(x)
	if !ok {
		panic("no temperature")
	}
	return t
}

func celsius(x float64) sensor.Temp {
	t, _ := sensor.FromCelsius(x)
	return t
}

// score gathers forecasts beside the truth.
type score struct {
	asked, known, covered int
	off                   []float64 // |error| as a share of the lead
}

func (s *score) take(m *forecast.Model, limit sensor.Temp, truth time.Duration) {
	s.asked++
	e, ok := m.Reach(limit)
	if !ok {
		return
	}
	s.known++
	if e.Soonest <= truth && truth <= e.Latest {
		s.covered++
	}
	s.off = append(s.off, math.Abs((e.In-truth).Minutes())/truth.Minutes())
}

func (s *score) median() float64 {
	slices.SortFunc(s.off, cmp.Compare)
	if len(s.off) == 0 {
		return math.NaN()
	}
	return s.off[len(s.off)/2]
}

func share(a, b int) float64 { return float64(a) / float64(b) }

// A food that answers as one lump in still surroundings, for which the truth is a formula:
// T = air + (start - air)·exp(-t/tau).
func TestReachOfFirstOrder(t *testing.T) {
	cases := []struct {
		name              string
		start, air, limit float64
		least             float64 // share of forecasts made
		off               float64 // median error as a share of the lead
	}{
		{"holding to 135 °F in a room", 65, 24, 57.222, 0.9, 0.06},
		{"cooling to 70 °F in a chiller", 57.222, 3, 21.111, 0.9, 0.1},
		// Near its end a slow cooling loses 0.1 °C in the last 12 minutes, less than the noise.
		{"cooling to 41 °F in a chiller", 21.111, 1, 5, 0.75, 0.15},
		{"reheating to 165 °F in a cabinet", 10, 95, 73.889, 0.9, 0.1},
	}
	leads := []time.Duration{12 * time.Minute, 20 * time.Minute, 30 * time.Minute, time.Hour}
	for _, c := range cases {
		for _, hasAir := range []bool{true, false} {
			name := c.name
			if !hasAir {
				name += ", air unknown"
			}
			t.Run(name, func(t *testing.T) {
				var all score
				for _, lead := range leads {
					var s score
					for _, tau := range []time.Duration{1, 2, 4, 8} {
						tau *= time.Hour
						for seed := range uint64(12) {
							truth := time.Duration(math.Log((c.start-c.air)/(c.limit-c.air)) * float64(tau))
							noise := []float64{0.1, 0.2, 0.3}[seed%3]
							from := max(truth-lead-96*time.Minute, 0)
							if truth-lead-from < 35*time.Minute {
								continue
							}
							food, air := newChip(seed, noise, 0.25), newChip(seed+100, noise, 0.25)
							var m forecast.Model
							for at := from; at <= truth-lead; at += 2 * time.Second {
								x := c.air + (c.start-c.air)*math.Exp(-float64(at)/float64(tau))
								m.Add(at, food.read(x), air.read(c.air), hasAir)
							}
							s.take(&m, celsius(c.limit), lead)
						}
					}
					t.Logf("lead %v: %d of %d known, median error %.1f %%, covered %.0f %%", lead, s.known, s.asked, 100*s.median(), 100*share(s.covered, s.known))
					all.asked += s.asked
					all.known += s.known
					all.covered += s.covered
					all.off = append(all.off, s.off...)
				}
				if all.asked == 0 {
					t.Fatal("no case was asked")
				}
				if got := share(all.known, all.asked); got < c.least {
					t.Errorf("%.2f of the forecasts made, want %.2f", got, c.least)
				}
				if got := all.median(); got > c.off {
					t.Errorf("median error %.3f of the lead, want at most %.2f", got, c.off)
				}
				if got := share(all.covered, all.known); got < 0.9 {
					t.Errorf("%.2f of the truths within the spread, want 0.90", got)
				}
			})
		}
	}
}
