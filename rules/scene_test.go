package rules_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
	"holdbell/sensor/its90"
	"holdbell/sensor/kitchen"
)

// scene is a simulated kitchen of one station, seen by its rules: an air probe and, where there is food, a
// probe in its middle, with the noise and the steps of a chip.
type scene struct {
	*bench
	k   *kitchen.Kitchen
	rnd *rand.Rand
}

const second = time.Second

// newScene makes a scene of a plan with one station; lag is the air probe's.
func newScene(t testing.TB, purpose rules.Purpose, p kitchen.Plan, setpoint, low, high float64, lag time.Duration) *scene {
	t.Helper()
	name := p.Stations[0].Name
	p.Probes = []kitchen.Probe{{Name: "air", Chip: "max31856", Bus: "SPI0.1", Type: its90.K, At: kitchen.Place{Station: name}, Lag: lag}}
	s := rules.Setup{Site: "test", Units: rules.Fahrenheit, GapAllowance: 5 * time.Minute, Code: code(t, "us-fda-2022"),
		Probes: []rules.ProbeSetup{{Name: "air"}}}
	set := f(setpoint)
	st := rules.StationSetup{Name: name, Purpose: purpose, Setpoint: &set, Band: &rules.Band{Low: f(low), High: f(high)}}
	if len(p.Foods) > 0 {
		p.Probes = append(p.Probes, kitchen.Probe{Name: "core", Chip: "max31855", Bus: "SPI0.0", Type: its90.K,
			At: kitchen.Place{Food: p.Foods[0].Name}, Lag: 8 * second})
		s.Probes = append(s.Probes, rules.ProbeSetup{Name: "core"})
		st.Food = []int{1}
	}
	s.Stations = []rules.StationSetup{st}
	k, err := kitchen.New(p)
	if err != nil {
		t.Fatal(err)
	}
	e, err := rules.New(s)
	if err != nil {
		t.Fatal(err)
	}
	b := &bench{t: t, e: e, set: s, step: second, wall: time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)}
	b.temps = make([]sensor.Reading, len(s.Probes))
	return &scene{b, k, rand.New(rand.NewPCG(p.Seed, 7))}
}

// until lets the story go on to a time from its beginning.
func (s *scene) until(end time.Duration) *scene {
	for s.now < end {
		s.k.Advance(s.now - s.k.Now())
		for i := range s.temps {
			tip, _ := s.k.Probe(s.set.Probes[i].Name)
			v := tip.Tip + []float64{0.2, 0.15}[i]*s.rnd.NormFloat64()
			s.temps[i].Temp = c(math.Round(v*4) / 4)
		}
		s.sweep()
	}
	return s
}

// clearOf fails when an alarm was raised.
func (s *scene) clearOf(what string, names ...rules.AlarmName) {
	s.t.Helper()
	for _, n := range names {
		if got := s.count(rules.AlarmRaised, n); got > 0 {
			s.t.Errorf("%s: %s was raised %d times\n%s", what, n, got, s.story())
		}
	}
}

// raisedWithin fails unless an alarm was raised once within a span after a moment, and gives its event.
func (s *scene) raisedWithin(what string, n rules.AlarmName, from, within time.Duration) rules.Event {
	s.t.Helper()
	if got := s.count(rules.AlarmRaised, n); got != 1 {
		s.t.Fatalf("%s: %s was raised %d times\n%s", what, n, got, s.story())
	}
	ev := s.first(rules.AlarmRaised, n)
	if d := ev.At.Mono - from; d < 0 || d > within {
		s.t.Errorf("%s: %s was raised %v after, want within %v", what, n, d, within)
	}
	s.t.Logf("%s: after %v: %s", what, ev.At.Mono-from, ev.Text)
	return ev
}
