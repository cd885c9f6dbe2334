package rules_test

import (
	"strings"
	"testing"
	"time"

	"holdbell/rules"
)

// A mark's event says whether an undo of it is possible, and an undo bears it out: of every kind.
func TestWhatCanBeUndoneIsSaid(t *testing.T) {
	for _, kind := range rules.MarkKinds() {
		b := newBench(t, warmer(t, "us-fda-2022"))
		b.sweep()
		b.say(rules.MarkLoad, "brisket", "warmer", withProbe("core")).hold(time.Hour)
		lot, station := "brisket", ""
		more := signed
		switch kind {
		case rules.MarkLoad:
			lot, station, more = "ham", "pit", nil
		case rules.MarkSplit:
			lot, more = "slices", func(m *rules.Mark) { m.From = "brisket" }
		case rules.MarkMove:
			station = "pit"
		case rules.MarkCheck:
			more = signedCheck(f(150))
		case rules.MarkProbe, rules.MarkProbeOut, rules.MarkProbeIn, rules.MarkOffWatch, rules.MarkCalibrate:
			more = withProbe("core")
		case rules.MarkOutOfService, rules.MarkInService, rules.MarkHandover:
			lot, station = "", "warmer"
		case rules.MarkUndo:
			b.say(rules.MarkWrap, "brisket", "", known("wrapped", nil)).sweep()
			lot, more = "", undoes("wrapped", "R")
		case rules.MarkAcknowledge, rules.MarkShelve:
			b.set1(0, f(120)).set1(1, f(120)).hold(20 * time.Minute)
			more = func(m *rules.Mark) { m.By, m.Until = "R", m.At.Wall.Add(time.Hour) }
		}
		b.say(kind, lot, station, known("this", more))
		var said *rules.Event
		for _, ev := range b.sweep() {
			if ev.Mark == "this" {
				said = &ev
			}
		}
		if said == nil {
			t.Fatalf("%s is not answered", kind)
		}
		if said.Kind == rules.MarkRefused && kind.Undoable() {
			t.Fatalf("%s is refused here: %s", kind, said.Text)
		}
		if said.Undoable != kind.Undoable() {
			t.Errorf("%s: its event says %v, its kind %v: %s", kind, said.Undoable, kind.Undoable(), said.Text)
		}
		b.hold(time.Second)
		answer := b.back("this", "R")
		if gone := strings.Contains(answer, "There is no mark with the id"); gone == said.Undoable {
			t.Errorf("%s: undoable is %v, and an undo says: %s", kind, said.Undoable, answer)
		}
	}
}

// An alarm's answer says it in the glossary's words, and that nobody signed.
func TestTheAnswerToAnAlarm(t *testing.T) {
	for _, c := range []struct{ by, want string }{
		{"R", "Acknowledged: below hot limit at warmer"}, {"", "Acknowledged, unsigned: below hot limit at warmer"}} {
		b := loaded(t, "us-fda-2022")
		b.set1(0, f(120)).set1(1, f(120)).hold(20 * time.Minute)
		b.say(rules.MarkAcknowledge, "brisket", "", func(m *rules.Mark) { m.By, m.Alarm = c.by, rules.BelowHotLimit })
		if got := b.answer(); !strings.HasPrefix(got, c.want) {
			t.Errorf("the answer is %q, want %q", got, c.want)
		}
	}
}
