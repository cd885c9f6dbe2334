package rules_test

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// "Act until reheated" can be met: a lot that lay back above its limit for hours, or below it, is reheated
// when it goes from its rest to 165 °F within two hours. The time that it spent before stays charged.
func TestReheatingAfterARest(t *testing.T) {
	for name, rest := range map[string]func(*bench){
		"above":          func(b *bench) { b.ramp(1, f(145), 20*time.Minute).hold(5 * time.Hour) },
		"drifting above": func(b *bench) { b.ramp(1, f(145), 20*time.Minute).ramp(1, f(150), 5*time.Hour) },
		"below":          func(b *bench) { b.hold(2*time.Hour + 30*time.Minute) },
	} {
		b := loaded(t, "us-fda-2022")
		b.ramp(1, f(125), time.Minute).hold(30 * time.Minute)
		rest(b)
		b.want("brisket", rules.Act)
		spent := b.lot("brisket").Charged
		b.ramp(1, f(164), 40*time.Minute).want("brisket", rules.Act)
		b.ramp(1, f(166), 2*time.Minute).hold(20 * time.Second)
		if l := b.want("brisket", rules.OK); l.Charged > spent+16*time.Minute || l.Charged < spent {
			t.Errorf("%s: %v charged before and %v after", name, spent, l.Charged)
		}
	}
}

// A rise that takes longer than two hours is no reheating, however slow; it may rest and start again.
func TestSlowRiseIsNoReheating(t *testing.T) {
	for _, over := range []time.Duration{125 * time.Minute, 200 * time.Minute, 300 * time.Minute} {
		b := loaded(t, "us-fda-2022")
		b.ramp(1, f(125), time.Minute).ramp(1, f(166), over).hold(5*time.Minute).want("brisket", rules.Act)
		b.ramp(1, f(150), 10*time.Minute).hold(20*time.Minute).want("brisket", rules.Act)
		b.ramp(1, f(166), 30*time.Minute).hold(20*time.Second).want("brisket", rules.OK)
	}
}

// Law 3: no reading is no rest, and starts nothing anew.
func TestNoReadingIsNoRest(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.ramp(1, f(125), time.Minute).ramp(1, f(160), 110*time.Minute)
	b.fail(1, sensor.Open).hold(4 * time.Minute)
	b.set1(1, f(161)).ramp(1, f(166), 10*time.Minute).hold(time.Minute)
	b.want("brisket", rules.Act)
}

// The deadline of a lot that is being reheated in place is the earlier of the four hours and two hours
// from the start of that.
func TestDeadlineHonoursTheTwoHours(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.ramp(1, f(120), time.Minute).hold(time.Hour)
	l := b.want("brisket", rules.Act)
	near(t, "at rest", l.Deadline.Mono-b.now, 3*time.Hour, time.Minute)
	start := b.now
	b.ramp(1, f(130), 20*time.Minute)
	l = b.want("brisket", rules.Act)
	near(t, "while it rises", l.Deadline.Mono, start+2*time.Hour, 16*time.Minute)
	if l.Deadline.Mono > start+2*time.Hour {
		t.Errorf("the deadline %v is later than two hours from the start %v", l.Deadline.Mono, start)
	}
}

// A snapshot that knows only the moment of the lowest reading goes on from that.
func TestOlderSnapshotOfAnExcursion(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.ramp(1, f(125), time.Minute).hold(10 * time.Minute)
	snap, err := b.e.Snapshot()
	if err != nil {
		t.Fatal(err)
	}
	var m map[string]any
	d := json.NewDecoder(bytes.NewReader(snap))
	d.UseNumber()
	if err := d.Decode(&m); err != nil {
		t.Fatal(err)
	}
	x := m["Lots"].([]any)[0].(map[string]any)["Exc"].(map[string]any)
	for _, key := range []string{"RiseTemp", "RestFrom", "RestTemp"} {
		if _, ok := x[key]; !ok {
			t.Fatalf("the snapshot has no %s: %v", key, x)
		}
		delete(x, key)
	}
	if snap, err = json.Marshal(m); err != nil {
		t.Fatal(err)
	}
	if b.e, err = rules.Restore(b.set, snap); err != nil {
		t.Fatal(err)
	}
	b.want("brisket", rules.Act)
	b.hold(20*time.Minute).ramp(1, f(166), 30*time.Minute).hold(20*time.Second).want("brisket", rules.OK)
}

