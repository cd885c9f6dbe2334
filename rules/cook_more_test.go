package rules_test

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// FSIS-GD-2021-14, come-up time: between 50 and 130 °F for at most 6 h. A rise of 80 °F in 10 h is foreseen
// long before, one in 5 h is not told at all, and no verdict comes of it.
func TestComeUpLate(t *testing.T) {
	for _, tc := range []struct {
		over   time.Duration
		before time.Duration // told at least so long before the limit; 0: never told
	}{{5 * time.Hour, 0}, {10 * time.Hour, 3 * time.Hour}} {
		b := pitted(t, warmer(t, "us-fda-2022"), "beef")
		b.step = 10 * time.Second
		b.set1(1, f(50)).sweep()
		start := b.now
		b.ramp(1, f(130), tc.over)
		raised := b.count(rules.AlarmRaised, rules.ComeUpLate)
		if tc.before == 0 {
			if raised != 0 {
				t.Errorf("80 °F in %v: told\n%s", tc.over, b.story())
			}
			continue
		}
		if raised != 1 {
			t.Fatalf("80 °F in %v: told %d times\n%s", tc.over, raised, b.story())
		}
		ev := b.first(rules.AlarmRaised, rules.ComeUpLate)
		if lead := start + 6*time.Hour - ev.At.Mono; lead < tc.before {
			t.Errorf("told %v before the limit, want %v: %s", lead, tc.before, ev.Text)
		}
		for _, part := range []string{"the surface is what counts", "advice from a guideline", "6 h"} {
			if !strings.Contains(ev.Text, part) {
				t.Errorf("%q says not %q", ev.Text, part)
			}
		}
		b.want("piece", rules.OK)
		// Past the limit it grows to a warning, and stands though the food is up: a toxin outlives the cook.
		b.ramp(1, f(200), time.Hour).hold(time.Hour)
		var last rules.Event
		for _, ev := range b.events {
			if ev.Alarm == rules.ComeUpLate {
				last = ev
			}
		}
		if last.Kind != rules.AlarmRepeated || last.Priority != rules.Warning || !strings.Contains(last.Text, "more than the 6 h") {
			t.Errorf("past the limit: %+v", last)
		}
		b.want("piece", rules.OK)
		b.say(rules.MarkClose, "piece", "", nil).hold(time.Minute)
		if b.count(rules.AlarmCleared, rules.ComeUpLate) != 1 {
			t.Error("it outlived the lot")
		}
	}
}

// Without a forecast the alarm speaks an hour before the limit; a probe that fails runs the clock on.
func TestComeUpWithoutForecast(t *testing.T) {
	b := pitted(t, warmer(t, "us-fda-2022"), "injected")
	b.step = 10 * time.Second
	b.set1(1, f(100)).hold(5*time.Hour + 2*time.Minute)
	if b.count(rules.AlarmRaised, rules.ComeUpLate) != 0 {
		t.Errorf("told too soon\n%s", b.story())
	}
	b.hold(10 * time.Minute)
	ev := b.first(rules.AlarmRaised, rules.ComeUpLate)
	if ev.Priority != rules.Advice || !strings.Contains(ev.Text, "may be all through") {
		t.Errorf("%+v", ev)
	}
	b.fail(1, sensor.Open).hold(time.Hour)
	for _, a := range b.e.State().Alarms {
		if a.Alarm == rules.ComeUpLate && a.Priority != rules.Warning {
			t.Errorf("an open gap stops the come-up clock: %+v", a)
		}
	}
}

