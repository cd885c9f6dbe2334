package rules_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"holdbell/rules"
)

func reasonNote(why string) func(*rules.Mark) {
	return func(m *rules.Mark) { m.Note, m.By = why, "R. Oduya" }
}

// A cabinet that was used to proof bread refuses held food: what is put in is kept and watched, is act, and
// rings, until the cabinet is back in service and has been hot for as long as it takes to arm.
func TestProofing(t *testing.T) {
	s := warmer(t, "us-fda-2022")
	s.Stations = append(s.Stations, rules.StationSetup{Name: "warmer-2", Purpose: rules.HotHolding, Air: -1, Food: []int{2}})
	b := newBench(t, s)
	b.set1(0, f(85)).set1(1, f(150)).sweep()
	b.say(rules.MarkOutOfService, "", "warmer", reasonNote("proofing"))
	b.says("warmer is out of service: proofing. Its alarms are silent, its clocks run on, and food does not belong in it.")
	b.say(rules.MarkLoad, "brisket", "warmer", withProbe("core"))
	b.says("warmer is out of service (proofing) and food does not belong in it: move brisket now")
	if l := b.hold(time.Minute).want("brisket", rules.Act); !strings.Contains(l.Text, "proofing") || !strings.Contains(l.Action, "Move it") {
		t.Errorf("%q", l.Text)
	}
	// Nobody silenced the piece.
	b.set1(1, f(120)).hold(time.Minute)
	if a := b.alarm(rules.BelowHotLimit, "brisket"); a == nil || a.Status != rules.Unacknowledged {
		t.Errorf("its alarm is %+v", a)
	}
	if l := b.want("brisket", rules.Act); l.Charged < 55*time.Second || !strings.Contains(l.Text, "165 °F") {
		t.Errorf("charged %v, %q", l.Charged, l.Text)
	}
	b.restart(b.set)

	// A piece moved in is told the same, and back in service it is not fine before the cabinet is hot.
	b.say(rules.MarkLoad, "ham", "warmer-2", withProbe("core-2")).hold(time.Minute)
	b.say(rules.MarkMove, "ham", "warmer", nil)
	b.says("out of service (proofing)")
	b.say(rules.MarkInService, "", "warmer", signed)
	b.says("Put food in once it has been at 135 °F for 5 min")
	if l := b.hold(20*time.Minute).want("ham", rules.Act); !strings.Contains(l.Text, "it has to be at 135 °F for 5 min") {
		t.Errorf("%q", l.Text)
	}
	b.set1(0, f(150)).hold(4 * time.Minute)
	b.restart(b.set)
	b.want("ham", rules.Act)
	b.hold(2*time.Minute).want("ham", rules.OK)
	b.say(rules.MarkLoad, "beans", "warmer", nil).hold(time.Minute)
	b.want("beans", rules.OK)
}

// Out of service tells what is still in the cabinet; the station's own watch goes on until it is closed, and
// does not begin anew before the cabinet is back in service and hot.
func TestOutOfServiceTellsWhatIsInside(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.say(rules.MarkOutOfService, "", "warmer", nil)
	b.says("It still holds brisket: move what is in it now.")
	b.want("brisket", rules.Act)
	b.say(rules.MarkMove, "brisket", "oven", nil).hold(time.Minute)

	b = newBench(t, warmer(t, "us-fda-2022"))
	b.hold(6 * time.Minute)
	b.say(rules.MarkOutOfService, "", "warmer", reasonNote("proofing"))
	b.says("The watch of warmer goes on: mark close for warmer once it is empty.")
	b.say(rules.MarkClose, "", "warmer", signed).set1(0, f(85)).set1(1, f(85)).hold(time.Hour)
	b.set1(0, f(150)).set1(1, f(150)).hold(time.Hour)
	if n := len(b.e.State().Lots); n != 1 {
		t.Errorf("out of service, %d lots are listed: a watch began", n)
	}
	b.say(rules.MarkInService, "", "warmer", signed).hold(6 * time.Minute)
	if open := slices.ContainsFunc(b.e.State().Lots, func(l rules.LotState) bool { return !l.Ended && l.Standing }); !open {
		t.Error("back in service and hot, the warmer is not watched")
	}
}

// A piece that leaves a station out of service gets its voice back.
func TestLeavingAStationOutOfService(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.say(rules.MarkProbe, "brisket", "", withProbe("core")).set1(1, f(120)).hold(time.Minute)
	b.say(rules.MarkOutOfService, "", "warmer", nil).hold(time.Minute)
	if a := b.alarm(rules.BelowHotLimit, "brisket"); a.Status != rules.OutOfService {
		t.Fatalf("%+v", a)
	}
	b.say(rules.MarkMove, "brisket", "pit", nil).hold(time.Second)
	if a := b.alarm(rules.BelowHotLimit, "brisket"); a == nil || a.Status != rules.Unacknowledged {
		t.Errorf("in the pit its alarm is %+v", a)
	}
}
