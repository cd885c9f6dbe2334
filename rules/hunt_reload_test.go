package rules_test

import (
	"fmt"
	"testing"
	"time"

	"holdbell/rules"
)

// A check that closes an excursion and another mark in the same sweep do not trip over each other.
func TestMarksTogether(t *testing.T) {
	for _, kind := range []rules.MarkKind{rules.MarkHandover, rules.MarkClose, rules.MarkServe, rules.MarkDiscard} {
		b := loaded(t, "us-fda-2022")
		b.set1(1, f(132)).hold(10 * time.Minute)
		b.set1(1, f(150)).hold(2 * time.Minute)
		b.want("brisket", rules.Act)
		b.say(rules.MarkCheck, "brisket", "", signedCheck(f(141)))
		lot := "brisket"
		if kind == rules.MarkHandover {
			lot = ""
		}
		b.say(kind, lot, "", signed).hold(time.Second)
		b.e.State()
	}
}

// Law 1: a step does not write into its input, which the ledger records.
func TestStepLeavesItsInputAlone(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.hold(6 * time.Minute)
	marks := []rules.Mark{{At: b.at(), Kind: rules.MarkNote, Lot: "warmer"}, {At: b.at(), Kind: rules.MarkClose, Station: "warmer"}}
	want := fmt.Sprint(marks)
	b.marks = marks
	b.sweep()
	if got := fmt.Sprint(marks); got != want {
		t.Errorf("the marks became %s", got)
	}
}

// A refused probe name refuses the whole mark.
func TestUnknownProbeIsRefused(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.say(rules.MarkMove, "brisket", "pit", withProbe("core-9")).hold(time.Second)
	b.say(rules.MarkSplit, "half", "", func(m *rules.Mark) { m.From, m.Probe = "brisket", "core-9" }).hold(time.Second)
	if n := b.count(rules.MarkRefused, ""); n != 2 {
		t.Errorf("%d of 2 refused:\n%s", n, b.story())
	}
	if l := b.lot("brisket"); l.Station != "warmer" {
		t.Errorf("a refused move moved it to %s", l.Station)
	}
}

// A new configuration keeps clocks, verdicts and what can be undone, whatever it adds, drops or reorders.
func TestReload(t *testing.T) {
	base := func() *bench {
		b := loaded(t, "us-fda-2022")
		b.say(rules.MarkLoad, "salad", "walkin", nil).hold(time.Second)
		b.say(rules.MarkMove, "brisket", "pit", func(m *rules.Mark) { m.ID = "slip" }).hold(time.Minute)
		return b
	}
	t.Run("stations and probes in another order", func(t *testing.T) {
		b := base()
		s := warmer(t, "us-fda-2022")
		for i, j := 0, len(s.Stations)-1; i < j; i, j = i+1, j-1 {
			s.Stations[i], s.Stations[j] = s.Stations[j], s.Stations[i]
		}
		b.restart(s).hold(time.Minute)
		b.say(rules.MarkUndo, "", "", func(m *rules.Mark) { m.Undoes = "slip" }).hold(time.Minute)
		if l := b.want("brisket", rules.OK); l.Station != "warmer" || l.Unknown != 0 {
			t.Errorf("undone it is in %s, unknown %v", l.Station, l.Unknown)
		}
	})
	t.Run("another probe", func(t *testing.T) {
		b := loaded(t, "us-fda-2022")
		s := warmer(t, "us-fda-2022")
		s.Stations[0].Food = []int{1, 2}
		b.restart(s).hold(time.Minute)
		if l := b.want("brisket", rules.OK); len(l.Probes) != 2 || l.Unknown != 0 {
			t.Errorf("%v, unknown %v", l.Probes, l.Unknown)
		}
	})
	t.Run("an ended lot's station and probe gone", func(t *testing.T) {
		b := base()
		b.say(rules.MarkProbe, "salad", "", withProbe("cold-air")).hold(time.Second)
		b.say(rules.MarkClose, "salad", "", nil)
		b.fail(4, 1).sweep()
		s := warmer(t, "us-fda-2022")
		s.Probes, s.Stations = s.Probes[:4], s.Stations[:2]
		b.temps = b.temps[:4]
		b.restart(s).hold(time.Minute)
		b.want("brisket", rules.OK)
	})
	t.Run("a code without time control", func(t *testing.T) {
		b := loaded(t, "us-fda-2022")
		b.say(rules.MarkTimeControl, "brisket", "", nil).hold(time.Minute)
		ends := b.lot("brisket").TimeControlEnds.Mono
		b.restart(warmer(t, "au-nz")).hold(time.Minute)
		if got := b.want("brisket", rules.Act).TimeControlEnds.Mono; got != ends {
			t.Errorf("time control ends at %v, want %v", got, ends)
		}
		b.hold(4*time.Hour).want("brisket", rules.Discard)
	})
	t.Run("a code with fewer legs of cooling", func(t *testing.T) {
		b := loaded(t, "us-fda-2022")
		b.say(rules.MarkProbe, "brisket", "", withProbe("core")).hold(time.Second)
		b.say(rules.MarkMove, "brisket", "bath", nil).hold(time.Second)
		b.ramp(1, f(65), 30*time.Minute).hold(time.Minute)
		b.restart(warmer(t, "codex")).hold(time.Minute)
		if l := b.want("brisket", rules.Act); l.Cooling.Result != rules.Running {
			t.Errorf("at 65 °F cooling is %+v", l.Cooling)
		}
	})
	t.Run("a station of another purpose", func(t *testing.T) {
		b := loaded(t, "us-fda-2022")
		s := warmer(t, "us-fda-2022")
		s.Stations[0].Purpose = rules.Reheating
		b.restart(s).hold(time.Minute)
		if l := b.want("brisket", rules.Act); l.Stage != rules.Reheating || l.Reheating == nil {
			t.Errorf("its stage is %s, reheating %+v", l.Stage, l.Reheating)
		}
	})
}

// The memory of a full kitchen stays small over a month of dead probes, noise and people.
func TestSnapshotStaysSmall(t *testing.T) {
	s := warmer(t, "us-fda-2022")
	for i := range 3 {
		s.Probes = append(s.Probes, rules.ProbeSetup{Name: fmt.Sprint("extra-", i)})
		s.Stations[0].Food = append(s.Stations[0].Food, 5+i)
	}
	b := newBench(t, s)
	b.step = time.Minute
	b.sweep()
	for i := range 10 {
		b.say(rules.MarkLoad, fmt.Sprint("lot-", i), []string{"warmer", "pit", "bath", "oven", "walkin"}[i%5], nil).sweep()
	}
	largest := 0
	for day := range 30 {
		for i := range 24 * 60 {
			b.set1(1, f(float64(130+10*(i%2)))).set1(5, f(float64(134+2*(i/7%2))))
			b.fail(6, 1)
			if i%100 == 0 {
				b.say(rules.MarkCheck, fmt.Sprint("lot-", i/100%10), "", signedCheck(f(150)))
			}
			if i == 700 {
				b.say(rules.MarkMove, fmt.Sprint("lot-", day%10), []string{"walkin", "warmer"}[day%2], nil)
			}
			b.sweep()
			b.events = b.events[:0]
		}
		snap, err := b.e.Snapshot()
		if err != nil {
			t.Fatal(err)
		}
		largest = max(largest, len(snap))
	}
	t.Logf("8 probes, 10 lots: at most %d bytes", largest)
	if largest > 128<<10 {
		t.Errorf("the snapshot has grown to %d bytes", largest)
	}
}
