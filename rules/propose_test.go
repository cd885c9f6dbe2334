package rules_test

import (
	"strings"
	"testing"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// A stage that nobody marked is proposed with the mark to make; clocks, verdict and alarms go on as they are.
func TestProposals(t *testing.T) {
	for _, tc := range []struct {
		name  string
		begin func() *bench
		lot   string
		want  string // in the proposal; empty: none
	}{
		{"cooling on purpose", func() *bench {
			return loaded(t, "us-fda-2022").ramp(1, f(110), 80*time.Minute)
		}, "brisket", "mark move to bath"},
		{"a cabinet that cools explains it", func() *bench {
			b := loaded(t, "us-fda-2022").set1(0, f(100))
			return b.ramp(1, f(110), 80*time.Minute)
		}, "brisket", ""},
		{"a slow fall", func() *bench { return loaded(t, "us-fda-2022").ramp(1, f(140), 80*time.Minute) }, "brisket", ""},
		{"a step is no trend", func() *bench {
			return loaded(t, "us-fda-2022").hold(25*time.Minute).set1(1, f(130)).hold(16 * time.Minute)
		}, "brisket", ""},
		{"reheated in place", func() *bench {
			b := loaded(t, "us-fda-2022").set1(1, f(120)).hold(20 * time.Minute)
			return b.ramp(1, f(163), 45*time.Minute)
		}, "brisket", "If it is being reheated, mark move to oven"},
		{"in the fridge", func() *bench {
			return loaded(t, "us-fda-2022").set1(1, f(38)).hold(11 * time.Minute)
		}, "brisket", "as cold as a fridge. If it lies in the cold, mark move to walkin"},
		{"taken off the fire", func() *bench { return cooked(t, "us-fda-2022").ramp(1, f(125), 45*time.Minute) }, "butt", "If it was taken off, mark move to warmer"},
		{"rising in the walk-in", func() *bench {
			b := newBench(t, warmer(t, "us-fda-2022"))
			b.set1(1, f(38)).sweep()
			b.say(rules.MarkLoad, "stew", "walkin", withProbe("core")).hold(time.Minute)
			return b.ramp(1, f(100), 45*time.Minute)
		}, "stew", "mark move to oven"},
		{"hot in the walk-in", func() *bench {
			b := newBench(t, warmer(t, "us-fda-2022"))
			b.sweep()
			return b.say(rules.MarkLoad, "stew", "walkin", withProbe("core")).hold(11 * time.Minute)
		}, "stew", "mark move to warmer; if it is to be cooled here, mark move to bath"},
		{"under time control", func() *bench {
			b := loaded(t, "us-fda-2022")
			b.say(rules.MarkTimeControl, "brisket", "", nil)
			return b.ramp(1, f(110), 80*time.Minute)
		}, "brisket", ""},
		{"an untouched station", func() *bench {
			b := newBench(t, warmer(t, "us-fda-2022")).hold(6 * time.Minute)
			return b.ramp(1, f(110), 80*time.Minute)
		}, "warmer", "mark load under a name of its own, then move to bath"},
	} {
		b := tc.begin()
		l := b.lot(tc.lot)
		if tc.want == "" && l.Proposal != "" || !strings.Contains(l.Proposal, tc.want) {
			t.Errorf("%s: %q, want %q", tc.name, l.Proposal, tc.want)
		}
		n := b.count(rules.StageProposed, "")
		if (n == 1) != (tc.want != "") {
			t.Errorf("%s: told %d times\n%s", tc.name, n, b.story())
		}
	}
}

// A proposal changes no clock and silences nothing, and goes when the mark is made or the trend is over.
func TestProposalAssumesNothing(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.ramp(1, f(110), 80*time.Minute)
	l := b.want("brisket", rules.Act)
	if l.Proposal == "" || l.Stage != rules.HotHolding || l.Cooling != nil {
		t.Fatalf("%+v", l)
	}
	near(t, "danger-zone time", l.DangerZone, 50*time.Minute, 5*time.Second)
	if a := b.alarm(rules.BelowHotLimit, "brisket"); a == nil || a.Status != rules.Unacknowledged {
		t.Errorf("%+v", a)
	}
	b.fail(1, sensor.Open).hold(time.Hour)
	if l := b.lot("brisket"); l.Proposal == "" || strings.Contains(l.Proposal, ", 0 °F in") {
		t.Errorf("no reading turned the proposal into %q", l.Proposal)
	}
	b.set1(1, f(100)).hold(25 * time.Minute)
	if l := b.lot("brisket"); l.Proposal != "" {
		t.Errorf("at rest: %q", l.Proposal)
	}
	b = loaded(t, "us-fda-2022")
	b.say(rules.MarkProbe, "brisket", "", withProbe("core")).hold(time.Second)
	b.ramp(1, f(120), 40*time.Minute)
	b.say(rules.MarkMove, "brisket", "bath", nil).hold(time.Second)
	if l := b.lot("brisket"); l.Proposal != "" {
		t.Errorf("after the mark: %q", l.Proposal)
	}
}
