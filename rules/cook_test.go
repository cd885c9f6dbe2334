package rules_test

import (
	"strings"
	"testing"
	"time"

	"holdbell/rules"
	"holdbell/rules/microbe"
	"holdbell/sensor"
)

// pitted is a bench with a piece of the food in the pit, cold, with a probe in it.
func pitted(t testing.TB, s rules.Setup, food string) *bench {
	b := newBench(t, s)
	b.set1(1, f(40)).sweep()
	return b.say(rules.MarkLoad, "piece", "pit", func(m *rules.Mark) { m.Probe, m.Food = "core", food }).hold(time.Minute)
}

// out moves the piece to the warmer, hot enough to be held.
func (b *bench) out() *bench {
	return b.set1(1, f(137)).say(rules.MarkMove, "piece", "warmer", nil).hold(2 * time.Minute)
}

func (b *bench) reload() *bench {
	b.t.Helper()
	snap, err := b.e.Snapshot()
	if err != nil {
		b.t.Fatal(err)
	}
	if b.e, err = rules.Restore(b.set, snap); err != nil {
		b.t.Fatal(err)
	}
	return b
}

func (b *bench) cooked(want rules.CookStage) rules.LotState {
	b.t.Helper()
	l := b.lot("piece")
	if l.Cook == nil || l.Cook.Stage != want {
		b.t.Errorf("at %v the cook is %+v, want %s\n%s", b.now, l.Cook, want, b.story())
	}
	return l
}

// Every line of FDA Food Code 2022 3-401.11(A) and 3-401.13, and of the guidance that the UK profile quotes:
// one second short is act in the warmer, the whole hold is ok. A line without a time wants ten seconds of a probe.
func TestEveryCookingLimit(t *testing.T) {
	const moment = 10 * time.Second
	tried := 0
	for _, name := range []string{"us-fda-2022", "uk"} {
		for _, limit := range code(t, name).Cooking {
			for _, food := range limit.Foods {
				for _, short := range []bool{true, false} {
					b := pitted(t, warmer(t, name), food)
					b.set1(1, limit.Temp).hold(max(limit.Hold, moment))
					if !short {
						b.sweep()
					}
					if short && b.lot("piece").Cook.Proof != "" {
						t.Errorf("%s: %s at %v for less than %v is proven", name, food, limit.Temp, limit.Hold)
					}
					if food == "vegetable" && short {
						tried++
						continue // held hot it is cooked
					}
					b.out()
					l, want := b.lot("piece"), rules.CookDone
					if short {
						want = rules.CookUnproven
					}
					tried++
					if l.Cook.Stage != want || short == (l.Cook.Proof != "") {
						t.Errorf("%s: %s at %v for %v, short %v: %+v", name, food, limit.Temp, limit.Hold, short, l.Cook)
					}
					if name == "us-fda-2022" && (l.Verdict == rules.Act) != short {
						t.Errorf("%s at %v for %v, short %v: %s", food, limit.Temp, limit.Hold, short, l.Text)
					}
				}
			}
		}
	}
	if tried < 50 {
		t.Fatalf("only %d cases", tried)
	}
}

// A thousandth under the limit for an hour is no cook, and the sentence says what to do.
func TestCookJustUnder(t *testing.T) {
	b := pitted(t, warmer(t, "us-fda-2022"), "poultry")
	b.set1(1, f(165)-1).hold(time.Hour).out()
	l := b.want("piece", rules.Act)
	for _, part := range []string{"left the cook before it was proven at 165 °F", "Put it back and cook it to 165 °F"} {
		if !strings.Contains(l.Text, part) {
			t.Errorf("%q says not %q", l.Text, part)
		}
	}
	if !strings.Contains(l.Basis, "3-401.11(A)(3)") {
		t.Errorf("it rests on %q", l.Basis)
	}
	// In a cooking station again, to the end this time, it is freed.
	b.say(rules.MarkMove, "piece", "pit", nil).hold(time.Minute)
	b.want("piece", rules.OK)
	b.set1(1, f(166)).hold(time.Minute).out().want("piece", rules.OK)
}

// Act in every later stage, and a reheating to 165 °F frees it there too.
func TestCookLeftInEveryStage(t *testing.T) {
	for _, station := range []string{"warmer", "walkin", "bath", "oven"} {
		b := pitted(t, warmer(t, "us-fda-2022"), "ground")
		b.set1(1, f(140)).hold(10 * time.Minute)
		b.say(rules.MarkMove, "piece", station, nil).hold(time.Minute)
		if l := b.want("piece", rules.Act); !strings.Contains(l.Text, "left the cook") {
			t.Errorf("in %s: %s", station, l.Text)
		}
	}
	b := pitted(t, warmer(t, "us-fda-2022"), "ground")
	b.set1(1, f(140)).hold(10*time.Minute).out().want("piece", rules.Act)
	b.set1(1, f(166)).hold(20*time.Second).want("piece", rules.OK)
}

