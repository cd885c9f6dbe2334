package kitchen

import (
	"strconv"
	"strings"
	"testing"
	"time"

	"holdbell/sensor"
)

// TestDemoStory follows the story as its readings tell it, second by second, through the real drivers.
func TestDemoStory(t *testing.T) {
	k := must(Demo(1))
	plan := DemoPlan(1)
	s := k.Source(drivers(t, k, plan.Probes), time.Second, start())
	index := map[string]int{}
	for i, p := range plan.Probes {
		index[p.Name] = i
	}
	hot := sensor.FahrenheitLimit(135)
	var fell, badFrom, badTo time.Duration
	pitLow, pitHigh := 999.0, 0.0
	shut := time.Duration(0) // since the lid was last open
	for k.Now() < 8*time.Hour {
		r := must(s.Next(t.Context())).Readings
		now := k.Now()
		if core := r[index["warmer-core"]]; !core.Valid() {
			t.Fatalf("%v: warmer-core %v", now, core.Fault)
		} else if core.Temp < hot && fell == 0 {
			fell = now
		} else if fell != 0 && now > fell+10*time.Minute && core.Temp > hot {
			t.Fatalf("%v: the hold came back", now)
		}
		if air := r[index["warmer-air"]]; now > time.Second && now < service && (air.Temp < sensor.FahrenheitLimit(140) || air.Temp > sensor.FahrenheitLimit(165)) {
			t.Fatalf("%v: warmer's air at %v in the calm", now, air.Temp)
		}
		if r[index["pit-core"]].Fault == sensor.Open {
			if badFrom == 0 {
				badFrom = now
			}
			badTo = now
		}
		if shut++; truth(k.Station("pit")).Open {
			shut = 0
		}
		if shut > 5*60 {
			air := truth(k.Station("pit")).Air
			pitLow, pitHigh = min(pitLow, air), max(pitHigh, air)
		}
	}
	t.Logf("breaker trips at %v, the core is under 135 °F at %v, 4 h of that at %v", tripped, fell, fell+4*time.Hour)
	t.Logf("pit air with the lid shut for 5 min: %.0f to %.0f °F", pitLow*1.8+32, pitHigh*1.8+32)
	if tripped > 2*time.Hour || fell-tripped < time.Hour || fell-tripped > 100*time.Minute {
		t.Errorf("the breaker trips at %v and the core falls at %v", tripped, fell)
	}
	if badFrom-loosened > 2*time.Second || badFrom < loosened || badTo < tightened-2*time.Second || badTo > tightened+2*time.Second {
		t.Errorf("pit-core is open from %v to %v", badFrom, badTo)
	}
	if pitLow < fahrenheit(250) || pitHigh > fahrenheit(300) {
		t.Errorf("the pit's air swings from %.0f to %.0f °C", pitLow, pitHigh)
	}
}

// TestDemoMarks: the hand check says what was true, names are those of the plan, and times go forward.
func TestDemoMarks(t *testing.T) {
	k := must(Demo(1))
	checks := 0
	for _, m := range DemoMarks() {
		if m.At < k.Now() {
			t.Fatalf("%v comes after %v", m.At, k.Now())
		}
		k.Advance(m.At - k.Now())
		truth(k.Station(m.Station))
		if m.Lot == "" || m.By == "" {
			t.Errorf("%+v lacks a word", m)
		}
		if m.Kind != "check" {
			continue
		}
		checks++
		said, _, _ := strings.Cut(strings.TrimPrefix(m.Note, "F="), " ")
		near(t, "hand check, °C", fahrenheit(must(strconv.ParseFloat(said, 64))), truth(k.Food("brisket")).Core, 0.6)
		if m.Lot != "warmer" || m.Station != "warmer" {
			t.Errorf("the check is of %s in %s", m.Lot, m.Station)
		}
	}
	if checks != 1 {
		t.Errorf("%d hand checks", checks)
	}
}

// TestDemoCook: the shoulder comes through 50 to 130 °F within 6 h and is done when it is taken out.
func TestDemoCook(t *testing.T) {
	k := must(Demo(1))
	var from, to time.Duration
	for k.Now() < pitDone-time.Minute {
		k.Advance(time.Minute)
		switch core := truth(k.Food("pork")).Core; {
		case core >= fahrenheit(130) && to == 0:
			to = k.Now()
		case core >= fahrenheit(50) && from == 0:
			from = k.Now()
		}
	}
	if d := to - from; to == 0 || d > 6*time.Hour {
		t.Errorf("50 to 130 °F takes %v", d)
	}
	if core := truth(k.Food("pork")).Core; core < fahrenheit(190) || core > fahrenheit(208) {
		t.Errorf("taken out at %.1f °C", core)
	}
}

// BenchmarkDemo gives the virtual seconds in a second of real time, at a sweep a virtual second through the
// real drivers, and without reading anything.
func BenchmarkDemo(b *testing.B) {
	b.Run("sweeps", func(b *testing.B) {
		k := must(Demo(1))
		s := k.Source(drivers(b, k, DemoPlan(1).Probes), time.Second, start())
		b.ReportAllocs()
		for b.Loop() {
			must(s.Next(b.Context()))
		}
		b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "virtual-s/s")
	})
	b.Run("unread", func(b *testing.B) {
		k := must(Demo(1))
		for b.Loop() {
			k.Advance(time.Second)
		}
		b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "virtual-s/s")
	})
}