// The kitchen's own limit of growth makes a verdict stricter and never milder: act from where the limit may
// have been reached, discard at the limit, and nothing at all without one.
func TestGrowthLimit(t *testing.T) {
	for _, limit := range []float64{0, 1} {
		s := warmer(t, "au-nz") // its charged time gives two hours before it says act
		s.GrowthLimit = limit
		b := newBench(t, s)
		b.step = 10 * time.Second
		b.set1(1, c(65)).sweep()
		b.say(rules.MarkLoad, "piece", "warmer", func(m *rules.Mark) { m.Probe, m.Food = "core", "beef" }).hold(time.Minute)
		b.set1(1, c(46))
		var act, discard time.Duration
		for b.now < 110*time.Minute {
			b.sweep()
			l := b.lot("piece")
			if l.Verdict == rules.Act && act == 0 {
				act = b.now
				if g := l.Growth.CPerfringens; math.Abs(g-0.5) > 0.03 {
					t.Errorf("act at %v", g)
				}
				if !strings.Contains(l.Text, "predicted growth of 0.5") || l.Action == "" {
					t.Error(l.Text)
				}
			}
			if l.Verdict == rules.Discard && discard == 0 {
				discard = b.now
				if g := l.Growth.CPerfringens; math.Abs(g-1) > 0.03 {
					t.Errorf("discard at %v", g)
				}
			}
		}
		if limit == 0 && (act != 0 || discard != 0) || limit > 0 && (act == 0 || discard <= act) {
			t.Errorf("limit %v: act at %v, discard at %v", limit, act, discard)
		}
		b.set1(1, c(70)).hold(time.Hour)
		if limit > 0 {
			b.want("piece", rules.Discard)
		}
	}
}

// A growth limit never relaxes: whatever the code says without one is said with one, or worse.
func TestGrowthLimitNeverRelaxes(t *testing.T) {
	rank := map[rules.Verdict]int{rules.OK: 0, rules.Act: 1, rules.Discard: 2}
	for _, name := range []string{"us-fda-2022", "uk", "au-nz"} {
		plain := newBench(t, warmer(t, name))
		s := warmer(t, name)
		s.GrowthLimit = 1
		strict := newBench(t, s)
		both := func(do func(*bench)) { do(plain); do(strict) }
		both(func(b *bench) {
			b.step = 30 * time.Second
			b.set1(1, c(66)).sweep()
			b.say(rules.MarkLoad, "piece", "warmer", func(m *rules.Mark) { m.Probe, m.Food = "core", "pork" })
		})
		for i := range 800 {
			v := c(66 - 25*math.Abs(math.Sin(float64(i)/60)))
			both(func(b *bench) {
				b.set1(1, v)
				if i%97 == 0 {
					b.fail(1, sensor.Open)
				}
				b.sweep()
			})
			if p, s := plain.lot("piece").Verdict, strict.lot("piece").Verdict; rank[s] < rank[p] {
				t.Fatalf("%s: %s without a limit, %s with one", name, p, s)
			}
		}
	}
}

// An open gap, and what grows raw on the way up, make no discard by growth.
func TestGrowthThatDoesNotCount(t *testing.T) {
	s := warmer(t, "us-fda-2022")
	s.GrowthLimit = 1
	b := pitted(t, s, "beef")
	b.step = 10 * time.Second
	b.ramp(1, f(137), 5*time.Hour)
	if l := b.want("piece", rules.OK); l.Growth != nil {
		t.Errorf("raw food grows %+v", l.Growth)
	}
	b.ramp(1, f(165), time.Hour)
	if g := b.want("piece", rules.OK).Growth; g == nil || g.CPerfringens != 0 || g.BCereus != 0 {
		t.Errorf("after the cook %+v", g)
	}
	b.fail(1, sensor.Open).hold(2 * time.Hour)
	b.want("piece", rules.Act)
	b.set1(1, f(165)).hold(time.Minute)
	if l := b.lot("piece"); l.Verdict == rules.Discard {
		t.Error(l.Text)
	}
}

// Beef is told as a range over both published lags, with B. cereus, the uncertainty and where it comes from.
func TestGrowthReport(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.set1(1, f(150)).sweep()
	b.say(rules.MarkLoad, "piece", "warmer", func(m *rules.Mark) { m.Probe, m.Food = "core", "beef" }).hold(time.Minute)
	b.step = 10 * time.Second
	b.set1(1, c(40)).hold(90 * time.Minute)
	l := b.lot("piece")
	g := l.Report(false).Growth
	if g == nil || g.CPerfringensLow <= 0 || g.CPerfringens-g.CPerfringensLow < 0.3 || g.BCereus <= 0 || g.Uncertainty != 0.5 || len(g.Models) != 2 {
		t.Fatalf("%+v", g)
	}
	for _, m := range g.Models {
		if m.Provenance == "" || m.High < m.Low {
			t.Errorf("%+v", m)
		}
	}
}