// What must not launder a missing endpoint: the air, a gap across the hold, noise that touches it, the hotter
// of two probes, a restart, an unsigned or too cold hand check, a load into the warmer, a move there and back.
func TestNothingLaundersACook(t *testing.T) {
	us := func() rules.Setup { return warmer(t, "us-fda-2022") }
	for name, try := range map[string]func() *bench{
		"air": func() *bench {
			b := newBench(t, us())
			b.say(rules.MarkLoad, "piece", "pit", func(m *rules.Mark) { m.Food = "poultry" }).hold(time.Hour)
			return b.set1(0, f(150)).say(rules.MarkMove, "piece", "warmer", nil).hold(time.Minute)
		},
		"air, then a probe": func() *bench {
			b := newBench(t, us())
			b.say(rules.MarkLoad, "piece", "pit", func(m *rules.Mark) { m.Food = "poultry" }).hold(time.Hour)
			b.set1(1, f(140)).say(rules.MarkProbe, "piece", "", func(m *rules.Mark) { m.Probe = "core" }).hold(time.Minute)
			return b.out()
		},
		"gap": func() *bench {
			b := pitted(t, us(), "ground")
			for range 20 {
				b.set1(1, f(156)).hold(12 * time.Second)
				b.fail(1, sensor.Open).hold(20 * time.Second)
			}
			return b.out()
		},
		"power cut": func() *bench {
			b := pitted(t, us(), "ground")
			b.set1(1, f(156)).hold(10 * time.Second)
			b.now += time.Hour
			b.hold(10 * time.Second)
			return b.out()
		},
		"noise": func() *bench {
			b := pitted(t, us(), "poultry")
			for i := range 600 {
				v := f(164.8)
				if i%3 == 0 {
					v = f(165.3)
				}
				b.set1(1, v).sweep()
			}
			return b.out()
		},
		"the hotter probe": func() *bench {
			s := us()
			s.Stations[1].Food = []int{1, 2}
			b := newBench(t, s)
			b.set1(1, f(40)).set1(2, f(40)).say(rules.MarkLoad, "piece", "pit", func(m *rules.Mark) { m.Food = "beef" }).hold(time.Minute)
			b.set1(1, f(200)).set1(2, f(144.9)).hold(time.Hour)
			return b.set1(1, f(150)).set1(2, f(140)).set1(0, f(150)).say(rules.MarkMove, "piece", "warmer", func(m *rules.Mark) { m.Probe = "core-2" }).hold(time.Minute)
		},
		"one of two probes silent": func() *bench {
			s := us()
			s.Stations[1].Food = []int{1, 2}
			b := newBench(t, s)
			b.set1(1, f(40)).set1(2, f(40)).say(rules.MarkLoad, "piece", "pit", func(m *rules.Mark) { m.Food = "beef" }).hold(time.Minute)
			b.set1(1, f(200)).fail(2, sensor.Open).hold(4 * time.Minute)
			return b.set1(0, f(150)).set1(2, f(140)).say(rules.MarkMove, "piece", "warmer", func(m *rules.Mark) { m.Probe = "core-2" }).hold(time.Minute)
		},
		"restart": func() *bench {
			b := pitted(t, us(), "ground")
			b.set1(1, f(156)).hold(10 * time.Second).reload()
			b.set1(1, f(154)).hold(time.Second)
			return b.set1(1, f(156)).hold(10 * time.Second).reload().out()
		},
		"unsigned check": func() *bench {
			b := pitted(t, us(), "poultry").out()
			v := f(170)
			return b.say(rules.MarkCheck, "piece", "", func(m *rules.Mark) { m.Temp = &v }).hold(time.Minute)
		},
		"cold check": func() *bench {
			b := pitted(t, us(), "poultry").out()
			return b.say(rules.MarkCheck, "piece", "", signedCheck(f(164))).hold(time.Minute)
		},
		"another load": func() *bench {
			b := pitted(t, us(), "poultry").out()
			return b.say(rules.MarkLoad, "piece", "warmer", func(m *rules.Mark) { m.Fresh = true }).hold(time.Minute)
		},
		"there and back": func() *bench {
			b := pitted(t, us(), "poultry").out()
			b.say(rules.MarkMove, "piece", "pit", func(m *rules.Mark) { m.ID = "there" }).hold(20 * time.Minute)
			return b.say(rules.MarkUndo, "", "", func(m *rules.Mark) { m.Undoes, m.By = "there", "R. Oduya" }).hold(time.Minute)
		},
		"undone late": func() *bench {
			b := newBench(t, us())
			b.set1(1, f(38)).say(rules.MarkLoad, "piece", "walkin", func(m *rules.Mark) { m.Probe = "core" }).hold(time.Minute)
			b.say(rules.MarkMove, "piece", "pit", func(m *rules.Mark) { m.ID = "there" }).hold(time.Hour)
			b.say(rules.MarkUndo, "", "", func(m *rules.Mark) { m.Undoes = "there" }).hold(time.Minute)
			return b.out()
		},
		"a split": func() *bench {
			b := pitted(t, us(), "poultry").out()
			return b.say(rules.MarkSplit, "half", "", func(m *rules.Mark) { m.From = "piece" }).hold(time.Minute)
		},
	} {
		t.Run(name, func(t *testing.T) {
			b := try()
			b.want("piece", rules.Act)
			b.cooked(rules.CookUnproven)
			if name == "a split" && b.want("half", rules.Act).Cook.Stage != rules.CookUnproven {
				t.Error("the half is cooked")
			}
		})
	}
}