// chilled is a bench with a stew at 38 °F that has just been put into the oven, seen by core.
func chilled(t testing.TB, made rules.Made) *bench {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.set1(1, f(38)).sweep()
	b.say(rules.MarkLoad, "stew", "walkin", func(m *rules.Mark) { m.Probe, m.Made = "core", made }).hold(time.Minute)
	b.say(rules.MarkMove, "stew", "oven", nil).sweep()
	return b
}

// reheat-late comes ahead of the two hours, with what to do, and at the miss.
func TestReheatLate(t *testing.T) {
	b := chilled(t, "")
	start := b.now
	b.ramp(1, f(120), 2*time.Hour)
	late := b.first(rules.AlarmRaised, rules.ReheatLate)
	if at := late.At.Mono - start; at < 30*time.Minute || at > time.Hour+5*time.Minute {
		t.Errorf("told after %v\n%s", at, b.story())
	}
	if !strings.Contains(late.Text, "165 °F in time") || !strings.Contains(late.Text, "Heat it harder now") || !strings.Contains(late.Basis, "3-403.11") {
		t.Errorf("%q (%s)", late.Text, late.Basis)
	}
	if l := b.hold(time.Minute).want("stew", rules.Discard); l.Reheating.Result != rules.Fail {
		t.Errorf("%+v", l.Reheating)
	}
	b = chilled(t, "")
	b.ramp(1, f(100), 40*time.Minute)
	if h := b.lot("stew").Reheating; h.Late || h.Finish == nil || h.Finish.To != f(165) || h.Finish.Deadline.IsZero() {
		t.Errorf("%+v", h)
	}
	b.ramp(1, f(168), 50*time.Minute).hold(time.Minute).want("stew", rules.OK)
	if n := b.count(rules.AlarmRaised, rules.ReheatLate); n != 0 {
		t.Errorf("a reheating in time was told\n%s", b.story())
	}
}

// Food from a plant that is heated for the first time has to reach 135 °F alone (3-403.11(C)); what was hot
// here before owes 165 °F, whatever the mark says.
func TestPackagedFood(t *testing.T) {
	b := chilled(t, rules.MadePackaged)
	b.ramp(1, f(136), 50*time.Minute).want("stew", rules.OK)
	if h := b.lot("stew").Reheating; h.Result != rules.Pass {
		t.Errorf("%+v", h)
	}
	// Held hot, it falls: the second time it owes the full target.
	b.say(rules.MarkMove, "stew", "warmer", nil).hold(2 * time.Minute)
	b.ramp(1, f(125), 5*time.Minute).hold(20*time.Minute).ramp(1, f(140), 10*time.Minute).hold(10 * time.Minute)
	if l := b.want("stew", rules.Act); !strings.Contains(l.Action, "165 °F for 15 s") {
		t.Errorf("%q", l.Action)
	}

	b = chilled(t, "")
	b.ramp(1, f(140), 50*time.Minute).want("stew", rules.Act)

	b = newBench(t, warmer(t, "us-fda-2022"))
	b.set1(1, f(150)).sweep()
	b.say(rules.MarkLoad, "stew", "warmer", func(m *rules.Mark) { m.Probe, m.Made = "core", rules.MadePackaged }).hold(2 * time.Minute)
	b.say(rules.MarkMove, "stew", "bath", nil).ramp(1, f(40), 100*time.Minute).hold(time.Minute)
	b.say(rules.MarkMove, "stew", "oven", nil).ramp(1, f(140), 50*time.Minute).hold(time.Minute)
	b.want("stew", rules.Act)
}
