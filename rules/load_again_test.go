package rules_test

import (
	"testing"
	"time"

	"holdbell/rules"
)

// A name that was used before is loaded into a station with a watch of its own: the watch goes on under it, and
// the lot that had the name is forgotten.
func TestLoadTakesAnEndedNameIntoAWatchedStation(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.say(rules.MarkLoad, "ribs", "warmer", nil).hold(time.Minute)
	b.say(rules.MarkClose, "ribs", "", nil).hold(10 * time.Minute)
	b.want("warmer", rules.OK) // its own watch has begun
	b.say(rules.MarkLoad, "butt", "pit", nil).hold(time.Minute)
	b.say(rules.MarkLoad, "ribs", "warmer", nil).hold(time.Minute)
	if l := b.lot("ribs"); l.Ended || l.Station != "warmer" {
		t.Errorf("ribs: %+v", l)
	}
	n := 0
	for _, l := range b.e.State().Lots {
		if l.Lot == "ribs" {
			n++
		}
	}
	if n != 1 {
		t.Errorf("%d lots are called ribs", n)
	}
}
