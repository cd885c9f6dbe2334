package forecast

import (
	"math"
	"testing"
	"time"

	"holdbell/sensor"
)

func TestTravel(t *testing.T) {
	for _, x := range []float64{-1, -0.1, -2e-4, -5e-5, 0, 1e-9, 5e-5, 2e-4, 0.3, 4} {
		const s = 30.0
		decay := x / s
		want := s
		if x != 0 {
			want = -math.Expm1(-x) / decay
		}
		if got, left := travel(s, decay); math.Abs(got-want) > 1e-7*s || math.Abs(left-math.Exp(-x)) > 1e-12 {
			t.Errorf("travel(%v, %v) = %v, %v, want %v, %v", s, decay, got, left, want, math.Exp(-x))
		}
	}
}

// The air tells how the rate will change: air that stays slows the food down by 1/tau, air that falls too much less.
func TestDecayFromAir(t *testing.T) {
	const tau = 180.0 // min
	food := curve{P: [3]float64{60, -10 / tau, 0}}
	still := curve{P: [3]float64{50, 0, 0}}
	if got, _ := decay(&food, 10, &still, true); math.Abs(got-1/tau) > 1e-9 {
		t.Errorf("air that stays: %v, want %v", got, 1/tau)
	}
	along := curve{P: [3]float64{50, -10 / tau, 0}}
	if got, _ := decay(&food, 10, &along, true); got < 0 || got > 0.2/tau {
		t.Errorf("air that falls alike: %v, want 0 to %v", got, 0.2/tau)
	}
	ahead := curve{P: [3]float64{50, -30 / tau, 0}}
	if got, _ := decay(&food, 10, &ahead, true); got >= -1/tau || got < gaining {
		t.Errorf("air that falls faster: %v, want under %v", got, -1/tau)
	}
	// Food that evaporates falls below warmer air, which then says nothing.
	warmer := curve{P: [3]float64{70, 0, 0}}
	if got, _ := decay(&food, 10, &warmer, true); got != aloneDecay {
		t.Errorf("warmer air: %v, want %v", got, aloneDecay)
	}
}

// Residuals that come in runs carry less knowledge than as many that come at random.
func TestRunsWidenTheSpread(t *testing.T) {
	var runs, random series
	for i := range int64(48) {
		runs[i], random[i] = 60.1, 60.1
		if i/4%2 == 0 {
			runs[i] = 59.9
		}
		if i%2 == 0 {
			random[i] = 59.9
		}
	}
	a, okA := runs.fit(48, 3)
	b, okB := random.fit(48, 3)
	if !okA || !okB || a.Cov[1][1] < 2*b.Cov[1][1] {
		t.Errorf("variance of the rate %v in runs, %v at random; want at least twice", a.Cov[1][1], b.Cov[1][1])
	}
}

// What gathers speed does so for the way to the limit at most, not over hours.
func TestGainIsBounded(t *testing.T) {
	m := Model{Seen: true, Minute: 1, Last: 30 * time.Second, Knows: true,
		Curve: curve{P: [3]float64{60, -0.02, -0.001}}}
	e, ok := m.Reach(sensor.Temp(50_000)) // 500 min at an even rate, far fewer if it gained speed for ever
	if want := 500 * math.Ln2; !ok || math.Abs(e.In.Minutes()-want) > 1 {
		t.Errorf("in %v (%v), want %.0f min", e.In, ok, want)
	}
}
