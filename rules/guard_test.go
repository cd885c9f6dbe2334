package rules_test

import (
	"strings"
	"testing"
	"time"

	"holdbell/rules"
)

// guarded is a bench whose core and air claim ±1 °C and whose second core claims ±2 °C, with a guard band.
func guarded(t *testing.T, food ...int) *bench {
	s := warmer(t, "us-fda-2022")
	s.GuardBand = true
	for i := range s.Probes {
		s.Probes[i].Accuracy = 1000
	}
	s.Probes[2].Accuracy = 2000
	s.Stations[0].Food = food
	return newBench(t, s)
}

// Law 4: with a guard band hot limits move up and cold limits down by the accuracy of the lot's worst
// probe (FSIS-GD-2021-14: 165 °F by an instrument good to 1 °F is 166 °F).
func TestGuardBandMovesTheLimits(t *testing.T) {
	b := guarded(t, 1)
	b.sweep()
	b.say(rules.MarkLoad, "brisket", "warmer", nil).hold(time.Minute)
	limit := f(135) + 1000
	b.set1(1, limit).hold(time.Minute).want("brisket", rules.OK)
	b.set1(1, limit-1).hold(10 * time.Minute)
	l := b.want("brisket", rules.Act)
	near(t, "danger-zone time", l.DangerZone, 10*time.Minute, 2*time.Second)
	if !strings.Contains(l.Text, "136.8 °F") || !strings.Contains(l.Text, "moved by 1.8 °F") {
		t.Errorf("the guarded limit and its reason are not told: %s", l.Text)
	}
	// 165 °F is no reheating any more, 166.8 °F is.
	b.ramp(1, f(166), 10*time.Minute).hold(time.Minute).want("brisket", rules.Act)
	b.set1(1, f(165)+1000).hold(20*time.Second).want("brisket", rules.OK)

	b.set1(4, f(41)-999)
	b.say(rules.MarkLoad, "salad", "walkin", nil).hold(2*time.Minute).want("salad", rules.Act)
	b.set1(4, f(41)-1000).hold(2*time.Minute).want("salad", rules.OK)
}

// The worst of a lot's probes speaks, and another probe brings another band.
func TestGuardBandIsTheWorstProbes(t *testing.T) {
	b := guarded(t, 1, 2)
	b.sweep()
	b.say(rules.MarkLoad, "tray", "warmer", nil).hold(time.Minute)
	b.set1(1, f(135)+1999).hold(time.Minute).want("tray", rules.Act)
	b = guarded(t, 1)
	b.sweep()
	b.say(rules.MarkLoad, "tray", "warmer", nil).hold(time.Minute)
	b.set1(1, f(135)+1500).set1(2, f(135)+1500).hold(time.Minute).want("tray", rules.OK)
	b.say(rules.MarkProbe, "tray", "", withProbe("core-2")).hold(time.Minute).want("tray", rules.Act)
}

// Cooling ends at a colder reading, and six hours of time control below a colder 70 °F.
func TestGuardBandInRuns(t *testing.T) {
	b := guarded(t, 1)
	b.sweep()
	b.say(rules.MarkLoad, "pan", "warmer", withProbe("core")).hold(time.Minute)
	b.say(rules.MarkMove, "pan", "bath", nil).ramp(1, f(70), time.Hour).hold(time.Minute)
	if c := b.lot("pan").Cooling; c.Stage1 >= 0 {
		t.Errorf("70 °F passed for 68.2 °F: %+v", c)
	}
	b.set1(1, f(70)-1000).hold(time.Minute)
	if c := b.lot("pan").Cooling; c.Stage1 < 0 {
		t.Errorf("68.2 °F did not pass: %+v", c)
	}
}

// A new accuracy in a new configuration moves the limits of the lots that are there; an older snapshot
// without a band takes the one of the configuration.
func TestGuardBandAfterAReload(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.set1(1, f(136)).hold(time.Minute).want("brisket", rules.OK)
	s := b.set
	s.GuardBand = true
	s.Probes = append([]rules.ProbeSetup(nil), s.Probes...)
	s.Probes[1].Accuracy = 1000
	b.restart(s).hold(time.Minute).want("brisket", rules.Act)
	s.GuardBand = false
	b = loaded(t, "us-fda-2022").restart(s)
	b.set1(1, f(136)).hold(time.Minute).want("brisket", rules.OK)
}

// A station of its own arms at the guarded limit.
func TestGuardBandArms(t *testing.T) {
	b := guarded(t, 1)
	b.set1(1, f(136)).hold(20 * time.Minute)
	if n := len(b.e.State().Lots); n != 0 {
		t.Errorf("armed at 136 °F, which may be 134.2 °F:\n%s", b.story())
	}
	b.set1(1, f(137)).hold(10 * time.Minute)
	b.want("warmer", rules.OK)
}
