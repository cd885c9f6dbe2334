package forecast_test

import (
	"math"
	"testing"
	"time"

	"holdbell/rules/forecast"
	"holdbell/sensor/kitchen"
	"holdbell/sensor/kitchen/heat"
)

// lump is air that answers a heat with a time constant, as a formula would have it.
type lump struct{ at, to, tau float64 }

func (l *lump) step(seconds float64) float64 {
	l.at += (l.to - l.at) * (1 - math.Exp(-seconds/l.tau))
	return l.at
}

func TestDyingFire(t *testing.T) {
	for _, tau := range []float64{20 * 60, 40 * 60, 90 * 60} {
		var f forecast.Fire
		air := newChip(uint64(tau), 0.3, 0.25)
		l := lump{120, 120, tau}
		said := time.Duration(-1)
		for at := time.Duration(0); at < 2*time.Hour; at += 2 * time.Second {
			if at == time.Hour {
				l.to = 30
			}
			f.Add(at, air.read(l.step(2)))
			if f.Falling() {
				said = at - time.Hour
				break
			}
		}
		if said < 3*time.Minute || said > 15*time.Minute {
			t.Errorf("tau %.0f s: told %v after the fire died, want 3 to 15 min", tau, said)
		}
		t.Logf("tau %.0f min: told after %v", tau/60, said)
	}
}

// A lid lets the air fall at once and come back when it is shut; a fire's controller swings slowly.
func TestLidIsNoDyingFire(t *testing.T) {
	for _, open := range []time.Duration{time.Minute, 3 * time.Minute, 6 * time.Minute} {
		for _, back := range []float64{3 * 60, 10 * 60, 25 * 60} {
			var f forecast.Fire
			air := newChip(uint64(back), 0.3, 0.25)
			l := lump{120, 120, back}
			for at := time.Duration(0); at < 6*time.Hour; at += 2 * time.Second {
				l.to, l.tau = 120+3*math.Sin(2*math.Pi*at.Minutes()/37), back
				if at%(50*time.Minute) < open && at > 40*time.Minute {
					l.to, l.tau = 60, 100
				}
				f.Add(at, air.read(l.step(2)))
				if f.Falling() {
					t.Errorf("open for %v, back within %.0f min: a dying fire at %v", open, back/60, at)
					break
				}
			}
		}
	}
}

// pit is a pit with a shoulder in it that is fed each 50 minutes with the lid open for one, for some hours.
func pit(fed time.Duration) kitchen.Plan {
	p := kitchen.Plan{Room: 20, Stations: []kitchen.Station{kitchen.SmokePit("pit", 120)}, Probes: probes("pit", "shoulder"),
		Foods: []kitchen.Food{{Name: "shoulder", Station: "pit", Start: 5, Shape: heat.Box(0.22, 0.16, 0.08), Made: heat.RawPorkShoulder()}}}
	for at := 40 * time.Minute; at < fed; at += 50 * time.Minute {
		p.Script = append(p.Script,
			kitchen.Event{At: at, Do: kitchen.Door{Station: "pit", Open: true}},
			kitchen.Event{At: at, Do: kitchen.Feed{Station: "pit", Kg: 1.2}},
			kitchen.Event{At: at + time.Minute, Do: kitchen.Door{Station: "pit"}})
	}
	return p
}

func TestFireInAPit(t *testing.T) {
	const fed = 6 * time.Hour
	var f forecast.Fire
	air := newChip(1, 0.3, 0)
	var told, under time.Duration
	watch(t, pit(fed), 12*time.Hour, func(at time.Duration, _, y float64) bool {
		f.Add(at, air.read(y))
		if f.Falling() && told == 0 {
			told = at
		}
		if y < 100 && at > time.Hour && under == 0 && at > fed {
			under = at
		}
		return told == 0 || under == 0
	})
	t.Logf("last fed by %v, told at %v, 20 °C under the setpoint at %v", fed, told, under)
	if told < fed || under == 0 || told > under {
		t.Errorf("told at %v; want it after %v and before %v", told, fed, under)
	}
}