// A restart in the middle of the hold changes nothing, and a snapshot without the cook is taken as unproven.
func TestCookRestart(t *testing.T) {
	b := pitted(t, warmer(t, "us-fda-2022"), "ground")
	b.set1(1, f(155)).hold(9 * time.Second).reload().hold(9 * time.Second).reload()
	b.cooked(rules.CookDone)
	b.reload().out().want("piece", rules.OK)
	b.say(rules.MarkSplit, "half", "", func(m *rules.Mark) { m.From = "piece" }).hold(time.Minute).want("half", rules.OK)

	b = pitted(t, warmer(t, "us-fda-2022"), "beef")
	b.set1(1, f(200)).hold(time.Minute).out().want("piece", rules.OK)
	snap, _ := b.e.Snapshot()
	i := strings.Index(string(snap), `"Cook":{`)
	j := i + strings.Index(string(snap[i:]), `"AlarmBelow"`)
	if i < 0 || j < i {
		t.Fatal("the snapshot has no cook")
	}
	e, err := rules.Restore(b.set, []byte(string(snap[:i])+string(snap[j:])))
	if err != nil {
		t.Fatal(err)
	}
	b.e = e
	b.hold(time.Minute).want("piece", rules.Act)
	b.set1(1, f(166)).hold(time.Minute).want("piece", rules.OK)
}

// A signed check of the coldest piece proves an endpoint that asks for no time.
func TestCookByHand(t *testing.T) {
	for food, at := range map[string]float64{"poultry": 165, "beef": 158, "ground": 158, "fish": 158, "": 165} {
		b := pitted(t, warmer(t, "us-fda-2022"), food).out()
		b.say(rules.MarkCheck, "piece", "", signedCheck(f(at)-100)).hold(time.Second)
		b.cooked(rules.CookUnproven)
		b.say(rules.MarkCheck, "piece", "", signedCheck(f(at))).hold(time.Minute)
		if l := b.cooked(rules.CookDone); l.Cook.Proof != rules.ProvenByCheck {
			t.Errorf("%s: %+v", food, l.Cook)
		}
		b.want("piece", rules.OK)
	}
}

// Where the code names no temperature, having been at the hot limit is all that is asked, and that is said.
func TestCodeWithoutCookingLimit(t *testing.T) {
	b := pitted(t, warmer(t, "au-nz"), "beef")
	b.set1(1, c(55)).hold(time.Hour)
	b.say(rules.MarkMove, "piece", "warmer", nil).hold(time.Minute)
	if l := b.want("piece", rules.Act); !strings.Contains(l.Text, "before it reached") {
		t.Error(l.Text)
	}
	b = pitted(t, warmer(t, "au-nz"), "beef")
	b.set1(1, c(61)).hold(time.Hour)
	b.say(rules.MarkMove, "piece", "warmer", nil).hold(time.Minute)
	if l := b.want("piece", rules.OK); !strings.Contains(l.Cook.Text, "names no cooking temperature") {
		t.Error(l.Cook.Text)
	}
}

