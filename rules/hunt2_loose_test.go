package rules_test

import (
	"testing"
	"time"

	"holdbell/rules"
)

// A cabinet without a probe of its own can show nobody that it is hot: its pieces' probes speak, and a
// time out of service leaves no act that nothing could end.
func TestBackInServiceWithoutAProbe(t *testing.T) {
	s := warmer(t, "us-fda-2022")
	s.Stations[0].Air, s.Stations[0].Food, s.Stations[0].Band = -1, nil, nil
	b := newBench(t, s)
	b.sweep()
	b.say(rules.MarkOutOfService, "", "warmer", signed).hold(time.Minute)
	b.say(rules.MarkInService, "", "warmer", signed).hold(time.Minute)
	b.say(rules.MarkLoad, "ham", "warmer", withProbe("core")).hold(10*time.Minute).want("ham", rules.OK)
}

// An undone move to the cook takes the late come-up's alarm with it: what is not judged any more rings nobody.
func TestComeUpAlarmEndsWithItsLimit(t *testing.T) {
	b := pitted(t, warmer(t, "us-fda-2022"), "pork")
	b.step = 10 * time.Second
	b.ramp(1, f(60), 10*time.Minute).hold(7 * time.Hour)
	if n := b.count(rules.AlarmRaised, rules.ComeUpLate); n != 1 {
		t.Fatalf("come-up-late was raised %d times\n%s", n, b.story())
	}
	s := warmer(t, "us-fda-2022")
	s.Code.ComeUpLimit = 0
	b.restart(s).hold(20 * time.Minute)
	if n := b.count(rules.AlarmCleared, rules.ComeUpLate); n != 1 {
		t.Errorf("without a limit it was cleared %d times\n%s", n, b.story())
	}
}
