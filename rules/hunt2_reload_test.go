package rules_test

import (
	"testing"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// A probe that died and was taken out of the configuration takes no unknown time with it.
func TestRemovedProbeTakesNoGapAlong(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.fail(1, sensor.Open).hold(3 * time.Hour)
	b.want("brisket", rules.Act)
	s := warmer(t, "us-fda-2022")
	s.Probes[1].Name = "core-new"
	b.set1(1, f(150)).restart(s).hold(time.Minute)
	if l := b.lot("brisket"); l.Unknown < 3*time.Hour-time.Minute || l.Verdict == rules.OK {
		t.Errorf("after three dark hours it is %s, unknown for %v", l.Verdict, l.Unknown)
	}
	b.fail(1, sensor.Open).hold(2*time.Hour).want("brisket", rules.Discard)
}