func TestCookNotSeen(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	if l := b.want("brisket", rules.OK); l.Cook.Stage != rules.CookNotSeen || !strings.Contains(l.Text, "Its cook was not seen.") {
		t.Errorf("%+v: %s", l.Cook, l.Text)
	}
	b = newBench(t, warmer(t, "us-fda-2022")).hold(10 * time.Minute)
	if l := b.want("warmer", rules.OK); l.Cook != nil || strings.Contains(l.Text, "cook") {
		t.Errorf("a station's own lot has a cook: %+v, %s", l.Cook, l.Text)
	}
}

// roast is a bench with a cold beef roast of that weight in a pit that is an oven of that kind, its air in °F.
func roast(t testing.TB, oven rules.Oven, grams int32, air float64) *bench {
	s := warmer(t, "us-fda-2022")
	s.Stations[1].Oven = oven
	b := newBench(t, s)
	b.set1(1, f(40)).set1(3, f(air)).sweep()
	return b.say(rules.MarkLoad, "piece", "pit", func(m *rules.Mark) { m.Probe, m.Food, m.Grams = "core", "beef", grams }).hold(time.Minute)
}

// Every row of the Food Code's roast table, 3-401.11(B)(2): one second short is no proof, the row is. The oven
// keeps its limit throughout.
func TestEveryRoastRow(t *testing.T) {
	table := microbe.Roast()
	if len(table.Rows) != 17 {
		t.Fatalf("%d rows", len(table.Rows))
	}
	for _, row := range table.Rows {
		if row.Fahrenheit >= 145 {
			continue // 145 °F for 15 s proves intact meat sooner; the rows are tried in package microbe
		}
		for _, short := range []bool{true, false} {
			b := roast(t, rules.DryOven, 5000, 275)
			b.set1(1, row.Temp()).hold(row.Hold)
			if !short {
				b.sweep()
			}
			want := rules.CookDone
			if short {
				want = rules.CookRunning
			}
			if l := b.cooked(want); !short && l.Cook.Proof != rules.ProvenByRoast {
				t.Errorf("%v: %+v", row, l.Cook)
			}
		}
	}
}

// The roast rule has two halves. 130 °F for 112 min in a dry pit at 225 °F meets the time and not the oven,
// and the sentence says so; each entry of the oven table is tried from both sides (3-401.11(B)(1)).
func TestRoastOven(t *testing.T) {
	const light, heavy = 3000, 4536
	for _, tc := range []struct {
		oven   rules.Oven
		grams  int32
		air    float64
		proven bool
	}{
		{rules.DryOven, heavy, 225, false},
		{rules.DryOven, heavy, 249.9, false},
		{rules.DryOven, heavy, 250, true},
		{rules.DryOven, heavy - 1, 250, false},
		{rules.DryOven, 0, 275, false},
		{rules.DryOven, light, 349, false},
		{rules.DryOven, light, 350, true},
		{rules.ConvectionOven, light, 324, false},
		{rules.ConvectionOven, light, 325, true},
		{rules.ConvectionOven, heavy, 250, true},
		{rules.HumidOven, light, 225, true},
		{rules.HumidOven, 0, 251, false},
		{"", heavy, 275, false},
	} {
		b := roast(t, tc.oven, tc.grams, tc.air)
		b.step = 10 * time.Second
		b.set1(1, f(130)).hold(113 * time.Minute)
		want := rules.CookRunning
		if tc.proven {
			want = rules.CookDone
		}
		l := b.cooked(want)
		if !l.Cook.RoastTime {
			t.Errorf("%+v: the time was met", tc)
		}
		if !tc.proven && !strings.Contains(l.Cook.Text, "The time of the roast table was met, but not its oven") {
			t.Errorf("%+v: %s", tc, l.Cook.Text)
		}
	}
}

// A door lets the heat out of an oven for a while; an oven that stays cold, or whose air nobody reads, is none.
func TestRoastOvenGrace(t *testing.T) {
	for _, tc := range []struct {
		off    time.Duration
		fault  bool
		proven bool
	}{{14 * time.Minute, false, true}, {16 * time.Minute, false, false}, {14 * time.Minute, true, true}, {16 * time.Minute, true, false}} {
		b := roast(t, rules.DryOven, 5000, 275)
		b.set1(3, f(200))
		if tc.fault {
			b.fail(3, sensor.Open)
		}
		b.hold(tc.off).set1(3, f(275)).ramp(1, f(140), 8*time.Minute).hold(13 * time.Minute)
		if l := b.lot("piece"); (l.Cook.Proof == rules.ProvenByRoast) != tc.proven {
			t.Errorf("%+v: %+v", tc, l.Cook)
		}
	}
}

