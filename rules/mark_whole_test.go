package rules_test

import (
	"strings"
	"testing"

	"holdbell/rules"
	"holdbell/sensor"
)

// A mark that never went through ParseMark may lack anything, and say what no thermometer shows. Each of them is
// answered once, in a kitchen with food at every stage, and none ends the watch.
func TestMarksThatLackSomething(t *testing.T) {
	none, hot, absurd := (*sensor.Temp)(nil), sensor.Temp(71_000), sensor.Temp(2_000_000_000)
	set := []func(m *rules.Mark, on bool){
		func(m *rules.Mark, on bool) { m.Lot = pick(on, "butt", "") },
		func(m *rules.Mark, on bool) { m.Station = pick(on, "warmer", "") },
		func(m *rules.Mark, on bool) { m.Probe = pick(on, "air", "") }, // a check of the air
		func(m *rules.Mark, on bool) { m.Temp = pick(on, &hot, none) },
		func(m *rules.Mark, on bool) { m.True = pick(on, &hot, none) },
		func(m *rules.Mark, on bool) { m.Read = pick(on, &hot, none) },
		func(m *rules.Mark, on bool) { m.From = pick(on, "pork", "") },
		func(m *rules.Mark, on bool) { m.By = pick(on, "sam", "") },
		func(m *rules.Mark, on bool) { m.Undoes = pick(on, "load-butt", "") },
	}
	answers := map[rules.EventKind]int{}
	for _, kind := range append(rules.MarkKinds(), "", "melt") {
		b := newBench(t, warmer(t, "us-fda-2022"))
		b.sweep()
		b.say(rules.MarkLoad, "butt", "pit", withProbe("core")).say(rules.MarkLoad, "pork", "warmer", nil).say(rules.MarkLoad, "slaw", "walkin", nil)
		b.sweep()
		for bits := range 1 << len(set) {
			b.say(kind, "", "", func(m *rules.Mark) {
				for i, f := range set {
					f(m, bits>>i&1 == 1)
				}
			})
			said := 0
			for _, ev := range b.sweep() {
				if ev.Kind == rules.MarkTaken || ev.Kind == rules.MarkRefused {
					said++
					answers[ev.Kind]++
				}
			}
			if said != 1 {
				t.Fatalf("%s with fields %b is answered %d times", kind, bits, said)
			}
		}
	}
	if answers[rules.MarkTaken] < 1000 || answers[rules.MarkRefused] < 1000 {
		t.Errorf("taken and refused: %v", answers)
	}
	for _, m := range []rules.Mark{
		{Kind: rules.MarkCheck, Lot: "pork"}, {Kind: rules.MarkCheck, Station: "warmer", Probe: "air"}, {Kind: rules.MarkCheck, Lot: "pork", Temp: &absurd},
		{Kind: rules.MarkCalibrate, Probe: "core", Ref: rules.RefReference, True: &hot}, {Kind: rules.MarkCalibrate, Probe: "core", Ref: rules.RefReference, True: &hot, Read: &absurd},
		{Kind: rules.MarkProbe, Lot: "pork"}, {Kind: rules.MarkShelve}, {Kind: rules.MarkUndo}, {Kind: "melt", Lot: "pork"}, {},
	} {
		b := newBench(t, warmer(t, "us-fda-2022"))
		b.sweep()
		b.say(rules.MarkLoad, "pork", "warmer", nil).hold(minute)
		m.At, m.ID = b.at(), "bad"
		b.marks = append(b.marks, m)
		b.sweep()
		ev := b.first(rules.MarkRefused, "")
		if !strings.HasPrefix(ev.Text, "Not taken: ") {
			t.Errorf("%+v: %s", m, ev.Text)
		}
	}
}

func pick[T any](on bool, yes, no T) T {
	if on {
		return yes
	}
	return no
}