// The finish of an even rise is known to a quarter; a target of a person's own replaces the endpoint; a stall
// is called one, and no number is given in it.
func TestFinish(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.step = 10 * time.Second
	b.set1(1, f(60)).sweep()
	target := f(203)
	b.say(rules.MarkLoad, "piece", "pit", func(m *rules.Mark) { m.Probe, m.Food, m.Target = "core", "beef", &target }).hold(time.Minute)
	if l := b.lot("piece"); l.Cook.Finish.Stage != rules.FinishUnknown || !strings.Contains(l.Cook.Text, "is not known") {
		t.Errorf("after a minute: %+v", l.Cook.Finish)
	}
	b.ramp(1, f(120), 2*time.Hour)
	known := b.lot("piece").Cook.Finish
	if known.Stage != rules.FinishExpected || known.In < 90*time.Minute || known.In > 12*time.Hour || !known.StallAhead || known.Soonest > known.In || known.In > known.Latest {
		t.Errorf("rising: %+v", known)
	}
	if back := b.reload().lot("piece").Cook.Finish; back.In != known.In || back.Stage != known.Stage {
		t.Errorf("after a restart %+v, before %+v", back, known)
	}
	b.ramp(1, f(150), time.Hour).hold(90 * time.Minute)
	if l := b.lot("piece"); l.Cook.Finish.Stage != rules.FinishStall || !strings.Contains(l.Cook.Text, "It stalls: no estimate for 203 °F") {
		t.Errorf("in the stall: %s", l.Cook.Text)
	}
	b.ramp(1, f(200), 2*time.Hour)
	if l := b.lot("piece"); l.Cook.Finish.Stage != rules.FinishExpected || l.Cook.Finish.In > 15*time.Minute {
		t.Errorf("after it: %+v", l.Cook.Finish)
	}
	b.set1(1, f(204)).hold(time.Minute)
	if l := b.lot("piece"); l.Cook.Finish.Stage != rules.FinishReached {
		t.Errorf("at the end: %+v", l.Cook.Finish)
	}
}

// A probe that hangs in the warmer when idle is judged by the pit's air while its piece is in the pit.
func TestFinishByThePitsAir(t *testing.T) {
	b := pitted(t, warmer(t, "us-fda-2022"), "pork") // core is the warmer's food probe
	b.step = 10 * time.Second
	b.set1(0, f(150)).set1(3, f(250))
	b.ramp(1, f(150), 3*time.Hour).hold(2 * time.Hour)
	target := b.lot("piece")
	if !b.plateau() {
		t.Errorf("no stall in a pit at 250 °F: %+v", target.Cook)
	}
}

// plateau reports whether a second piece with its own target says that it stalls.
func (b *bench) plateau() bool {
	goal := f(203)
	b.say(rules.MarkLoad, "beside", "pit", func(m *rules.Mark) { m.Probe, m.Food, m.Target = "core", "pork", &goal })
	b.hold(40 * time.Minute) // the probe is in another piece: what it learned before is forgotten
	return b.lot("beside").Cook.Finish.Stage == rules.FinishStall
}

// C100 by hand: an hour at 67 °C is six minutes at 100 °C; the air's heat counts nothing.
func TestCookValue(t *testing.T) {
	b := pitted(t, warmer(t, "us-fda-2022"), "beef")
	b.set1(1, c(67)).hold(time.Hour)
	if v := b.lot("piece").CookValue; math.Abs(v-6) > 0.01 {
		t.Errorf("C100 is %v min", v)
	}
	b = newBench(t, warmer(t, "us-fda-2022"))
	b.say(rules.MarkLoad, "piece", "pit", nil).hold(time.Hour)
	if v := b.lot("piece").CookValue; v != 0 {
		t.Errorf("the air's heat cooks %v min", v)
	}
	b.set1(1, f(120)).say(rules.MarkProbe, "piece", "", func(m *rules.Mark) { m.Probe = "core" }).sweep()
	if l := b.lot("piece"); l.CookValue != 0 || l.Lethality.Salmonella != 0 {
		t.Errorf("the air's last reading cooks %v min, %+v", l.CookValue, l.Lethality)
	}
}