// Two part cooks make no whole one: the count begins anew once the food was under 130 °F for longer than the
// allowance; a shorter dip only counts for nothing itself.
func TestRoastInTwoCooks(t *testing.T) {
	for _, tc := range []struct {
		dip    time.Duration
		proven bool
	}{{4 * time.Minute, true}, {6 * time.Minute, false}} {
		b := roast(t, rules.HumidOven, 0, 225)
		b.set1(1, f(140)).hold(7*time.Minute).set1(1, f(125)).hold(tc.dip).set1(1, f(140)).hold(7 * time.Minute)
		if l := b.lot("piece"); (l.Cook.Proof == rules.ProvenByRoast) != tc.proven {
			t.Errorf("%+v: %+v", tc, l.Cook)
		}
	}
}

// An FSIS table at retail only advises; under a named plan a row that is met is the proof, with its citation.
func TestCookingPlan(t *testing.T) {
	for _, plan := range []string{"", "variance 12 of the county"} {
		s := warmer(t, "us-fda-2022")
		s.CookingPlan = plan
		b := pitted(t, s, "beef")
		b.set1(1, f(140)).hold(13 * time.Minute)
		l := b.lot("piece")
		if !l.Lethality.TableMet {
			t.Fatal("12 min at 140 °F is 6.5 log")
		}
		if plan == "" {
			b.cooked(rules.CookRunning)
			b.out().want("piece", rules.Act)
			continue
		}
		if l = b.cooked(rules.CookDone); l.Cook.Proof != rules.ProvenByPlan || !strings.Contains(l.Cook.Basis, "Table 2") || !strings.Contains(l.Cook.Basis, plan) {
			t.Errorf("%+v", l.Cook)
		}
		b.out().want("piece", rules.OK)
	}
	s := warmer(t, "us-fda-2022")
	s.CookingPlan = "plan"
	b := pitted(t, s, "fish")
	b.set1(1, f(144)).hold(3 * time.Hour)
	b.cooked(rules.CookRunning)
}

// What is still to go at the present temperature counts down, and is nobody's guess below every limit.
func TestCookLeft(t *testing.T) {
	b := pitted(t, warmer(t, "us-fda-2022"), "ground")
	if l := b.cooked(rules.CookRunning); l.Cook.Left >= 0 {
		t.Errorf("at 40 °F it has %v to go", l.Cook.Left)
	}
	b.set1(1, f(146)).hold(time.Minute)
	if l := b.lot("piece"); l.Cook.Left < 2*time.Minute || l.Cook.Left > 2*time.Minute+time.Second || !strings.Contains(l.Cook.Text, "to go at this temperature") {
		t.Errorf("%v: %s", l.Cook.Left, l.Cook.Text)
	}
}

// A whole roast that was cooked by the roast table may be held at 130 °F (3-501.16(A)(1)); a part that was cut
// off it, and any other food, at 135 °F.
func TestRoastIsHeldAt130(t *testing.T) {
	b := roast(t, rules.DryOven, 5000, 275)
	b.set1(1, f(136)).hold(28 * time.Minute).sweep()
	if l := b.cooked(rules.CookDone); l.Cook.Proof != rules.ProvenByRoast {
		t.Fatalf("proven by %q", l.Cook.Proof)
	}
	b.set1(1, f(131)).hold(20 * time.Minute).sweep()
	if l := b.lot("piece"); l.BelowHotLimit != 0 || l.Verdict != rules.OK {
		t.Errorf("at 131 °F: %v below, %s: %s", l.BelowHotLimit, l.Verdict, l.Text)
	}
	b.say(rules.MarkSplit, "slices", "", func(m *rules.Mark) { m.From, m.Probe = "piece", "core-2" })
	b.set1(2, f(131)).hold(2 * time.Minute).sweep()
	if l := b.lot("slices"); l.BelowHotLimit == 0 || l.Verdict != rules.Act || !strings.Contains(l.Text, "135 °F") {
		t.Errorf("slices at 131 °F: %v below, %s: %s", l.BelowHotLimit, l.Verdict, l.Text)
	}
	if l := b.lot("piece"); l.BelowHotLimit != 0 || l.Verdict != rules.OK {
		t.Errorf("the rest at 131 °F: %v below, %s: %s", l.BelowHotLimit, l.Verdict, l.Text)
	}
	b.set1(1, f(129)).hold(2 * time.Minute).sweep()
	if l := b.lot("piece"); l.BelowHotLimit == 0 || l.Verdict != rules.Act || !strings.Contains(l.Text, "130 °F") {
		t.Errorf("at 129 °F: %v below, %s: %s", l.BelowHotLimit, l.Verdict, l.Text)
	}
}
