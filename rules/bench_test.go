package rules_test

import (
	"fmt"
	"testing"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// fullHouse is a kitchen with every model on: seven pieces with a probe each in a warmer, its air, and an eighth lot
// that the air speaks for; loaded, proven and calm.
func fullHouse(tb testing.TB) *bench {
	s := rules.Setup{Site: "test", Units: rules.Fahrenheit, GapAllowance: 5 * time.Minute, Code: code(tb, "us-fda-2022"),
		Probes:   []rules.ProbeSetup{{Name: "air"}},
		Stations: []rules.StationSetup{{Name: "warmer", Purpose: rules.HotHolding, Air: 0, Band: &rules.Band{Low: f(140), High: f(165)}}}}
	for i := 1; i < 8; i++ {
		s.Probes = append(s.Probes, rules.ProbeSetup{Name: fmt.Sprint("core-", i)})
		s.Stations[0].Food = append(s.Stations[0].Food, i)
	}
	b := &bench{t: tb, set: s, step: time.Second, wall: time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)}
	var err error
	if b.e, err = rules.New(s); err != nil {
		tb.Fatal(err)
	}
	for range s.Probes {
		b.temps = append(b.temps, sensor.Reading{Temp: f(150)})
	}
	b.sweep()
	for i := range 8 {
		b.say(rules.MarkLoad, fmt.Sprint("piece-", i), "warmer", func(m *rules.Mark) { m.Food, m.Probe = "beef", s.Probes[i].Name })
	}
	b.hold(2 * time.Hour)
	if n := len(b.e.State().Lots); n != 8 {
		tb.Fatalf("%d lots:\n%s", n, b.story())
	}
	return b
}

// live is the next sweep of live chips, whose last digits wander.
func (b *bench) live() []rules.Event {
	for i := range b.temps {
		b.temps[i].Temp ^= sensor.Temp(1 + (b.now/time.Second+time.Duration(i))%3)
	}
	evs := b.e.Step(rules.Input{Sweep: sensor.Sweep{At: b.at(), Readings: b.temps}})
	b.now += b.step
	return evs
}

// TestFullHouseAllocatesNothing when quiet, over whole minutes: models are refitted each.
func TestFullHouseAllocatesNothing(t *testing.T) {
	b := fullHouse(t)
	if n := testing.AllocsPerRun(10, func() {
		for range 120 {
			if evs := b.live(); len(evs) > 0 {
				t.Error(evs)
			}
		}
	}); n != 0 {
		t.Errorf("two quiet minutes allocate %v times", n)
	}
}

// BenchmarkFullHouse is a step of 8 probes and 8 lots with all models on.
func BenchmarkFullHouse(b *testing.B) {
	x := fullHouse(b)
	b.ReportAllocs()
	for b.Loop() {
		x.live()
	}
}

// BenchmarkYear is one warmer with air and one core at a sweep a second; year-s is how long a year of it takes.
func BenchmarkYear(b *testing.B) {
	s := warmer(b, "us-fda-2022")
	s.Probes, s.Stations = s.Probes[:2], s.Stations[:1]
	x := newBench(b, rules.Setup{Site: s.Site, Units: s.Units, GapAllowance: s.GapAllowance, Code: s.Code,
		Probes: append(s.Probes[:2:2], warmer(b, "us-fda-2022").Probes[2:]...), Stations: s.Stations})
	x.temps = x.temps[:2]
	x.hold(2 * time.Hour)
	b.ReportAllocs()
	for b.Loop() {
		x.live()
	}
	b.ReportMetric(b.Elapsed().Seconds()/float64(b.N)*365*24*3600, "year-s")
}
