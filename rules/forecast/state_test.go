package forecast_test

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"holdbell/rules/forecast"
	"holdbell/sensor"
)

// cooling feeds a model with a food that cools in a falling air, from one time to another, and asks it each minute.
func cooling(m *forecast.Model, f *forecast.Fire, from, to time.Duration) (all []forecast.Estimate) {
	food, air := newChip(11, 0.1, 0.25), newChip(12, 0.2, 0)
	for at := time.Duration(0); at < to; at += 2 * time.Second {
		h := at.Hours()
		x, y := food.read(24+41*math.Exp(-h/3)), air.read(24+35*math.Exp(-h/3))
		if at < from {
			continue
		}
		m.Add(at, x, y, true)
		f.Add(at, y)
		if at%time.Minute == 0 {
			e, _ := m.Reach(celsius(hotLimit - 10))
			all = append(all, e)
		}
	}
	return all
}

// A model that was written out as JSON, at any moment, and read back goes on as if nothing had been.
func TestContinuesFromJSON(t *testing.T) {
	const end = 100 * time.Minute
	var m forecast.Model
	var f forecast.Fire
	want := cooling(&m, &f, 0, end)
	if last := want[len(want)-1]; last.In == 0 {
		t.Fatal("no forecast to compare")
	}
	for _, cut := range []time.Duration{0, 2 * time.Second, 59 * time.Second, time.Minute, 30*time.Minute + 14*time.Second, 99 * time.Minute} {
		var a, b forecast.Model
		var fa, fb forecast.Fire
		got := cooling(&a, &fa, 0, cut)
		through(t, &a, &b)
		through(t, &fa, &fb)
		if a != b || fa != fb {
			t.Fatalf("cut at %v: the copy differs", cut)
		}
		got = append(got, cooling(&b, &fb, cut, end)...)
		if b != m || fb != f {
			t.Errorf("cut at %v: another state at the end", cut)
		}
		if len(got) != len(want) {
			t.Fatalf("cut at %v: %d estimates, want %d", cut, len(got), len(want))
		}
		for i := range got {
			if got[i] != want[i] {
				t.Fatalf("cut at %v: estimate %d is %v, want %v", cut, i, got[i], want[i])
			}
		}
	}
}

func through(t *testing.T, from, to any) {
	t.Helper()
	b, err := json.Marshal(from)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, to); err != nil {
		t.Fatal(err)
	}
}

func TestGaps(t *testing.T) {
	fall := func(m *forecast.Model, from, to time.Duration) {
		for at := from; at < to; at += time.Second {
			m.Add(at, celsius(70-6*at.Hours()), celsius(50-6*at.Hours()), true)
		}
	}
	var m forecast.Model
	fall(&m, 0, 30*time.Minute)
	fall(&m, 34*time.Minute, 60*time.Minute)
	e, ok := m.Reach(celsius(60))
	if want := 40 * time.Minute; !ok || (e.In-want).Abs() > 2*time.Minute {
		t.Errorf("over a gap of 4 min: in %v (%v), want %v", e.In, ok, want)
	}
	fall(&m, 67*time.Minute, 72*time.Minute)
	if e, ok := m.Reach(celsius(60)); ok {
		t.Errorf("5 min after a gap of 7 min: in %v, want none", e.In)
	}
	fall(&m, 72*time.Minute, 90*time.Minute)
	if _, ok := m.Reach(celsius(60)); !ok {
		t.Error("23 min after a gap: no forecast")
	}
	kept := m
	m.Reset()
	if m != (forecast.Model{}) {
		t.Error("something is left after Reset")
	}
	m = kept
	m.Add(time.Minute, celsius(65), 0, false)
	if e, ok := m.Reach(celsius(60)); ok {
		t.Errorf("after a step back of the clock: in %v, want none", e.In)
	}
}

