package rules_test

import (
	"strings"
	"testing"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// cooked is a bench with one lot at 150 °F in the pit, seen by core, that was raw there 3 h before.
func cooked(t testing.TB, name string) *bench {
	b := newBench(t, warmer(t, name))
	b.set1(1, f(40)).sweep()
	b.say(rules.MarkLoad, "butt", "pit", withProbe("core")).hold(time.Minute)
	return b.ramp(1, f(150), 3*time.Hour).hold(10 * time.Minute)
}

// Cooling starts when the lot was last at or above the hot limit, in whatever stage that was: in the bath too.
func TestCoolingStartsAtTheLastHotMoment(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.say(rules.MarkProbe, "brisket", "", withProbe("core")).hold(time.Second)
	b.say(rules.MarkMove, "brisket", "bath", nil).hold(30 * time.Minute)
	left := b.now
	b.ramp(1, f(120), 30*time.Minute) // leaves 135 °F half way
	near(t, "the start", b.lot("brisket").Cooling.Started.Mono, left+15*time.Minute, 2*time.Second)
	// Coming back over the limit does not start it anew.
	b.ramp(1, f(136), 5*time.Minute).hold(time.Minute)
	near(t, "the start", b.lot("brisket").Cooling.Started.Mono, left+15*time.Minute, 2*time.Second)
}

// A cooling deadline passed is fail and stays, wherever the lot was put meanwhile.
func TestCoolingFailsInEveryStage(t *testing.T) {
	for _, station := range []string{"walkin", "oven", "warmer", "pit"} {
		b := loaded(t, "us-fda-2022")
		b.say(rules.MarkProbe, "brisket", "", withProbe("core")).hold(time.Second)
		b.say(rules.MarkMove, "brisket", "bath", nil).hold(time.Second)
		b.ramp(1, f(100), time.Hour).hold(50 * time.Minute)
		b.want("brisket", rules.Act)
		b.say(rules.MarkMove, "brisket", station, nil).hold(40 * time.Minute)
		b.want("brisket", rules.Discard)
	}
	b := loaded(t, "us-fda-2022")
	b.say(rules.MarkProbe, "brisket", "", withProbe("core")).hold(time.Second)
	b.say(rules.MarkMove, "brisket", "bath", nil).hold(time.Second)
	b.ramp(1, f(100), time.Hour)
	b.say(rules.MarkMove, "brisket", "walkin", nil).hold(time.Minute)
	if l := b.want("brisket", rules.Act); !strings.Contains(l.Action, "70 °F") || l.Deadline.IsZero() {
		t.Errorf("cooling on in the walk-in: %q", l.Action)
	}
}

// A lot that cooled in time stays so when it is put into a cooling station again the day after.
func TestCooledOnceIsCooled(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.say(rules.MarkProbe, "brisket", "", withProbe("core")).hold(time.Second)
	b.say(rules.MarkMove, "brisket", "bath", nil).hold(time.Second)
	b.ramp(1, f(38), 100*time.Minute).hold(time.Minute)
	b.say(rules.MarkMove, "brisket", "walkin", nil)
	b.step = time.Minute
	b.hold(20 * time.Hour)
	b.say(rules.MarkMove, "brisket", "bath", nil).hold(5 * time.Minute)
	b.want("brisket", rules.OK)
}

// Cooling that passed excuses its own time and none that was spent before it.
func TestCoolingExcusesOnlyItself(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.say(rules.MarkProbe, "brisket", "", withProbe("core")).hold(time.Second)
	b.set1(1, f(120)).hold(time.Hour)
	b.set1(1, f(150)).hold(5 * time.Minute)
	b.fail(1, sensor.Open).hold(50 * time.Minute)
	b.say(rules.MarkMove, "brisket", "bath", nil).hold(time.Minute)
	b.set1(1, f(60)).hold(time.Minute)
	b.ramp(1, f(40), time.Hour).hold(time.Minute)
	l := b.lot("brisket")
	if l.Cooling.Result != rules.Pass {
		t.Fatalf("cooling %+v", l.Cooling)
	}
	near(t, "charged time", l.Charged, time.Hour, 5*time.Second)
	// It came back over the limit and was not proven good: a cold room does not settle that.
	b.say(rules.MarkMove, "brisket", "walkin", nil).hold(10 * time.Minute)
	b.want("brisket", rules.Act)
}

// The fall with which cooling begins is part of it and owes nothing once it has passed.
func TestCoolingSettlesItsOwnFall(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.say(rules.MarkProbe, "brisket", "", withProbe("core")).hold(time.Second)
	b.ramp(1, f(125), 10*time.Minute)
	b.say(rules.MarkMove, "brisket", "bath", nil).hold(time.Second)
	b.ramp(1, f(38), 90*time.Minute).hold(time.Minute)
	b.say(rules.MarkMove, "brisket", "walkin", nil).hold(10 * time.Minute)
	if l := b.want("brisket", rules.OK); l.Charged > 5*time.Second {
		t.Errorf("charged %v", l.Charged)
	}
}

// The air of a chiller or an oven proves nothing about the food in it: law 3 earns no credit by it.
func TestAirEarnsNoCredit(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.say(rules.MarkMove, "brisket", "bath", nil).hold(10 * time.Minute) // bath air at 38 °F
	l := b.want("brisket", rules.Act)
	if l.Cooling.Result != rules.Running || !strings.Contains(l.Action, "air") {
		t.Errorf("cooling by air alone: %+v, %q", l.Cooling, l.Action)
	}
	b.say(rules.MarkCheck, "brisket", "", signedCheck(f(69))).hold(time.Minute)
	b.say(rules.MarkCheck, "brisket", "", signedCheck(f(41))).hold(time.Minute)
	b.want("brisket", rules.OK)

	b = newBench(t, warmer(t, "us-fda-2022"))
	b.sweep()
	b.say(rules.MarkLoad, "stew", "oven", nil).hold(10 * time.Minute) // oven air at 275 °F
	if l := b.want("stew", rules.Act); l.Reheating.Result != rules.Running {
		t.Errorf("oven air reheated the stew: %+v", l.Reheating)
	}
	b.hold(2*time.Hour).want("stew", rules.Discard)
}

// A reheating run is not left, restarted or forgotten by moving the lot.
func TestReheatingRunOutlastsAMove(t *testing.T) {
	begin := func() *bench {
		b := newBench(t, warmer(t, "us-fda-2022"))
		b.set1(1, f(38)).sweep()
		b.say(rules.MarkLoad, "stew", "walkin", withProbe("core")).hold(time.Minute)
		b.say(rules.MarkMove, "stew", "oven", nil)
		return b.ramp(1, f(150), 90*time.Minute)
	}
	b := begin()
	b.say(rules.MarkMove, "stew", "warmer", nil).hold(10 * time.Minute)
	if l := b.want("stew", rules.Act); !strings.Contains(l.Action, "165 °F") {
		t.Errorf("150 °F in the warmer, not reheated: %q", l.Action)
	}
	b.ramp(1, f(166), 10*time.Minute).hold(20 * time.Second)
	b.want("stew", rules.OK)

	b = begin()
	b.say(rules.MarkMove, "stew", "warmer", nil).hold(time.Minute)
	b.say(rules.MarkMove, "stew", "oven", nil).hold(40 * time.Minute)
	b.want("stew", rules.Discard)

	b = begin()
	b.say(rules.MarkMove, "stew", "warmer", nil).hold(40 * time.Minute)
	b.want("stew", rules.Discard)
}

// Reheating starts where the cold limit was left, but not at the cold of before the cook.
func TestReheatingStart(t *testing.T) {
	b := cooked(t, "us-fda-2022")
	b.say(rules.MarkMove, "butt", "oven", nil).hold(time.Minute)
	if l := b.want("butt", rules.Act); l.Reheating == nil || l.Reheating.Result != rules.Running {
		t.Errorf("a cooked lot that is reheated: %+v", l.Reheating)
	}
	b.ramp(1, f(170), 20*time.Minute).hold(time.Minute)
	b.want("butt", rules.OK)

	b = newBench(t, warmer(t, "us-fda-2022"))
	b.set1(1, f(38)).sweep()
	b.say(rules.MarkLoad, "stew", "walkin", withProbe("core")).hold(time.Minute)
	left := b.now
	b.ramp(1, f(60), time.Hour)
	b.say(rules.MarkMove, "stew", "oven", nil).hold(time.Second)
	near(t, "the start", b.lot("stew").Reheating.Started.Mono, left+time.Hour*3/22, time.Minute)
}

// A power-off does not set the last proof at the cold limit to its own end.
func TestColdProofIsNotMadeByAGap(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.set1(1, f(38)).sweep()
	b.say(rules.MarkLoad, "salad", "walkin", withProbe("core")).hold(time.Minute)
	last := b.now
	b.off(3*time.Hour, true).set1(1, f(60)).hold(time.Minute)
	b.say(rules.MarkTimeControl, "salad", "", nil).hold(time.Minute)
	near(t, "the end of time control", b.lot("salad").TimeControlEnds.Mono, last+4*time.Hour, 2*time.Second)
}

// Six hours of time control are for food that started cold, never rose above 70 °F, and was watched
// (3-501.19): what was above before the mark counts, and an unwatched gap falls back to four hours.
func TestSixHours(t *testing.T) {
	begin := func() *bench {
		b := newBench(t, warmer(t, "us-fda-2022"))
		b.set1(1, f(38)).sweep()
		return b.say(rules.MarkLoad, "salad", "walkin", withProbe("core")).hold(time.Minute)
	}
	six := func(m *rules.Mark) { m.Note = "6h" }
	b := begin()
	start := b.now
	b.say(rules.MarkTimeControl, "salad", "", six).set1(1, f(70)).hold(5*time.Hour + 50*time.Minute)
	b.want("salad", rules.Act)
	b.set1(1, f(70.2)).hold(time.Second)
	b.want("salad", rules.Discard)

	b = begin()
	b.set1(1, f(75)).hold(10 * time.Minute)
	b.set1(1, f(65)).hold(10 * time.Minute)
	b.say(rules.MarkTimeControl, "salad", "", six).hold(time.Second)
	if l := b.lot("salad"); !l.TimeControlEnds.IsZero() {
		t.Errorf("six hours were granted to food that had been at 75 °F: %s", l.Text)
	}

	b = begin()
	b.say(rules.MarkTimeControl, "salad", "", six).set1(1, f(60)).hold(time.Hour)
	b.fail(1, sensor.Open).hold(20 * time.Minute)
	b.set1(1, f(60)).hold(time.Minute)
	near(t, "the end after an unwatched gap", b.want("salad", rules.Act).TimeControlEnds.Mono, start+4*time.Hour, 5*time.Second)

	b = loaded(t, "us-fda-2022")
	b.say(rules.MarkTimeControl, "brisket", "", six).hold(time.Second)
	if l := b.lot("brisket"); !l.TimeControlEnds.IsZero() {
		t.Error("six hours were granted to hot food")
	}
}

// Of two proofs the later one starts time control: cold food that was hot a day ago runs the cold hours.
func TestTimeControlTakesTheLatestProof(t *testing.T) {
	b := newBench(t, warmer(t, "uk"))
	b.set1(1, c(70)).sweep()
	b.say(rules.MarkLoad, "rice", "warmer", withProbe("core")).hold(time.Minute)
	b.say(rules.MarkMove, "rice", "bath", nil).hold(time.Second)
	b.ramp(1, c(5), 80*time.Minute).hold(5 * time.Hour)
	b.say(rules.MarkTimeControl, "rice", "", nil).hold(time.Minute)
	l := b.want("rice", rules.Act)
	near(t, "the hours left", l.TimeControlEnds.Mono-b.now, 4*time.Hour, 2*time.Minute)
}

// A lot that left the pit before it ever reached the hot limit is act in every later stage, until reheated.
func TestCookLeftEarly(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.set1(1, f(40)).sweep()
	b.say(rules.MarkLoad, "butt", "pit", withProbe("core")).hold(time.Minute)
	b.ramp(1, f(110), time.Hour)
	b.say(rules.MarkMove, "butt", "walkin", nil).hold(time.Second)
	b.ramp(1, f(38), time.Hour).hold(10 * time.Minute)
	if l := b.want("butt", rules.Act); l.Action == "" || !strings.Contains(l.Text, "cook") {
		t.Errorf("%q", l.Text)
	}
}

// Noise about the cold limit does not make the verdict flap, and no reading does not make it fine.
func TestColdVerdictSettles(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.sweep()
	b.say(rules.MarkLoad, "salad", "walkin", nil).hold(time.Minute)
	b.events = nil
	for i := range 600 {
		b.set1(4, f(41)+sensor.Temp(300*(i%2)))
		b.sweep()
	}
	if n := b.count(rules.VerdictChanged, ""); n != 1 {
		t.Errorf("the verdict changed %d times", n)
	}
	b.fail(4, sensor.Open).hold(4 * time.Minute)
	b.want("salad", rules.Act)
	b.set1(4, f(38)).hold(2 * time.Minute)
	b.want("salad", rules.OK)
}

// Food that is loaded hot straight into a chiller cools from when it leaves the hot limit. Food that was below the
// limit when it was first seen there cools from its loading, whatever it is warmed to afterwards.
func TestCoolingOfFoodLoadedHot(t *testing.T) {
	for _, tc := range []struct {
		first float64
		want  rules.RunResult
	}{{150, rules.Running}, {134, rules.Fail}} {
		b := newBench(t, warmer(t, "us-fda-2022"))
		b.set1(2, f(tc.first)).sweep()
		b.say(rules.MarkLoad, "pan", "bath", func(m *rules.Mark) { m.Probe = "core-2" }).hold(time.Minute)
		b.ramp(2, f(140), 30*time.Minute).ramp(2, f(136), 30*time.Minute).ramp(2, f(75), 80*time.Minute)
		if l := b.lot("pan"); l.Cooling == nil || l.Cooling.Result != tc.want {
			t.Errorf("first seen at %v °F, 2 h 21 min after its loading: %+v, want %v\n%s", tc.first, l.Cooling, tc.want, b.story())
		}
	}
}
