package forecast_test

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"holdbell/rules/forecast"
	"holdbell/sensor"
)

// swing is a thermostat's sawtooth of period p between -1 and 1, rising for the share up of it, each half bent as a
// first-order response is.
func swing(at, p time.Duration, up, bent float64) float64 {
	x := math.Mod(at.Seconds()/p.Seconds(), 1)
	half := func(x float64) float64 { return 1 - 2*(1-math.Exp(-bent*x))/(1-math.Exp(-bent)) }
	if x < up {
		return -half(x / up)
	}
	return half((x - up) / (1 - up))
}

// A cabinet that only swings about its setpoint never reaches a limit beyond its swing. The probe may be in the air
// itself, which has no air to compare with.
func TestSteadyCabinetIsNoFall(t *testing.T) {
	limits := []sensor.Temp{celsius(hotLimit), celsius(62), celsius(70), celsius(73.889)}
	rapid.Check(t, func(t *rapid.T) {
		period := time.Duration(rapid.IntRange(240, 2100).Draw(t, "period")) * time.Second
		begin := rapid.Float64Range(0, 1).Draw(t, "begin")
		up := rapid.Float64Range(0.2, 0.8).Draw(t, "up")
		bent := rapid.Float64Range(0.1, 3).Draw(t, "bent")
		reach := rapid.Float64Range(0.2, 2).Draw(t, "swing")
		noise := rapid.SampledFrom([]float64{0, 0.1, 0.3}).Draw(t, "noise")
		step := rapid.SampledFrom([]float64{0, 0.25}).Draw(t, "step")
		inAir := rapid.Bool().Draw(t, "in air")
		seed := rapid.Uint64().Draw(t, "seed")
		probe, air := newChip(seed, noise, step), newChip(seed+1, noise, step)
		var m forecast.Model
		food := 66.0 // behind the air by an hour
		for at := time.Duration(0); at < 24*time.Hour; at += 20 * time.Second {
			around := 66 + reach*swing(at+time.Duration(begin*float64(period)), period, up, bent)
			food += (around - food) * 20 / 3600
			if inAir {
				m.Add(at, air.read(around), 0, false)
			} else {
				m.Add(at, probe.read(food), air.read(around), true)
			}
			if at%time.Minute != 0 {
				continue
			}
			for _, limit := range limits {
				if e, ok := m.Reach(limit); ok && e.In < 30*time.Minute {
					t.Fatalf("at %v: %v in %v (%v to %v)", at, limit, e.In, e.Soonest, e.Latest)
				}
			}
		}
	})
}

// A door that stands open for three minutes is no fall of the food behind it.
func TestDoorIsNoFall(t *testing.T) {
	for _, thick := range []float64{0.03, 0.06} {
		asked := 0
		var m forecast.Model
		core, air := newChip(1, 0.15, 0.25), newChip(2, 0.1, 0)
		watch(t, service(66, 65, thick, 2, 1), 12*time.Hour, func(at time.Duration, x, y float64) bool {
			m.Add(at, core.read(x), air.read(y), true)
			asked++
			if e, ok := m.Reach(celsius(hotLimit)); ok && e.In < 30*time.Minute {
				t.Errorf("thickness %v, at %v: the limit in %v", thick, at, e.In)
				return false
			}
			return true
		})
		if asked == 0 {
			t.Fatal("nothing was asked")
		}
	}
}
