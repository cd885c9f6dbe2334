package rules_test

import (
	"strings"
	"testing"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// held is a bench with a salad at 38 °F in the walk-in, seen by core.
func held(t testing.TB, name string) *bench {
	b := newBench(t, warmer(t, name))
	b.set1(1, f(38)).sweep()
	return b.say(rules.MarkLoad, "salad", "walkin", withProbe("core")).hold(2 * time.Minute)
}

// above-cold-limit waits out a short rise, counts from the crossing, and ends below the hysteresis.
func TestAboveColdLimit(t *testing.T) {
	b := held(t, "us-fda-2022")
	b.set1(1, f(43)).hold(4*time.Minute).set1(1, f(38)).hold(5 * time.Minute)
	if n := b.count(rules.AlarmRaised, rules.AboveColdLimit); n != 0 {
		t.Errorf("four minutes rang %d times", n)
	}
	near(t, "and yet its clock ran", b.want("salad", rules.OK).Charged, 4*time.Minute, 5*time.Second)
	crossed := b.now
	b.set1(1, f(44)).hold(10 * time.Minute)
	up := b.first(rules.AlarmRaised, rules.AboveColdLimit)
	near(t, "the alarm", up.At.Mono-crossed, 5*time.Minute, 3*time.Second)
	if !strings.Contains(up.Text, "above 41 °F") || !strings.Contains(up.Text, "Bring it back to 41 °F or below within 3 h") || !strings.Contains(up.Basis, "3-501.16(A)(2)") {
		t.Errorf("%q (%s)", up.Text, up.Basis)
	}
	b.set1(1, f(40.8)).hold(10 * time.Minute) // within the hysteresis of 0.5 °C
	if n := b.count(rules.AlarmCleared, rules.AboveColdLimit); n != 0 {
		t.Error("cleared within the hysteresis")
	}
	b.set1(1, f(39)).hold(2 * time.Minute)
	if ev := b.first(rules.AlarmCleared, rules.AboveColdLimit); !strings.Contains(ev.Text, "back at or below 41 °F") {
		t.Errorf("%q", ev.Text)
	}
}

// A sine about the limit of less than the hysteresis rings once and clears once.
func TestAboveColdLimitDoesNotFlap(t *testing.T) {
	b := held(t, "us-fda-2022")
	b.set1(1, f(42)).hold(6 * time.Minute)
	for i := range 3600 {
		b.temps[1].Temp = f(41) + sensor.Temp([]int{0, 250, 400, 250, 0, -250, -400, -250}[i/20%8])
		b.sweep()
	}
	b.set1(1, f(38)).hold(3 * time.Minute)
	if up, down := b.count(rules.AlarmRaised, rules.AboveColdLimit), b.count(rules.AlarmCleared, rules.AboveColdLimit); up != 1 || down != 1 {
		t.Errorf("rang %d times and cleared %d times", up, down)
	}
}

// A lot that only the air speaks for: a door that was opened rings nobody for a quarter of an hour, a
// warm room does; no reading clears nothing.
func TestAboveColdLimitByAir(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.sweep()
	b.say(rules.MarkLoad, "salad", "walkin", nil).hold(2 * time.Minute)
	b.set1(4, f(55)).hold(15*time.Minute).set1(4, f(38)).hold(10 * time.Minute)
	if n := b.count(rules.AlarmRaised, rules.AboveColdLimit); n != 0 {
		t.Errorf("an open door rang %d times", n)
	}
	b.set1(4, f(45)).hold(30 * time.Minute)
	if n := b.count(rules.AlarmRaised, rules.AboveColdLimit); n != 1 {
		t.Errorf("a warm room rang %d times", n)
	}
	b.fail(4, sensor.Open).hold(20 * time.Minute)
	if n := b.count(rules.AlarmCleared, rules.AboveColdLimit); n != 0 {
		t.Error("no reading cleared it")
	}
}

// Schedule 4 paragraph 5: above 8 °C for service for under four hours, once. The second time has no
// excuse, and no fridge makes it good.
func TestUKColdOnce(t *testing.T) {
	b := held(t, "uk")
	b.set1(1, c(12)).hold(3 * time.Hour)
	b.want("salad", rules.Act)
	b.set1(1, c(4)).hold(5*time.Minute).want("salad", rules.OK)
	b.set1(1, c(12)).hold(5 * time.Minute)
	b.set1(1, c(4)).hold(5 * time.Minute)
	if l := b.want("salad", rules.Act); !strings.Contains(l.Text, "a second time") || !strings.Contains(l.Basis, "paras 5 and 7(2)") {
		t.Errorf("%q (%s)", l.Text, l.Basis)
	}
	// And time control may not start from there: the one time is spent.
	b.say(rules.MarkTimeControl, "salad", "", nil)
	for _, ev := range b.sweep() {
		if ev.Kind == rules.MarkRefused && strings.Contains(ev.Text, "one time outside") {
			return
		}
	}
	t.Errorf("the exemption was granted twice\n%s", b.story())
}

// The two exemptions are each their own: three hours above 8 °C do not use up the two below 63 °C, and
// each runs out alone.
func TestUKExemptionsAreApart(t *testing.T) {
	b := held(t, "uk")
	b.set1(1, c(12)).hold(3 * time.Hour)
	b.set1(1, c(4)).hold(5 * time.Minute)
	b.say(rules.MarkMove, "salad", "oven", nil).ramp(1, c(80), 40*time.Minute).hold(2 * time.Minute)
	b.say(rules.MarkMove, "salad", "warmer", nil).set1(1, c(70)).hold(5*time.Minute).want("salad", rules.OK)
	b.set1(1, c(60)).hold(110*time.Minute).want("salad", rules.Act)
	l := b.lot("salad")
	near(t, "the hot side's own time", l.Charged, 110*time.Minute, time.Minute)
	if l.DangerLimit != 2*time.Hour {
		t.Errorf("its limit is %v", l.DangerLimit)
	}
	b.hold(15*time.Minute).want("salad", rules.Discard)

	b = held(t, "uk")
	b.set1(1, c(12)).hold(4*time.Hour+time.Minute).want("salad", rules.Discard)
}

// A move launders no time: what was spent outside stays on the side where it began.
func TestUKMovesDoNotChangeSides(t *testing.T) {
	b := newBench(t, warmer(t, "uk"))
	b.set1(1, c(70)).sweep()
	b.say(rules.MarkLoad, "rice", "warmer", withProbe("core")).hold(2 * time.Minute)
	b.set1(1, c(40)).hold(110*time.Minute).want("rice", rules.Act)
	b.say(rules.MarkMove, "rice", "walkin", nil).hold(15 * time.Minute)
	b.want("rice", rules.Discard)
}

// Standard 3.2.2 adds up the time between 5 and 60 °C, cold and hot together: from two hours use now,
// from four discard; cooling in its time does not count.
func TestAustraliaAddsUpColdAndHot(t *testing.T) {
	b := held(t, "au-nz")
	b.set1(1, c(15)).hold(90*time.Minute).want("salad", rules.OK)
	b.set1(1, c(3)).hold(time.Hour).want("salad", rules.OK)
	b.set1(1, c(15)).hold(31*time.Minute).want("salad", rules.Act)
	b.set1(1, c(3)).hold(time.Hour)
	if l := b.want("salad", rules.Act); !strings.Contains(l.Action, "Use it now") {
		t.Errorf("%q", l.Action)
	}
	b.ramp(1, c(65), 30*time.Minute).hold(time.Minute)
	b.say(rules.MarkMove, "salad", "warmer", nil).hold(time.Minute)
	b.set1(1, c(50)).hold(95 * time.Minute)
	b.want("salad", rules.Discard)

	b = newBench(t, warmer(t, "au-nz"))
	b.set1(1, c(70)).sweep()
	b.say(rules.MarkLoad, "rice", "warmer", withProbe("core")).hold(2 * time.Minute)
	b.say(rules.MarkMove, "rice", "bath", nil).ramp(1, c(21), 110*time.Minute).ramp(1, c(4), 3*time.Hour)
	if l := b.hold(2*time.Minute).want("rice", rules.OK); l.Charged > time.Minute {
		t.Errorf("cooling in time is charged %v", l.Charged)
	}
}

// 3-501.19(B)(2): cut produce may start at up to 70 °F, only where a mark names it, and is discarded above.
func TestCutProduce(t *testing.T) {
	begin := func(at float64) *bench {
		b := newBench(t, warmer(t, "us-fda-2022"))
		b.set1(1, f(at)).sweep()
		return b.say(rules.MarkLoad, "melon", "walkin", withProbe("core")).hold(time.Minute)
	}
	cut := func(m *rules.Mark) { m.Note = "4h-cut" }
	b := begin(68)
	b.say(rules.MarkTimeControl, "melon", "", nil).hold(time.Second)
	if l := b.lot("melon"); !l.TimeControlEnds.IsZero() {
		t.Error("food at 68 °F came under time control without a name")
	}
	loaded := b.lot("melon").Begun.Mono
	b.say(rules.MarkTimeControl, "melon", "", cut).hold(time.Second)
	near(t, "the end", b.want("melon", rules.Act).TimeControlEnds.Mono, loaded+4*time.Hour, 2*time.Second)
	b.set1(1, f(71)).hold(time.Second).want("melon", rules.Discard)

	b = begin(72)
	b.set1(1, f(65)).hold(time.Minute)
	b.say(rules.MarkTimeControl, "melon", "", cut).hold(time.Second)
	if l := b.lot("melon"); !l.TimeControlEnds.IsZero() {
		t.Error("produce that was at 72 °F was let in")
	}
}

// New York City holds hot at 140 °F and starts four hours from there.
func TestNewYorkCity(t *testing.T) {
	b := newBench(t, warmer(t, "us-nyc"))
	b.set1(1, f(141)).sweep()
	b.say(rules.MarkLoad, "ham", "warmer", withProbe("core")).hold(2*time.Minute).want("ham", rules.OK)
	b.set1(1, f(138)).hold(time.Minute).want("ham", rules.Act)
	b = newBench(t, warmer(t, "us-nyc"))
	b.set1(1, f(38)).sweep()
	b.say(rules.MarkLoad, "salad", "walkin", withProbe("core")).hold(2 * time.Minute)
	b.say(rules.MarkTimeControl, "salad", "", nil).set1(1, f(69)).hold(5*time.Hour + 50*time.Minute)
	b.want("salad", rules.Act)
	b.set1(1, f(70.1)).hold(time.Second).want("salad", rules.Discard)
}