func TestCookingMarkWords(t *testing.T) {
	m, err := rules.ParseMark(rules.MarkFields{Mark: "load", Lot: "a", Station: "pit", Note: "food=beef lb=12.5 target=203F fat side up"})
	if err != nil || m.Grams != 5670 || *m.Target != f(203) {
		t.Errorf("%+v, %v", m, err)
	}
	m, err = rules.ParseMark(rules.MarkFields{Mark: "load", Lot: "a", Station: "pit", Note: "lb=10 target=95.5C"})
	if err != nil || m.Grams != 4536 || *m.Target != c(95.5) {
		t.Errorf("%+v, %v", m, err)
	}
	for note, want := range map[string]string{
		"lb=10 kg=4": "in pounds and in kilograms", "kg=-1": "no weight", "kg=0": "no weight", "lb=9999": "no weight", "kg=heavy": "no number",
		"target=203": "its unit", "target=F": "its unit", "target=900F": "30C to 120C", "target=hotC": "its unit", "target=203F target=90C": "twice",
	} {
		if _, err := rules.ParseMark(rules.MarkFields{Mark: "load", Lot: "a", Station: "pit", Note: note}); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s gives %v, want %q", note, err, want)
		}
	}
	if _, err := rules.ParseMark(rules.MarkFields{Mark: "move", Lot: "a", Station: "pit", Note: "target=203F"}); err == nil {
		t.Error("a move takes a target")
	}
}

// crowd is 8 probes and 8 lots with every model on: raw and rising, cooking, held hot and under a growth limit,
// cooling.
func crowd(t testing.TB) *bench {
	s := warmer(t, "us-fda-2022")
	s.GrowthLimit, s.CookingPlan = 7, "plan"
	s.Stations[1].Oven = rules.DryOven
	s.Probes = append(s.Probes, rules.ProbeSetup{Name: "core-3"}, rules.ProbeSetup{Name: "core-4"}, rules.ProbeSetup{Name: "core-5"})
	b := newBench(t, s)
	for i, v := range []float64{150, 100, 120, 275, 38, 142, 150, 90} {
		b.set1(i, f(v))
	}
	for i, l := range []struct{ probe, station, food string }{
		{"core", "pit", "beef"}, {"core-2", "pit", "pork"}, {"core-2", "pit", "ground"}, {"core-3", "pit", "beef"},
		{"core-4", "warmer", "poultry"}, {"core-4", "warmer", ""}, {"core-3", "pit", "injected"}, {"core-5", "bath", "other"},
	} {
		b.say(rules.MarkLoad, fmt.Sprint("lot-", i), l.station, func(m *rules.Mark) { m.Probe, m.Food = l.probe, l.food })
	}
	return b.hold(10 * time.Minute)
}

func TestQuietCrowdAllocatesNothing(t *testing.T) {
	b := crowd(t)
	if n := len(b.e.State().Lots); n != 8 {
		t.Fatalf("%d lots\n%s", n, b.story())
	}
	in := rules.Input{Sweep: sensor.Sweep{Readings: b.temps}}
	if n := testing.AllocsPerRun(1000, func() {
		in.Sweep.At = b.at()
		b.now += b.step
		b.e.Step(in)
	}); n != 0 {
		t.Errorf("a quiet step allocates %v times", n)
	}
}

func BenchmarkQuietStepAllModels(b *testing.B) {
	x := crowd(b)
	in := rules.Input{Sweep: sensor.Sweep{Readings: x.temps}}
	b.ReportAllocs()
	for b.Loop() {
		in.Sweep.At = x.at()
		x.now += x.step
		for i := range in.Sweep.Readings {
			in.Sweep.Readings[i].Temp ^= 1
		}
		x.e.Step(in)
	}
}