// What cannot be said is not said.
func TestSaysNothing(t *testing.T) {
	cases := []struct {
		name  string
		at    func(h float64) float64
		air   float64
		limit float64
	}{
		{"a limit beyond the air", func(h float64) float64 { return 62 + 30*math.Exp(-h/0.5) }, 62, 57},
		{"a limit that lies behind", func(h float64) float64 { return 60 - 4*h }, 20, 70},
		{"a level temperature", func(float64) float64 { return 62 }, 62, 57},
		{"noise alone", func(h float64) float64 { return 62 + 0.02*math.Sin(9*h) }, 62, 57},
		{"more than 12 h off", func(h float64) float64 { return 60 - h }, 20, 25},
	}
	for _, c := range cases {
		var m forecast.Model
		food := newChip(21, 0.2, 0.25)
		for at := time.Duration(0); at < 3*time.Hour; at += 2 * time.Second {
			m.Add(at, food.read(c.at(at.Hours())), celsius(c.air), true)
			if at > time.Hour && at%time.Minute == 0 {
				if e, ok := m.Reach(celsius(c.limit)); ok {
					t.Errorf("%s: at %v in %v (%v to %v)", c.name, at, e.In, e.Soonest, e.Latest)
					break
				}
			}
		}
	}
}

// Whatever comes in, the state stays JSON-able and an estimate stays in order.
func FuzzModel(f *testing.F) {
	f.Add([]byte{0, 0, 0, 200, 1, 9, 30, 30, 100, 4})
	f.Add([]byte{255, 128, 255, 0, 1, 1, 1, 1})
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, b []byte) {
		var m forecast.Model
		var fire forecast.Fire
		at := -time.Hour
		for len(b) >= 3 {
			at += time.Duration(int8(b[0])) * 3 * time.Second
			food := sensor.MinTemp + sensor.Temp(b[1])*10_000
			for i := range 20 {
				at += 15 * time.Second
				m.Add(at, food+sensor.Temp(i*int(b[2])), food-sensor.Temp(b[2])*300, b[2]%2 == 0)
				fire.Add(at, food)
			}
			b = b[3:]
			for _, limit := range []sensor.Temp{sensor.MinTemp, 0, 57_222, sensor.MaxTemp} {
				if e, ok := m.Reach(limit); ok && !(0 <= e.Soonest && e.Soonest <= e.In && e.In <= e.Latest) {
					t.Fatalf("%v after %v: %v, %v, %v", limit, at, e.Soonest, e.In, e.Latest)
				}
			}
		}
		var back forecast.Model
		through(t, &m, &back)
		if back != m {
			t.Fatal("another state after JSON")
		}
	})
}

// readings are two hours of a food in falling air at 1 s, as a coarse chip gives them.
func readings() (food, air []sensor.Temp) {
	f, a := newChip(31, 0.15, 0.25), newChip(32, 0.2, 0)
	for i := range 7200 {
		h := float64(i) / 3600
		food = append(food, f.read(24+41*math.Exp(-h/3)))
		air = append(air, a.read(24+35*math.Exp(-h/3)))
	}
	return food, air
}

func BenchmarkAdd(b *testing.B) {
	food, air := readings()
	var m forecast.Model
	i := 0
	for b.Loop() {
		at := time.Duration(i) * time.Second
		m.Add(at, food[i%len(food)], air[i%len(air)], true)
		i++
	}
}

func BenchmarkFireAdd(b *testing.B) {
	_, air := readings()
	var f forecast.Fire
	i := 0
	for b.Loop() {
		f.Add(time.Duration(i)*time.Second, air[i%len(air)])
		i++
	}
}

// A quiet sweep costs no allocation, at the end of a minute neither.
func TestAllocatesNothing(t *testing.T) {
	food, air := readings()
	var m forecast.Model
	var f forecast.Fire
	i := 0
	got := testing.AllocsPerRun(6000, func() {
		m.Add(time.Duration(i)*time.Second, food[i], air[i], true)
		f.Add(time.Duration(i)*time.Second, air[i])
		m.Reach(celsius(hotLimit))
		i++
	})
	if got != 0 {
		t.Errorf("%v allocations a sweep", got)
	}
}

func BenchmarkReach(b *testing.B) {
	var m forecast.Model
	var f forecast.Fire
	cooling(&m, &f, 0, 100*time.Minute)
	for b.Loop() {
		if _, ok := m.Reach(celsius(hotLimit - 10)); !ok {
			b.Fatal("no forecast")
		}
	}
}
