package rules_test

import (
	"strings"
	"testing"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// loaded is a bench with one lot hot in the warmer.
func loaded(t testing.TB, name string) *bench {
	b := newBench(t, warmer(t, name))
	b.sweep()
	return b.say(rules.MarkLoad, "brisket", "warmer", nil).hold(time.Minute)
}

func signedCheck(temp sensor.Temp) func(*rules.Mark) {
	return func(m *rules.Mark) { m.Temp, m.By = &temp, "R. Oduya" }
}

// The walk of one lot under the FDA Food Code 2022: ok, act while outside with four charged hours as the
// deadline, act after a return that was not proven, discard at four hours.
func TestUSVerdictWalk(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.want("brisket", rules.OK)
	b.ramp(1, f(125), time.Minute).hold(time.Hour)
	l := b.want("brisket", rules.Act)
	if !strings.Contains(l.Action, "165 °F") || l.Deadline.IsZero() || !strings.Contains(l.Basis, "3-501.16") {
		t.Errorf("action %q, deadline %v, basis %q", l.Action, l.Deadline, l.Basis)
	}
	left, _ := l.Deadline.Sub(b.e.State().At)
	near(t, "time left", left, 4*time.Hour-l.Charged, time.Second)
	b.ramp(1, f(150), time.Minute).hold(time.Hour)
	if l := b.want("brisket", rules.Act); !l.Deadline.IsZero() {
		t.Errorf("back inside, a deadline of %v stands", l.Deadline.Mono)
	}
	b.ramp(1, f(125), time.Minute).hold(3 * time.Hour)
	b.want("brisket", rules.Discard)
	b.ramp(1, f(170), time.Minute).hold(time.Hour)
	b.want("brisket", rules.Discard)
}

// 165 °F for 15 s within two hours of starting ends an excursion (common practice beside 3-403.11).
func TestReheatingInPlace(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.ramp(1, f(125), time.Minute).hold(time.Hour)
	b.ramp(1, f(166), 10*time.Minute)
	b.want("brisket", rules.Act)
	b.hold(20*time.Second).want("brisket", rules.OK)

	// A bridged gap proves nothing: the target is touched, lost, and touched again.
	b = loaded(t, "us-fda-2022")
	b.ramp(1, f(125), time.Minute).hold(time.Hour).ramp(1, f(164), 5*time.Minute)
	for range 5 {
		b.set1(1, f(166)).hold(8 * time.Second)
		b.fail(1, sensor.Open).hold(5 * time.Second)
	}
	b.set1(1, f(150)).hold(time.Minute)
	b.want("brisket", rules.Act)

	// A pull-up that takes longer than two hours is no reheating.
	b = loaded(t, "us-fda-2022")
	b.ramp(1, f(125), time.Minute).ramp(1, f(166), 150*time.Minute).hold(time.Minute)
	b.want("brisket", rules.Act)
}

// A short shallow fall is closed by a signed hand check at or above the limit, and by nothing less.
func TestPardon(t *testing.T) {
	for _, tc := range []struct {
		name  string
		low   float64
		hold  time.Duration
		check func(*rules.Mark)
		want  rules.Verdict
	}{
		{"signed", 132, 10 * time.Minute, signedCheck(f(141)), rules.OK},
		{"unsigned", 132, 10 * time.Minute, func(m *rules.Mark) { v := f(141); m.Temp = &v }, rules.Act},
		{"too cold a check", 132, 10 * time.Minute, signedCheck(f(134)), rules.Act},
		{"too long", 132, 16 * time.Minute, signedCheck(f(141)), rules.Act},
		{"too deep", 129.9, 10 * time.Minute, signedCheck(f(141)), rules.Act},
	} {
		b := loaded(t, "us-fda-2022")
		b.set1(1, f(tc.low)).hold(tc.hold)
		b.set1(1, f(150)).hold(2 * time.Minute)
		b.want("brisket", rules.Act)
		b.say(rules.MarkCheck, "brisket", "", tc.check).hold(time.Second)
		if l := b.lot("brisket"); l.Verdict != tc.want {
			t.Errorf("%s: %s (%s), want %s", tc.name, l.Verdict, l.Text, tc.want)
		}
	}
}

// Schedule 4 of the food hygiene regulations: under two hours below 63 °C, once.
func TestUKOnceOnly(t *testing.T) {
	b := loaded(t, "uk")
	b.set1(1, c(60)).hold(30 * time.Minute)
	b.want("brisket", rules.Act)
	b.set1(1, c(66)).hold(5 * time.Minute)
	b.want("brisket", rules.OK)
	b.set1(1, c(60)).hold(10 * time.Minute)
	b.want("brisket", rules.Act)
	b.set1(1, c(66)).hold(5 * time.Minute)
	b.want("brisket", rules.Act)
	b.set1(1, c(60)).hold(2 * time.Hour)
	b.want("brisket", rules.Discard)
}

// Standard 3.2.2: from two hours use at once, from four discard; a return asks nothing.
func TestAustraliaTwoFour(t *testing.T) {
	b := loaded(t, "au-nz")
	b.set1(1, c(50)).hold(110 * time.Minute)
	b.want("brisket", rules.OK)
	b.hold(11*time.Minute).want("brisket", rules.Act)
	b.set1(1, c(65)).hold(time.Hour)
	b.want("brisket", rules.Act)
	b.set1(1, c(50)).hold(2 * time.Hour)
	b.want("brisket", rules.Discard)
}

// Four hours of time control run from the last proof, not from the typing (3-501.19).
func TestTimeControl(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.ramp(1, f(120), time.Minute)
	b.hold(30 * time.Minute)
	b.say(rules.MarkTimeControl, "brisket", "", nil).hold(time.Second)
	l := b.want("brisket", rules.Act)
	ends := l.TimeControlEnds.Mono
	near(t, "end of time control", ends, time.Minute+30*time.Second+4*time.Hour, 5*time.Second)
	b.set1(1, f(150)).hold(ends - b.now - time.Second)
	b.want("brisket", rules.Act)
	b.hold(3*time.Second).want("brisket", rules.Discard)
	if b.count(rules.AlarmRaised, rules.TimeControlEnded) != 1 {
		t.Errorf("the end of time control rang %d times", b.count(rules.AlarmRaised, rules.TimeControlEnded))
	}
}

// No move, recovery, acknowledgement, reheating, second load or restart lifts a discard.
func TestDiscardLatches(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.set1(1, f(120)).hold(4*time.Hour + time.Minute)
	b.want("brisket", rules.Discard)
	b.say(rules.MarkAcknowledge, "", "", nil)
	b.say(rules.MarkCheck, "brisket", "", signedCheck(f(170)))
	b.say(rules.MarkMove, "brisket", "oven", nil).set1(3, f(200)).hold(time.Hour)
	b.want("brisket", rules.Discard)
	b.say(rules.MarkMove, "brisket", "warmer", nil).set1(1, f(170)).hold(10 * time.Minute)
	b.want("brisket", rules.Discard)
	b.say(rules.MarkTimeControl, "brisket", "", nil).say(rules.MarkLoad, "brisket", "warmer", nil).hold(time.Minute)
	b.want("brisket", rules.Discard)
	snap, err := b.e.Snapshot()
	if err != nil {
		t.Fatal(err)
	}
	if b.e, err = rules.Restore(b.set, snap); err != nil {
		t.Fatal(err)
	}
	b.hold(time.Minute).want("brisket", rules.Discard)
	b.say(rules.MarkClose, "brisket", "", nil).hold(time.Minute)
	b.say(rules.MarkLoad, "brisket", "warmer", nil).hold(time.Minute)
	b.want("brisket", rules.Discard)
}

// A reheating time that ran out is a discard; 165 °F for 15 s in time is a pass (3-403.11).
func TestReheatingStage(t *testing.T) {
	for _, tc := range []struct {
		over   time.Duration
		result rules.RunResult
		want   rules.Verdict
	}{
		{110 * time.Minute, rules.Pass, rules.OK},
		{130 * time.Minute, rules.Fail, rules.Discard},
	} {
		b := newBench(t, warmer(t, "us-fda-2022"))
		b.set1(1, f(38)).sweep()
		b.say(rules.MarkLoad, "leftover", "walkin", func(m *rules.Mark) { m.Probe = "core" }).hold(time.Minute)
		b.say(rules.MarkMove, "leftover", "oven", nil)
		b.ramp(1, f(170), tc.over).hold(time.Minute)
		l := b.want("leftover", tc.want)
		if l.Reheating == nil || l.Reheating.Result != tc.result {
			t.Errorf("over %v the reheating is %+v, want %s", tc.over, l.Reheating, tc.result)
		}
	}
}

// 135 to 70 °F within 2 h and to 41 °F within 6 h in all (3-501.14).
func TestCoolingStage(t *testing.T) {
	for _, tc := range []struct {
		leg1, leg2 time.Duration
		result     rules.RunResult
		want       rules.Verdict
	}{
		{115 * time.Minute, 3 * time.Hour, rules.Pass, rules.OK},
		{125 * time.Minute, time.Hour, rules.Fail, rules.Discard},
		{time.Hour, 5*time.Hour + 25*time.Minute, rules.Fail, rules.Discard},
	} {
		b := newBench(t, warmer(t, "us-fda-2022"))
		b.set1(1, f(135)).sweep()
		b.say(rules.MarkLoad, "pan", "warmer", func(m *rules.Mark) { m.Probe = "core" }).hold(time.Minute)
		b.say(rules.MarkMove, "pan", "bath", nil)
		b.ramp(1, f(70), tc.leg1)
		b.ramp(1, f(40), tc.leg2).hold(time.Minute)
		l := b.want("pan", tc.want)
		if l.Cooling == nil || l.Cooling.Result != tc.result {
			t.Errorf("legs %v and %v: %+v, want %s", tc.leg1, tc.leg2, l.Cooling, tc.result)
		}
	}
}

// Come-up time is kept apart; once the limit was reached, a fire that dies runs the hot clocks.
func TestComeUp(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.set1(1, f(40)).sweep()
	b.say(rules.MarkLoad, "butt", "pit", func(m *rules.Mark) { m.Probe = "core" }).hold(time.Minute)
	b.ramp(1, f(140), 100*time.Minute)
	l := b.want("butt", rules.OK)
	near(t, "come-up time", l.ComeUp, 94*time.Minute, 5*time.Second)
	near(t, "come-up time between 50 and 130 °F", l.ComeUpDanger, 80*time.Minute, 5*time.Second)
	if l.DangerZone != 0 {
		t.Errorf("come-up counts %v as danger-zone time", l.DangerZone)
	}
	b.ramp(1, f(130), 10*time.Minute).hold(10 * time.Minute)
	l = b.want("butt", rules.Act)
	near(t, "danger-zone time", l.DangerZone, 15*time.Minute, 5*time.Second)
}

// Signed hand checks at both ends vouch for an off-watch span that is longer than the allowance.
func TestOffWatch(t *testing.T) {
	for _, tc := range []struct {
		out, in func(*rules.Mark)
		unknown time.Duration
	}{
		{signedCheck(f(150)), signedCheck(f(145)), 0},
		{signedCheck(f(150)), nil, 20 * time.Minute},
		{nil, nil, 20 * time.Minute},
		{signedCheck(f(150)), signedCheck(f(130)), 20 * time.Minute},
	} {
		b := loaded(t, "us-fda-2022")
		b.say(rules.MarkProbeOut, "brisket", "", tc.out)
		b.set1(1, f(80)).hold(20 * time.Minute)
		if l := b.lot("brisket"); l.Temp != nil || l.UnknownSince.IsZero() {
			t.Error("a probe that is out still speaks for the lot")
		}
		b.set1(1, f(150)).say(rules.MarkProbeIn, "brisket", "", tc.in).hold(time.Minute)
		near(t, "unknown time", b.lot("brisket").Unknown, tc.unknown, 2*time.Second)
	}
}

func TestSplitCarriesTheClocks(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.set1(1, f(120)).hold(time.Hour)
	b.say(rules.MarkSplit, "half", "", func(m *rules.Mark) { m.From = "brisket" }).hold(time.Minute)
	near(t, "the part's danger-zone time", b.lot("half").DangerZone, b.lot("brisket").DangerZone, time.Second)
	b.want("half", rules.Act)
}

func TestRefusals(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	for _, tc := range []struct {
		kind         rules.MarkKind
		lot, station string
		more         func(*rules.Mark)
		says         string
	}{
		{rules.MarkLoad, "brisket", "warmer", nil, "already"},
		{rules.MarkLoad, "ham", "attic", nil, "No station"},
		{rules.MarkLoad, "warmer", "warmer", nil, "name of its own"},
		{rules.MarkMove, "ghost", "pit", nil, "No open lot"},
		{rules.MarkMove, "brisket", "attic", nil, "No station"},
		{rules.MarkUndo, "", "", func(m *rules.Mark) { m.Undoes = "nothing" }, "can be undone"},
		{rules.MarkClose, "", "warmer", nil, "still holds brisket"},
		{rules.MarkAcknowledge, "", "", nil, "No such alarm"},
		{rules.MarkProbeIn, "brisket", "", nil, "no probe off watch"},
		{rules.MarkServe, "", "pit", nil, "holds no open lot"},
	} {
		b.say(tc.kind, tc.lot, tc.station, tc.more)
		var answer string
		for _, ev := range b.sweep() {
			if ev.Kind == rules.MarkRefused {
				answer = ev.Text
			}
		}
		if !strings.Contains(answer, tc.says) {
			t.Errorf("%s %s %s is answered %q, want something with %q", tc.kind, tc.lot, tc.station, answer, tc.says)
		}
	}
	if l := b.lot("brisket"); l.Charged != 0 {
		t.Errorf("refused marks changed a clock: %v", l.Charged)
	}
}

func TestUndo(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.say(rules.MarkDiscard, "brisket", "", func(m *rules.Mark) { m.ID = "oops" }).hold(2 * time.Minute)
	b.want("brisket", rules.Discard)
	b.say(rules.MarkUndo, "", "", func(m *rules.Mark) { m.Undoes = "oops" }).hold(time.Second)
	b.want("brisket", rules.Discard) // unsigned
	b.say(rules.MarkUndo, "", "", func(m *rules.Mark) { m.Undoes, m.By, m.ID = "oops", "R. Oduya", "undo2" }).hold(time.Minute)
	if l := b.want("brisket", rules.OK); l.Unknown != 0 {
		t.Errorf("a slip undone within the allowance counts %v as unknown", l.Unknown)
	}
	b.say(rules.MarkClose, "brisket", "", func(m *rules.Mark) { m.ID = "oops2" }).hold(20 * time.Minute)
	b.say(rules.MarkUndo, "", "", func(m *rules.Mark) { m.Undoes, m.ID = "oops2", "undo3" }).hold(time.Minute)
	near(t, "the time in between", b.want("brisket", rules.Act).Unknown, 20*time.Minute, 3*time.Second)
}

// Moving a lot does not stop its time control: nothing does.
func TestMovingDoesNotStopTimeControl(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.say(rules.MarkTimeControl, "brisket", "", nil).hold(time.Minute)
	ends := b.lot("brisket").TimeControlEnds.Mono
	b.say(rules.MarkMove, "brisket", "walkin", nil).hold(time.Minute)
	if got := b.want("brisket", rules.Act).TimeControlEnds.Mono; got != ends {
		t.Errorf("moved, its time control ends at %v, want %v", got, ends)
	}
	b.hold(4*time.Hour).want("brisket", rules.Discard)
}

// A lot that came back above its limit without proof gains no fresh four hours from time control.
func TestTimeControlIsNoReturn(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	fell := b.now
	b.set1(1, f(125)).hold(time.Hour)
	b.set1(1, f(150)).hold(10 * time.Minute)
	b.say(rules.MarkTimeControl, "brisket", "", nil).hold(time.Second)
	near(t, "end of time control", b.lot("brisket").TimeControlEnds.Mono, fell+4*time.Hour, 2*time.Second)
}
