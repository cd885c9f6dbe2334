package rules_test

import (
	"strings"
	"testing"
	"time"

	"holdbell/rules"
)

// moved is a bench whose warmer watches on its own while a brisket cooks in the pit, seen by core-2.
func moved(t testing.TB) *bench {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.temps[2].Temp = f(203)
	b.hold(6 * time.Minute)
	b.say(rules.MarkLoad, "brisket", "pit", func(m *rules.Mark) { m.Probe, m.Food = "core-2", "beef" }).hold(2 * time.Minute)
	return b
}

// A piece that is moved into a cabinet takes its watch over, as one that is loaded does: an empty cabinet's
// own watch would ring by its air for nothing.
func TestMoveTakesTheWatchOver(t *testing.T) {
	b := moved(t)
	b.say(rules.MarkMove, "brisket", "warmer", nil)
	b.says("The watch of warmer goes on in it.")
	if l := b.lot("warmer"); !l.Ended {
		t.Errorf("the warmer's own watch goes on beside the piece: %s", l.Text)
	}
	b.ramp(0, f(120), time.Minute).ramp(1, f(120), time.Minute).ramp(2, f(150), 20*time.Minute).hold(20 * time.Minute)
	b.want("brisket", rules.OK)
	if n := b.count(rules.AlarmRaised, rules.BelowHotLimit); n != 0 {
		t.Errorf("below-hot-limit was raised %d times for an empty cabinet's watch\n%s", n, b.story())
	}
	if !b.e.State().Stations[0].Armed {
		t.Error("the warmer is not armed with a piece in it")
	}
}

// A watch that is not in order is for somebody to close: a piece that comes in hides nothing.
func TestMoveHidesNoTroubledWatch(t *testing.T) {
	b := moved(t)
	b.ramp(1, f(120), time.Minute).hold(5 * time.Minute)
	b.want("warmer", rules.Act)
	b.say(rules.MarkMove, "brisket", "warmer", nil)
	b.says("mark close for warmer")
	if l := b.want("warmer", rules.Act); l.Ended {
		t.Error("the warmer's own watch has ended")
	}
}

// Whoever takes the last piece out of a hot cabinet is told how to leave it: else it is watched again.
func TestLastPieceOutOfAHotCabinet(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.say(rules.MarkClose, "brisket", "", signed)
	b.says("mark close for warmer")
	b = loaded(t, "us-fda-2022")
	b.say(rules.MarkLoad, "pork", "warmer", nil).sweep()
	b.say(rules.MarkClose, "pork", "", signed)
	if a := b.answer(); strings.Contains(a, "close for warmer") {
		t.Errorf("with a piece in it: %s", a)
	}
}

// What earns credit is signed: an unsigned check does not take back that cold food was found warm.
func TestUnsignedCheckClosesNoWarmFind(t *testing.T) {
	b := held(t, "us-fda-2022")
	lot := b.e.State().Lots[0].Lot
	b.say(rules.MarkCheck, lot, "", signedCheck(f(50))).sweep()
	b.want(lot, rules.Act)
	cold := f(38)
	b.say(rules.MarkCheck, lot, "", func(m *rules.Mark) { m.Temp = &cold })
	b.says("Sign the check")
	b.want(lot, rules.Act)
	b.say(rules.MarkCheck, lot, "", signedCheck(cold)).hold(time.Second)
	b.want(lot, rules.OK)
}
