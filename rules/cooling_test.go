package rules_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"holdbell/rules"
	"holdbell/rules/foodcode"
	"holdbell/sensor"
)

// cooling is a bench with one pan that has just been put into the bath at 140 °F, seen by core.
func cooling(t testing.TB, s rules.Setup) *bench {
	b := newBench(t, s)
	b.set1(1, f(140)).sweep()
	b.say(rules.MarkLoad, "pan", "warmer", withProbe("core")).hold(2 * time.Minute)
	b.say(rules.MarkMove, "pan", "bath", nil).sweep()
	return b
}

// fall lets core go towards the air of the bath as first-order food does, behind a dead time, until d has
// passed or stop says so.
func (b *bench) fall(tau, dead, d time.Duration, stop func() bool) *bench {
	from, start := b.temps[1].Temp.Fahrenheit(), b.now
	for b.now < start+d && (stop == nil || !stop()) {
		s := max(0, b.now-start-dead).Hours() / tau.Hours()
		b.temps[1].Temp = f(38 + (from-38)*math.Exp(-s))
		b.sweep()
	}
	return b
}

// A pan that is too thick: cooling-late comes while there is still time, with the choice, and the miss is
// told at once.
func TestCoolingLate(t *testing.T) {
	b := cooling(t, warmer(t, "us-fda-2022"))
	start := b.now
	b.fall(4*time.Hour, 15*time.Minute, 3*time.Hour, nil)
	late := b.first(rules.AlarmRaised, rules.CoolingLate)
	if at := late.At.Mono - start; at < 30*time.Minute || at > time.Hour {
		t.Errorf("told %v after the start, want between a quarter and half of the two hours", at)
	}
	for _, want := range []string{"will not be at 70 °F in time", "at this rate it needs", "shallow pans or put it in an ice bath", "reheat it to 165 °F for 15 s within 1 h"} {
		if !strings.Contains(late.Text, want) {
			t.Errorf("%q lacks %q", late.Text, want)
		}
	}
	if !strings.Contains(late.Basis, "3-501.14(A)") || late.Priority != rules.Warning {
		t.Errorf("%s, %q", late.Priority, late.Basis)
	}
	l := b.want("pan", rules.Discard)
	if l.Cooling.Result != rules.Fail {
		t.Errorf("%+v", l.Cooling)
	}
	for _, a := range b.e.State().Alarms {
		if a.Alarm == rules.CoolingLate && (!a.Active || a.Priority != rules.Critical) {
			t.Errorf("after the miss: %+v", a)
		}
	}
}

// A pan that cools well hears nothing, says when it will be done, and is done then.
func TestCoolingWell(t *testing.T) {
	b := cooling(t, warmer(t, "us-fda-2022"))
	start := b.now
	b.fall(90*time.Minute, 10*time.Minute, 45*time.Minute, nil)
	l := b.want("pan", rules.Act)
	c := l.Cooling
	if c.Late || c.Leg == nil || c.Leg.Forecast == nil || c.Leg.To != f(70) || !strings.Contains(c.Basis, "3-501.14") {
		t.Fatalf("after 45 min: %+v", c)
	}
	near(t, "the leg's deadline", c.Leg.Deadline.Mono-c.Started.Mono, 2*time.Hour, 0)
	near(t, "the run's deadline", c.Finish.Deadline.Mono-c.Started.Mono, 6*time.Hour, 0)
	if !strings.Contains(l.Text, "has been cooling for") || !strings.Contains(l.Text, "will be at 70 °F in about") {
		t.Errorf("the running figure: %s", l.Text)
	}
	told := c.Leg.Forecast
	// 140 to 70 °F towards 38 °F: tau·ln(102/32).
	truth := start + 10*time.Minute + time.Duration(float64(90*time.Minute)*math.Log(102.0/32))
	if truth < told.Soonest.Mono || truth > told.Latest.Mono {
		t.Errorf("told %v to %v, and it was %v", told.Soonest.Mono, told.Latest.Mono, truth)
	}
	b.temps[1].Temp = f(38 + 102*math.Exp(-(35.0/90)))
	b.fall(90*time.Minute, 0, 6*time.Hour, func() bool { return b.lot("pan").Cooling.Result != rules.Running })
	if l := b.want("pan", rules.OK); l.Cooling.Result != rules.Pass || l.Cooling.Leg != nil {
		t.Errorf("%+v", l.Cooling)
	}
	if n := b.count(rules.AlarmRaised, rules.CoolingLate); n != 0 {
		t.Errorf("a pan that cools well was told %d times\n%s", n, b.story())
	}
}

