package forecast_test

import (
	"math"
	"testing"
	"time"

	"holdbell/rules/forecast"
)

// A stall as Texas A&M measured one (2013): 60 °C for two hours in a pit at 110 °C, up to 66 °C in two more, then on.
// The rise before it is first-order, and flattens half an hour before.
func stalling(at time.Duration) float64 {
	h := at.Hours()
	const rise = 3.5
	switch {
	case h < rise:
		return 5 + 55*(1-math.Exp(-h/1.2))/(1-math.Exp(-rise/1.2))
	case h < rise+2:
		return 60 + 0.3*(h-rise)
	case h < rise+4:
		return 60.6 + 2.7*(h-rise-2)
	default:
		return 66 + 6*(h-rise-4)
	}
}

func TestPlateau(t *testing.T) {
	var m forecast.Model
	food, air := newChip(3, 0.15, 0.25), newChip(4, 0.5, 0)
	var told, over time.Duration
	for at := time.Duration(0); at < 9*time.Hour; at += 5 * time.Second {
		m.Add(at, food.read(stalling(at)), air.read(110), true)
		if m.Plateau() && told == 0 {
			told = at
		}
		if !m.Plateau() && told != 0 && over == 0 {
			over = at
		}
		if m.Plateau() {
			if e, ok := m.Reach(celsius(90)); ok {
				t.Fatalf("at %v: done in %v, in the stall", at, e.In)
			}
		}
	}
	t.Logf("stall from 3h30m to 5h30m, slow until 7h30m: told at %v, over at %v", told, over)
	if told < 3*time.Hour || told > 4*time.Hour {
		t.Errorf("stall told at %v, want 3 h to 4 h", told)
	}
	if over < 7*time.Hour || over > 8*time.Hour {
		t.Errorf("stall over at %v, want 7 h to 8 h", over)
	}
	if e, ok := m.Reach(celsius(80)); !ok || math.Abs(e.In.Hours()-(80-stalling(9*time.Hour))/6) > 0.3 {
		t.Errorf("after the stall, 6 °C an hour: 80 °C in %v (%v)", e.In, ok)
	}
}

// A cold core that does not rise yet, food held hot, and food without an air probe are no stall.
func TestNoPlateau(t *testing.T) {
	for _, c := range []struct {
		name      string
		food, air float64
		hasAir    bool
	}{{"cold core in a pit", 5, 115, true}, {"held hot", 63, 67, true}, {"air unknown", 60, 110, false}} {
		var m forecast.Model
		food := newChip(5, 0.1, 0.25)
		for at := time.Duration(0); at < 2*time.Hour; at += 5 * time.Second {
			m.Add(at, food.read(c.food), celsius(c.air), c.hasAir)
		}
		if m.Plateau() {
			t.Errorf("%s: a plateau", c.name)
		}
	}
}

// The simulated shoulder's core stalls by evaporation alone; the finish comes only after it.
func TestShoulderInAPit(t *testing.T) {
	var m forecast.Model
	core, air := newChip(6, 0.15, 0.25), newChip(7, 0.3, 0)
	type said struct {
		at    time.Duration
		e     forecast.Estimate
		level float64
	}
	var all []said
	var done time.Duration
	stalls := 0
	watch(t, pit(30*time.Hour), 30*time.Hour, func(at time.Duration, x, y float64) bool {
		m.Add(at, core.read(x), air.read(y), true)
		if at%(10*time.Minute) == 0 {
			if m.Plateau() {
				stalls++
			}
			if e, ok := m.Reach(celsius(88)); ok {
				all = append(all, said{at, e, x})
			}
		}
		done = at
		return x < 88
	})
	t.Logf("88 °C at %v, %d ten-minute looks in the stall", done, stalls)
	if stalls == 0 || len(all) == 0 {
		t.Fatal("no stall, or no forecast")
	}
	for _, s := range all {
		truth := done - s.at
		off := math.Abs((s.e.In - truth).Hours()) / truth.Hours()
		t.Logf("at %v, %.0f °C: in %v, truth %v, stall ahead %v", s.at, s.level, s.e.In, truth, s.e.StallAhead)
		if !s.e.StallAhead && off > 0.4 {
			t.Errorf("at %v: in %v, truth %v, and no stall ahead", s.at, s.e.In, truth)
		}
	}
}
