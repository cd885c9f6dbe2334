package rules_test

import (
	"testing"
	"time"

	"pgregory.net/rapid"

	"holdbell/rules"
	"holdbell/rules/foodcode"
	"holdbell/sensor"
)

// planned is the setup of a code; "guarded plan" is the US code with FSIS option 1 and a guard band.
func planned(t testing.TB, name string) rules.Setup {
	if name != "guarded plan" {
		return warmer(t, name)
	}
	s := warmer(t, "us-fda-2022")
	var err error
	if s.Code, err = foodcode.WithCooling(s.Code, "fsis-1"); err != nil {
		t.Fatal(err)
	}
	s.GuardBand = true
	for i := range s.Probes {
		s.Probes[i].Accuracy = sensor.Temp(500 * i)
	}
	return s
}

// Whatever happens: a cooling run's deadlines never move later, but where the food had not left the hot
// limit yet or was proven reheated; what failed stays failed; and a run passes on a reading alone.
func TestCoolingDeadlineIsMonotone(t *testing.T) {
	for _, name := range []string{"us-fda-2022", "guarded plan"} {
		s := planned(t, name)
		rapid.Check(t, func(t *rapid.T) {
			in := day(t, s)
			e, _ := rules.New(s)
			type seen struct {
				leg, finish time.Duration
				failed      bool
			}
			runs := map[string]seen{}
			for _, x := range in {
				var fresh, hot = map[string]bool{}, map[string]bool{}
				for _, ev := range e.Step(x) {
					switch ev.Kind {
					case rules.ReheatProven, rules.LotBegun, rules.LotEnded:
						fresh[ev.Lot] = true
					}
				}
				for _, l := range e.State().Lots {
					if l.Ended || l.Cooling == nil {
						delete(runs, l.Lot)
						continue
					}
					c, before := l.Cooling, runs[l.Lot]
					hot[l.Lot] = c.Started.Mono == x.Sweep.At.Mono
					now := seen{failed: c.Result == rules.Fail}
					if before.failed && !now.failed && !fresh[l.Lot] {
						t.Fatalf("%s: a failed cooling became %s", l.Lot, c.Result)
					}
					if c.Leg != nil {
						now.leg, now.finish = c.Leg.Deadline.Mono, c.Finish.Deadline.Mono
						if before.finish > 0 && now.finish > before.finish && !fresh[l.Lot] && !hot[l.Lot] {
							t.Fatalf("%s: the end of cooling moved from %v to %v", l.Lot, before.finish, now.finish)
						}
						if l.Verdict == rules.OK {
							t.Fatalf("%s is ok while it cools: %s", l.Lot, l.Text)
						}
					}
					runs[l.Lot] = now
				}
			}
		})
	}
}

// No reading earns nothing: with every food probe dead from some moment on, no cooling and no reheating
// passes any more, and no alarm about a run clears while the run goes on.
func TestNoReadingPassesNothing(t *testing.T) {
	s := warmer(t, "us-fda-2022")
	rapid.Check(t, func(t *rapid.T) {
		in := day(t, s)
		dead := rapid.IntRange(0, len(in)).Draw(t, "dead from")
		e, _ := rules.New(s)
		passed := func() int {
			n := 0
			for _, l := range e.State().Lots {
				if l.Cooling != nil && l.Cooling.Result == rules.Pass {
					n++
				}
				if l.Reheating != nil && l.Reheating.Result == rules.Pass {
					n++
				}
			}
			return n
		}
		for i, x := range in {
			if i < dead {
				e.Step(x)
				continue
			}
			for p := range x.Sweep.Readings {
				x.Sweep.Readings[p] = sensor.Bad(sensor.Open)
			}
			for j := range x.Marks {
				x.Marks[j].Temp = nil // nor does a person say anything
				if k := x.Marks[j].Kind; k == rules.MarkSplit || k == rules.MarkCheck {
					x.Marks[j].Kind = rules.MarkNote // a part carries what its whole has earned
				}
			}
			before := passed()
			if e.Step(x); passed() > before {
				t.Fatalf("sweep %d passed a run without a reading", i)
			}
		}
	})
}

// However a slow cooling bounces below the target of reheating, it fails at the deadline that it had.
func TestNoBounceRestartsCooling(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		b := newBench(t, warmer(t, "us-fda-2022"))
		b.step = 30 * time.Second
		b.set1(1, f(140)).sweep()
		b.say(rules.MarkLoad, "pan", "warmer", withProbe("core")).hold(2 * time.Minute)
		b.say(rules.MarkMove, "pan", "bath", nil).hold(time.Minute)
		b.set1(1, f(134)).hold(time.Minute)
		started := b.lot("pan").Cooling.Started.Mono
		for b.now < started+2*time.Hour+time.Minute {
			b.set1(1, f(float64(rapid.IntRange(72, 164).Draw(rt, "bounce"))))
			b.hold(time.Duration(rapid.IntRange(1, 20).Draw(rt, "minutes")) * time.Minute)
			if rapid.IntRange(0, 5).Draw(rt, "move") == 0 {
				b.say(rules.MarkMove, "pan", rapid.SampledFrom([]string{"bath", "walkin", "warmer"}).Draw(rt, "to"), nil)
			}
		}
		l := b.lot("pan")
		if l.Cooling == nil || l.Cooling.Result != rules.Fail || l.Verdict != rules.Discard || l.Cooling.Started.Mono != started {
			rt.Fatalf("after %v: %+v, %s", b.now-started, l.Cooling, l.Text)
		}
	})
}