// An ice bath in time ends cooling-late; the lot's action carries the choice while it stands.
func TestCoolingLateHeeded(t *testing.T) {
	b := cooling(t, warmer(t, "us-fda-2022"))
	b.fall(4*time.Hour, 10*time.Minute, 2*time.Hour, func() bool { return b.count(rules.AlarmRaised, rules.CoolingLate) > 0 })
	if l := b.want("pan", rules.Act); !l.Cooling.Late || !strings.Contains(l.Action, "ice bath") || !strings.Contains(l.Text, "start cooling again") {
		t.Errorf("%q", l.Action)
	}
	b.fall(25*time.Minute, 0, time.Hour, func() bool { return b.count(rules.AlarmCleared, rules.CoolingLate) > 0 })
	if n := b.count(rules.AlarmCleared, rules.CoolingLate); n != 1 {
		t.Errorf("cleared %d times\n%s", n, b.story())
	}
	b.want("pan", rules.Act)
}

// Reheated to its target before the deadline, it starts to cool anew when it leaves the hot limit again; a
// bounce over 135 °F does not.
func TestCoolingStartsAgainAfterReheating(t *testing.T) {
	for _, peak := range []float64{136, 164} {
		b := cooling(t, warmer(t, "us-fda-2022"))
		b.ramp(1, f(110), 80*time.Minute)
		b.ramp(1, f(peak), 10*time.Minute).hold(2*time.Minute).ramp(1, f(100), 35*time.Minute).hold(10 * time.Minute)
		b.want("pan", rules.Discard)
	}
	b := cooling(t, warmer(t, "us-fda-2022"))
	b.ramp(1, f(110), 80*time.Minute)
	b.say(rules.MarkMove, "pan", "oven", nil).ramp(1, f(166), 20*time.Minute).hold(20 * time.Second)
	b.say(rules.MarkMove, "pan", "bath", nil).sweep()
	left := b.now
	b.ramp(1, f(69), 100*time.Minute).hold(time.Minute)
	l := b.want("pan", rules.Act)
	if l.Cooling == nil || l.Cooling.Result != rules.Running || l.Cooling.Stage1 < 0 {
		t.Fatalf("%+v", l.Cooling)
	}
	near(t, "the new start", l.Cooling.Started.Mono, left+32*time.Minute, 2*time.Minute) // 166 to 135 °F of 97 in 100 min

	// In place, without leaving the bath.
	b = cooling(t, warmer(t, "us-fda-2022"))
	b.set1(1, f(150)).hold(time.Minute)
	b.ramp(1, f(110), 80*time.Minute)
	b.say(rules.MarkMove, "pan", "oven", nil).ramp(1, f(166), 20*time.Minute).hold(20 * time.Second)
	b.say(rules.MarkMove, "pan", "bath", nil).ramp(1, f(120), 10*time.Minute).hold(3 * time.Hour)
	b.want("pan", rules.Discard)
}

// Hot food that is put into the cold cools, whatever the room is called: 120 °F two hours later is a miss.
func TestHotFoodInTheColdCools(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.set1(1, f(140)).sweep()
	b.say(rules.MarkLoad, "pan", "warmer", withProbe("core")).hold(2 * time.Minute)
	b.say(rules.MarkMove, "pan", "walkin", nil).ramp(1, f(100), 119*time.Minute)
	if l := b.want("pan", rules.Act); l.Cooling == nil || !strings.Contains(l.Action, "Cool it to 70 °F") {
		t.Errorf("%q", l.Text)
	}
	b.hold(20*time.Minute).want("pan", rules.Discard)

	// And food that was loaded there hot.
	b = newBench(t, warmer(t, "us-fda-2022"))
	b.set1(1, f(150)).sweep()
	b.say(rules.MarkLoad, "pan", "walkin", withProbe("core")).hold(2 * time.Minute)
	b.ramp(1, f(65), 100*time.Minute).ramp(1, f(40), 3*time.Hour+30*time.Minute).hold(2 * time.Minute)
	if l := b.want("pan", rules.OK); l.Cooling == nil || l.Cooling.Result != rules.Pass {
		t.Errorf("within 2 h and 6 h, and yet %+v: %s", l.Cooling, l.Text)
	}
}

// Food that was loaded hot into a chiller begins to cool when it leaves the hot limit; its probe may need a
// moment to show that it is hot. What was loaded at 120 °F and gets a bounce over 135 °F later began at the load.
func TestLoadedHotIntoTheChiller(t *testing.T) {
	for _, first := range []float64{150, 70} {
		b := newBench(t, warmer(t, "us-fda-2022"))
		b.set1(1, f(first)).sweep()
		b.say(rules.MarkLoad, "pan", "bath", withProbe("core")).hold(30 * time.Second)
		b.set1(1, f(150)).hold(70 * time.Minute)
		left := b.now
		b.ramp(1, f(69), 115*time.Minute).hold(time.Minute)
		l := b.want("pan", rules.Act)
		near(t, "the start", l.Cooling.Started.Mono, left+21*time.Minute, time.Minute) // 15 of 81 °F in 115 min
	}
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.set1(1, f(120)).sweep()
	b.say(rules.MarkLoad, "pan", "bath", withProbe("core")).hold(20 * time.Minute)
	b.set1(1, f(137)).hold(2*time.Minute).set1(1, f(120)).hold(99 * time.Minute)
	b.want("pan", rules.Discard)
}

