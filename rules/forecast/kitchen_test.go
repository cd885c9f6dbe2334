package forecast_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"holdbell/rules/forecast"
	"holdbell/sensor/its90"
	"holdbell/sensor/kitchen"
	"holdbell/sensor/kitchen/heat"
)

// hotLimit is 135 °F (FDA Food Code 2022, 3-501.16) in °C.
const hotLimit = 57.222

// probes are one in the middle of a food and one in the air of a station.
func probes(station, food string) []kitchen.Probe {
	return []kitchen.Probe{
		{Name: "core", Chip: "max31855", Bus: "SPI0.0", Type: its90.K, At: kitchen.Place{Food: food}, Lag: 8 * time.Second},
		{Name: "air", Chip: "max31856", Bus: "SPI0.1", Type: its90.K, At: kitchen.Place{Station: station}, Lag: 20 * time.Second},
	}
}

// watch makes a kitchen and moves it on in steps of 5 s, calling each with what the two probes' tips have, until
// that says that it has seen enough.
func watch(t *testing.T, p kitchen.Plan, until time.Duration, each func(at time.Duration, core, air float64) bool) {
	t.Helper()
	k, err := kitchen.New(p)
	if err != nil {
		t.Fatal(err)
	}
	for k.Now() < until {
		k.Advance(5 * time.Second)
		core, _ := k.Probe("core")
		air, _ := k.Probe("air")
		if !each(k.Now(), core.Tip, air.Tip) {
			return
		}
	}
}

// service is a cabinet in use: wrapped pieces in it, the door open for three minutes twice an hour.
func service(setpoint, start, thick float64, pieces int, leak float64) kitchen.Plan {
	cabinet := kitchen.HoldingCabinet("warmer", setpoint)
	cabinet.Outer *= leak
	p := kitchen.Plan{Room: 22, Stations: []kitchen.Station{cabinet}, Probes: probes("warmer", "food0"),
		Script: []kitchen.Event{
			{At: 25 * time.Minute, Every: 30 * time.Minute, Do: kitchen.Door{Station: "warmer", Open: true}},
			{At: 28 * time.Minute, Every: 30 * time.Minute, Do: kitchen.Door{Station: "warmer"}},
		}}
	for i := range pieces {
		p.Foods = append(p.Foods, kitchen.Food{Name: fmt.Sprint("food", i), Station: "warmer", Start: start, Wrapped: true,
			Shape: heat.Box(0.38, 0.25, thick), Made: heat.CookedBrisket()})
	}
	return p
}

// A cabinet in use loses its supply: the limit must be announced early enough, by a forecast that is about right.
// The figures that the package rests on were found with other cabinets.
func TestBreakerTrips(t *testing.T) {
	const tripped = 2 * time.Hour
	type run struct{ at, x, y []float64 }
	var runs []run
	for _, thick := range []float64{0.04, 0.065, 0.1} {
		for _, start := range []float64{61, 65} {
			for n, leak := range []float64{0.8, 1.7, 3} {
				p := service(67, start, thick, n+1, leak)
				p.Script = append(p.Script, kitchen.Event{At: tripped, Do: kitchen.Breaker{Station: "warmer", Tripped: true}})
				var r run
				watch(t, p, 14*time.Hour, func(at time.Duration, core, air float64) bool {
					r.at, r.x, r.y = append(r.at, at.Seconds()), append(r.x, core), append(r.y, air)
					return core >= hotLimit
				})
				if r.x[len(r.x)-1] >= hotLimit {
					t.Fatalf("a piece of %v m is still hot", thick)
				}
				runs = append(runs, r)
			}
		}
	}
	for _, hasAir := range []bool{true, false} {
		var s score
		var leads []float64
		for n, r := range runs {
			core, air := newChip(uint64(n), 0.15, 0.25), newChip(uint64(n)+500, 0.1, 0)
			truth := time.Duration(r.at[len(r.at)-1]) * time.Second
			var m forecast.Model
			var lead time.Duration
			for i, x := range r.x {
				at := time.Duration(r.at[i]) * time.Second
				m.Add(at, core.read(x), air.read(r.y[i]), hasAir)
				if at%time.Minute != 0 {
					continue
				}
				e, ok := m.Reach(celsius(hotLimit))
				soon := ok && e.In <= 30*time.Minute
				if at <= tripped && soon {
					t.Errorf("run %d: %v before the breaker tripped, the limit was said to come in %v", n, tripped-at, e.In)
				}
				if soon && lead == 0 && truth > at {
					lead = truth - at
				}
				if left := truth - at; left >= 12*time.Minute && left <= time.Hour && at > tripped {
					s.take(&m, celsius(hotLimit), left)
				}
			}
			leads = append(leads, lead.Minutes())
		}
		slices.Sort(leads)
		t.Logf("air %v: %d runs, first said to come within 30 min at a lead of %.0f min (least), %.0f (median), %.0f (most)",
			hasAir, len(leads), leads[0], leads[len(leads)/2], leads[len(leads)-1])
		t.Logf("air %v: at leads of 12 to 60 min %d of %d known, median error %.1f %%, covered %.0f %%",
			hasAir, s.known, s.asked, 100*s.median(), 100*share(s.covered, s.known))
		if leads[0] < 12 {
			t.Errorf("air %v: a lead of %.0f min, want 12", hasAir, leads[0])
		}
		if share(s.covered, s.known) < 0.85 || s.median() > 0.15 {
			t.Errorf("air %v: %.2f covered, median error %.3f; want 0.85 and at most 0.15", hasAir, share(s.covered, s.known), s.median())
		}
	}
}