// Food made from ingredients at room temperature has four hours to 41 °F (3-501.14(B)).
func TestAmbientFood(t *testing.T) {
	made := func(m *rules.Mark) { m.Probe, m.Made = "core", rules.MadeAmbient }
	for over, want := range map[time.Duration]rules.Verdict{235 * time.Minute: rules.OK, 245 * time.Minute: rules.Discard} {
		b := newBench(t, warmer(t, "us-fda-2022"))
		b.set1(1, f(72)).sweep()
		b.say(rules.MarkLoad, "salad", "walkin", made).sweep()
		if l := b.want("salad", rules.Act); !strings.Contains(l.Action, "41 °F within 4 h") || l.Made != rules.MadeAmbient {
			t.Errorf("%q", l.Action)
		}
		if n := b.count(rules.AlarmRaised, rules.AboveColdLimit); n != 0 {
			t.Error("what cools in its time is no trouble of cold holding")
		}
		b.ramp(1, f(41), over).hold(2*time.Minute).want("salad", want)
	}
	// A word takes no cooked food out of its two hours.
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.set1(1, f(150)).sweep()
	b.say(rules.MarkLoad, "pan", "warmer", withProbe("core")).hold(2 * time.Minute)
	b.say(rules.MarkMove, "pan", "bath", func(m *rules.Mark) { m.Made = rules.MadeAmbient }).ramp(1, f(90), 115*time.Minute)
	b.want("pan", rules.Act)
	b.hold(40*time.Minute).want("pan", rules.Discard)
	// A code without the rule says so.
	b = newBench(t, warmer(t, "uk"))
	b.say(rules.MarkLoad, "salad", "walkin", made)
	for _, ev := range b.sweep() {
		if ev.Kind == rules.MarkTaken && !strings.Contains(ev.Text, "no rule of its own") {
			t.Errorf("%q", ev.Text)
		}
	}
}

// FSIS option 1 counts from 130 °F, not from the hot limit, and says what it asks of a kitchen.
func TestCoolingPlan(t *testing.T) {
	s := warmer(t, "us-fda-2022")
	var err error
	if s.Code, err = foodcode.WithCooling(s.Code, "fsis-1"); err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct {
		leg1, leg2 time.Duration
		want       rules.RunResult
	}{
		{85 * time.Minute, 290 * time.Minute, rules.Pass},
		{95 * time.Minute, time.Hour, rules.Fail},
		{85 * time.Minute, 310 * time.Minute, rules.Fail},
	} {
		b := cooling(t, s)
		b.ramp(1, f(130), 40*time.Minute) // before the plan's own clock
		from := b.now
		b.ramp(1, f(80), tc.leg1)
		if l := b.lot("pan"); tc.want == rules.Pass {
			near(t, "the start", l.Cooling.Started.Mono, from, 5*time.Second)
			if !strings.Contains(l.Text, "variance") || !strings.Contains(l.Basis, "FSIS-GD-2021-13") {
				t.Errorf("%s (%s)", l.Text, l.Basis)
			}
		}
		b.ramp(1, f(40), tc.leg2).hold(time.Minute)
		if got := b.lot("pan").Cooling.Result; got != tc.want {
			t.Errorf("%v and %v: %s, want %s", tc.leg1, tc.leg2, got, tc.want)
		}
	}
	// Option 2: put to cool within 90 min of being hot.
	if s.Code, err = foodcode.WithCooling(code(t, "us-fda-2022"), "fsis-2"); err != nil {
		t.Fatal(err)
	}
	b := newBench(t, s)
	b.set1(1, f(140)).sweep()
	b.say(rules.MarkLoad, "pan", "warmer", withProbe("core")).hold(2 * time.Minute)
	b.set1(1, f(125)).hold(95 * time.Minute)
	b.say(rules.MarkMove, "pan", "bath", nil).hold(time.Second).want("pan", rules.Discard)
}

// Law 3: a dead probe and air alone are told at half time; no reading ends the alarm.
func TestCoolingLateWithoutAReading(t *testing.T) {
	b := cooling(t, warmer(t, "us-fda-2022"))
	b.ramp(1, f(130), 5*time.Minute).fail(1, sensor.Open).hold(80 * time.Minute)
	late := b.first(rules.AlarmRaised, rules.CoolingLate)
	if !strings.Contains(late.Text, "no reading says") {
		t.Errorf("%q", late.Text)
	}
	if n := b.count(rules.AlarmCleared, rules.CoolingLate); n != 0 {
		t.Errorf("no reading cleared it\n%s", b.story())
	}
	b = loaded(t, "us-fda-2022")
	b.say(rules.MarkMove, "brisket", "bath", nil).hold(70 * time.Minute)
	if late := b.first(rules.AlarmRaised, rules.CoolingLate); !strings.Contains(late.Text, "Put a probe in it") {
		t.Errorf("%q", late.Text)
	}
}
