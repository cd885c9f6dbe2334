package rules_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// spoiled is a bench whose brisket, in the warmer with the probe core, is to be discarded.
func spoiled(t testing.TB) *bench {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.sweep()
	b.say(rules.MarkLoad, "brisket", "warmer", func(m *rules.Mark) { m.Probe, m.ID = "core", "load" }).hold(time.Minute)
	b.set1(1, f(120)).hold(4*time.Hour + time.Minute)
	b.want("brisket", rules.Discard)
	return b
}

// A discard never un-happens: every way to launder one leaves it, in the lot or in what goes on with its food.
func TestLaundering(t *testing.T) {
	named := func(id string) func(*rules.Mark) { return func(m *rules.Mark) { m.ID = id } }
	undo := func(id, by string) func(*rules.Mark) {
		return func(m *rules.Mark) { m.Undoes, m.By, m.ID = id, by, "undo "+id }
	}
	for _, tc := range []struct {
		name string
		lot  string // that has to be a discard in the end
		wash func(b *bench)
	}{
		{"recover", "brisket", func(b *bench) { b.set1(1, f(160)).hold(time.Hour) }},
		{"reheat in place", "brisket", func(b *bench) { b.ramp(1, f(180), time.Hour).hold(10 * time.Minute) }},
		{"move to reheating", "brisket", func(b *bench) {
			b.say(rules.MarkMove, "brisket", "oven", nil)
			b.ramp(1, f(180), time.Hour).hold(10 * time.Minute)
			b.say(rules.MarkMove, "brisket", "warmer", nil).hold(time.Hour)
		}},
		{"move to cooking, cooling and back", "brisket", func(b *bench) {
			for _, s := range []string{"pit", "bath", "walkin", "warmer"} {
				b.say(rules.MarkMove, "brisket", s, nil).set1(1, f(200)).hold(30*time.Minute).set1(1, f(38)).hold(10 * time.Minute)
			}
		}},
		{"boiling water on the probe", "brisket", func(b *bench) { b.set1(1, f(212)).hold(10*time.Minute).set1(1, f(150)).hold(time.Minute) }},
		{"off watch, and vouched for", "brisket", func(b *bench) {
			b.say(rules.MarkProbeOut, "brisket", "", signedCheck(f(170))).hold(20 * time.Minute)
			b.set1(1, f(170)).say(rules.MarkProbeIn, "brisket", "", signedCheck(f(170))).hold(time.Minute)
		}},
		{"acknowledge, shelve and check", "brisket", func(b *bench) {
			b.say(rules.MarkAcknowledge, "", "", signed)
			for _, a := range rules.AlarmNames() {
				b.say(rules.MarkShelve, "", "", func(m *rules.Mark) { m.Alarm, m.Until, m.ID = a, m.At.Wall.Add(time.Hour), string(a) })
			}
			b.say(rules.MarkCheck, "brisket", "", signedCheck(f(190))).hold(2 * time.Hour)
		}},
		{"out of service and back", "brisket", func(b *bench) {
			b.say(rules.MarkOutOfService, "", "warmer", signed).hold(time.Minute)
			b.say(rules.MarkInService, "", "warmer", signed).set1(1, f(150)).hold(10 * time.Minute)
		}},
		{"restart and power cut", "brisket", func(b *bench) {
			b.restart(b.set).set1(1, f(150)).off(time.Hour, true).hold(10 * time.Minute)
			b.off(time.Minute, false).restart(b.set).hold(10 * time.Minute)
		}},
		{"another configuration", "brisket", func(b *bench) {
			s := warmer(b.t, "au-nz")
			s.Stations[0].Purpose = rules.Cooking
			s.Probes[1].Name = "core-new"
			b.restart(s).set1(1, f(170)).hold(time.Hour)
			b.restart(warmer(b.t, "us-fda-2022")).hold(time.Minute)
		}},
		{"time control, and an unsigned undo", "brisket", func(b *bench) {
			b.say(rules.MarkTimeControl, "brisket", "", named("tc")).hold(time.Second)
			b.say(rules.MarkUndo, "", "", undo("tc", "")).set1(1, f(150)).hold(time.Minute)
		}},
		{"a good check of the fallen food, and its undo", "brisket", func(b *bench) {
			b.say(rules.MarkCheck, "brisket", "", func(m *rules.Mark) { signedCheck(f(170))(m); m.ID = "good" }).hold(time.Minute)
			b.say(rules.MarkUndo, "", "", undo("good", "R. Oduya")).set1(1, f(150)).hold(time.Minute)
		}},
		{"a bad check, and its undo", "brisket", func(b *bench) {
			b.say(rules.MarkCheck, "brisket", "", func(m *rules.Mark) { signedCheck(f(100))(m); m.ID = "bad" }).hold(time.Minute)
			b.say(rules.MarkUndo, "", "", undo("bad", "R. Oduya")).set1(1, f(150)).hold(time.Minute)
		}},
		{"undo of the load by nobody", "brisket", func(b *bench) {
			b.say(rules.MarkUndo, "", "", undo("load", ""))
			b.says("must be signed")
			b.hold(time.Minute)
		}},
		{"close, and undo the close by nobody", "brisket", func(b *bench) {
			b.say(rules.MarkClose, "brisket", "", named("close")).hold(time.Second)
			b.say(rules.MarkUndo, "", "", undo("close", "")).hold(time.Minute)
		}},
		{"close, and undo the close", "brisket", func(b *bench) {
			b.say(rules.MarkClose, "brisket", "", named("close")).hold(time.Second)
			b.say(rules.MarkUndo, "", "", undo("close", "R. Oduya")).set1(1, f(150)).hold(time.Minute)
		}},
		{"the same name again", "brisket", func(b *bench) {
			b.say(rules.MarkClose, "brisket", "", nil).hold(time.Second)
			b.say(rules.MarkLoad, "brisket", "warmer", withProbe("core"))
			b.says("was to be discarded")
			b.say(rules.MarkLoad, "brisket", "warmer", func(m *rules.Mark) { m.Fresh = true }).hold(time.Minute)
		}},
		{"split", "half", func(b *bench) {
			b.say(rules.MarkSplit, "half", "pit", func(m *rules.Mark) { m.From, m.Probe = "brisket", "core-2" }).hold(time.Minute)
			b.say(rules.MarkDiscard, "brisket", "", signed).hold(time.Minute)
		}},
		{"another name beside it, with its probe", "ham", func(b *bench) {
			b.set1(1, f(150)).say(rules.MarkLoad, "ham", "warmer", withProbe("core"))
			b.says("was in brisket, which is to be discarded")
			b.hold(time.Minute)
		}},
		{"closed, and another name with its probe", "ham", func(b *bench) {
			b.say(rules.MarkClose, "brisket", "", signed).hold(time.Minute)
			b.set1(1, f(150)).say(rules.MarkLoad, "ham", "warmer", withProbe("core")).hold(time.Minute)
		}},
		{"closed, and another name in its place, over a restart", "ham", func(b *bench) {
			b.say(rules.MarkClose, "brisket", "", nil).hold(time.Minute)
			s := warmer(b.t, "us-fda-2022")
			s.Probes[0], s.Probes[1] = s.Probes[1], s.Probes[0]
			s.Stations[0].Air, s.Stations[0].Food = 1, []int{0}
			b.restart(s).set1(0, f(150)).set1(1, f(150)).hold(time.Minute)
			b.say(rules.MarkLoad, "ham", "warmer", nil).hold(time.Minute)
		}},
		{"and a third name", "ribs", func(b *bench) {
			b.say(rules.MarkClose, "brisket", "", nil).hold(time.Minute)
			b.say(rules.MarkLoad, "ham", "warmer", nil).hold(time.Minute)
			b.say(rules.MarkClose, "ham", "", nil).hold(time.Minute)
			b.set1(1, f(150)).say(rules.MarkLoad, "ribs", "pit", withProbe("core")).hold(time.Minute)
		}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			b := spoiled(t)
			tc.wash(b)
			b.want(tc.lot, rules.Discard)
		})
	}
}

// A new piece is a new piece, where somebody says so: thrown away by a mark, or loaded fresh.
func TestANewPieceIsNotCondemned(t *testing.T) {
	b := spoiled(t)
	b.say(rules.MarkDiscard, "brisket", "", signed).hold(time.Minute)
	b.set1(1, f(150)).say(rules.MarkLoad, "ham", "warmer", withProbe("core")).hold(time.Minute)
	b.want("ham", rules.OK)

	b = spoiled(t)
	b.say(rules.MarkClose, "brisket", "", signed).hold(time.Minute)
	b.set1(1, f(150)).say(rules.MarkLoad, "ham", "warmer", func(m *rules.Mark) { m.Probe, m.Fresh = "core", true }).hold(time.Minute)
	b.want("ham", rules.OK)
	b.say(rules.MarkClose, "ham", "", signed).hold(time.Minute)
	b.say(rules.MarkLoad, "ribs", "warmer", withProbe("core")).hold(time.Minute)
	b.want("ribs", rules.OK)

	b = spoiled(t)
	b.say(rules.MarkLoad, "ham", "warmer", withProbe("core-2")).hold(time.Minute)
	b.want("ham", rules.OK)
}

// The station's own watch: closed and signed for, the cabinet was empty; closed by nobody, what is loaded
// next goes on with it. The record keeps the discard in either case.
func TestClosedWatchOfASpoiledStation(t *testing.T) {
	for _, by := range []string{"R. Oduya", ""} {
		b := newBench(t, warmer(t, "us-fda-2022"))
		b.hold(6 * time.Minute)
		b.set1(1, f(120)).hold(4*time.Hour + time.Minute)
		b.say(rules.MarkClose, "", "warmer", func(m *rules.Mark) { m.By = by }).hold(time.Minute)
		b.set1(1, f(150)).hold(time.Second)
		b.say(rules.MarkLoad, "ham", "warmer", nil).hold(time.Minute)
		want := rules.Discard
		if by != "" {
			want = rules.OK
		}
		b.want("ham", want)
		if l := b.lot("warmer"); l.Verdict != rules.Discard || !l.Ended {
			t.Errorf("the record of the closed watch: %s", l.Text)
		}
	}
	// Closed and armed again it is another watch, and the old one's discard is still told.
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.hold(6 * time.Minute)
	b.set1(1, f(120)).hold(4*time.Hour + time.Minute)
	b.say(rules.MarkClose, "", "warmer", nil).hold(time.Minute)
	b.set1(1, f(150)).hold(10 * time.Minute)
	verdicts := ""
	for _, l := range b.e.State().Lots {
		verdicts += fmt.Sprint(l.Lot, " ", l.Verdict, " ", l.Ended, "; ")
	}
	if verdicts != "warmer ok false; warmer discard true; " {
		t.Errorf("%q", verdicts)
	}
}

// A slow cooling that bounces over 135 °F, or is put to be held hot meanwhile, keeps its start.
func TestSlowCoolingBounces(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.say(rules.MarkProbe, "brisket", "", withProbe("core")).hold(time.Second)
	b.say(rules.MarkMove, "brisket", "bath", nil).hold(time.Second)
	b.ramp(1, f(100), 70*time.Minute)
	b.set1(1, f(140)).hold(2 * time.Minute)
	b.say(rules.MarkMove, "brisket", "warmer", nil).hold(5 * time.Minute)
	if l := b.want("brisket", rules.Act); !strings.Contains(l.Action, "Reheat it to 165 °F") || strings.Contains(l.Text, "down to") {
		t.Errorf("half cooled and back at 140 °F: %q", l.Text)
	}
	b.say(rules.MarkMove, "brisket", "bath", nil).hold(time.Second)
	b.ramp(1, f(75), 50*time.Minute).hold(15 * time.Minute)
	if l := b.want("brisket", rules.Discard); l.Cooling.Result != rules.Fail {
		t.Errorf("%+v", l.Cooling)
	}
	b.set1(1, f(180)).hold(10 * time.Minute)
	b.want("brisket", rules.Discard)
}

// Marks about a discard are answered with it.
func TestADiscardSpeaksUp(t *testing.T) {
	b := spoiled(t)
	b.say(rules.MarkTimeControl, "brisket", "", nil)
	b.says("is to be discarded")
	b.say(rules.MarkServe, "brisket", "", nil)
	b.says("the rules say discard")
	b.say(rules.MarkClose, "brisket", "", nil)
	b.says("Mark discard for food that is thrown away")
	b.fail(1, sensor.Open).hold(time.Minute)
	if l := b.lot("brisket"); !strings.Contains(l.Action, "Discard") {
		t.Errorf("%q", l.Action)
	}
}

// Boiling water on the probe proves no reheating, however long it lasts: no food rises so fast. What settles
// it is the way back, the probe put in again by mark, or a signed check that agrees.
func TestBoilingWaterReheatsNothing(t *testing.T) {
	begin := func() *bench {
		b := loaded(t, "us-fda-2022").set1(1, f(120)).hold(time.Hour)
		return b.set1(1, f(212)).hold(5 * time.Minute)
	}
	b := begin()
	if l := b.want("brisket", rules.Act); !strings.Contains(l.Text, "leapt up from 120 °F") || b.count(rules.ReheatProven, "") != 0 {
		t.Errorf("%q", l.Text)
	}
	b.set1(1, f(150)).hold(2*time.Minute).set1(1, f(212)).hold(5 * time.Minute) // a wiggle
	b.want("brisket", rules.Act)
	b.restart(b.set).hold(time.Minute)
	b.want("brisket", rules.Act)
	b.set1(1, f(121)).hold(5*time.Minute).ramp(1, f(168), 30*time.Minute).hold(time.Minute)
	b.want("brisket", rules.OK)

	b = begin()
	b.say(rules.MarkCheck, "brisket", "", func(m *rules.Mark) { v := f(211); m.Temp = &v }).hold(time.Minute)
	b.want("brisket", rules.Act)
	b.say(rules.MarkCheck, "brisket", "", signedCheck(f(170))).hold(time.Minute)
	b.want("brisket", rules.Act)
	b.set1(1, f(171)).hold(time.Minute).say(rules.MarkCheck, "brisket", "", signedCheck(f(170))).hold(time.Minute)
	b.want("brisket", rules.OK)

	b = loaded(t, "us-fda-2022").set1(1, f(120)).hold(time.Hour)
	b.say(rules.MarkProbeOut, "brisket", "", nil).hold(2 * time.Minute)
	b.set1(1, f(170)).say(rules.MarkProbeIn, "brisket", "", nil).hold(time.Minute)
	b.want("brisket", rules.OK)

	// A run of reheating too.
	b = newBench(t, warmer(t, "us-fda-2022"))
	b.set1(1, f(38)).sweep()
	b.say(rules.MarkLoad, "stew", "walkin", withProbe("core")).hold(time.Minute)
	b.say(rules.MarkMove, "stew", "oven", nil).ramp(1, f(60), 20*time.Minute)
	b.set1(1, f(212)).hold(5 * time.Minute)
	if l := b.want("stew", rules.Act); l.Reheating.Result != rules.Running {
		t.Errorf("%+v", l.Reheating)
	}
}

// Nor does it cook anything.
func TestBoilingWaterCooksNothing(t *testing.T) {
	b := pitted(t, warmer(t, "us-fda-2022"), "poultry").ramp(1, f(120), time.Hour)
	b.set1(1, f(212)).hold(5 * time.Minute)
	if l := b.lot("piece"); l.Cook.Proof != "" {
		t.Errorf("%+v", l.Cook)
	}
	b.set1(1, f(121)).hold(5*time.Minute).ramp(1, f(168), time.Hour)
	if l := b.lot("piece"); l.Cook.Proof == "" {
		t.Errorf("cooked, %+v", l.Cook)
	}
}

// Food that was closed while it owed its reheating or its cook, and goes on under any name with the same probe,
// owes it still, with the time apart counted. What is loaded fresh, into a cook, with another probe or long after
// is another piece.
func TestACloseLaundersNoDebt(t *testing.T) {
	cold := func(b *bench) {
		b.say(rules.MarkLoad, "brisket", "warmer", withProbe("core")).hold(time.Minute)
		b.set1(1, f(120)).hold(time.Hour)
	}
	half := func(b *bench) {
		b.set1(1, f(40)).say(rules.MarkLoad, "brisket", "pit", withProbe("core")).ramp(1, f(100), time.Hour)
		b.say(rules.MarkMove, "brisket", "warmer", nil).ramp(1, f(137), time.Hour).hold(time.Minute)
	}
	for _, tc := range []struct {
		name   string
		before func(*bench)
		apart  time.Duration
		lot    string
		where  string
		more   func(*rules.Mark)
		want   rules.Verdict
	}{
		{"another name", cold, 10 * time.Minute, "ham", "warmer", withProbe("core"), rules.Act},
		{"the same name", cold, 10 * time.Minute, "brisket", "warmer", withProbe("core"), rules.Act},
		{"apart for longer than its time", cold, 3*time.Hour + 50*time.Minute, "ham", "warmer", withProbe("core"), rules.Discard},
		{"half cooked", half, 10 * time.Minute, "ham", "warmer", withProbe("core"), rules.Act},
		{"fresh", cold, 10 * time.Minute, "ham", "warmer", func(m *rules.Mark) { m.Probe, m.Fresh = "core", true }, rules.OK},
		{"another probe", cold, 10 * time.Minute, "ham", "warmer", withProbe("core-2"), rules.OK},
		{"the next day", cold, 20 * time.Hour, "ham", "warmer", withProbe("core"), rules.OK},
	} {
		t.Run(tc.name, func(t *testing.T) {
			b := newBench(t, warmer(t, "us-fda-2022"))
			b.sweep()
			tc.before(b)
			b.want("brisket", rules.Act)
			b.say(rules.MarkClose, "brisket", "", signed).hold(tc.apart).set1(1, f(150)).hold(time.Minute)
			b.say(rules.MarkLoad, tc.lot, tc.where, tc.more)
			if tc.want != rules.OK {
				b.says("If it is another piece")
			}
			b.hold(5 * time.Minute)
			b.want(tc.lot, tc.want)
		})
	}
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.sweep()
	cold(b)
	b.say(rules.MarkClose, "brisket", "", nil).set1(1, f(40)).hold(time.Hour)
	b.say(rules.MarkLoad, "ham", "pit", withProbe("core")).hold(time.Minute)
	if l := b.lot("ham"); l.DangerZone > 2*time.Minute {
		t.Errorf("raw meat goes on with the clocks of what was closed: %v", l.DangerZone)
	}
}

// What stood when a lot came to be discarded does not go on telling people to reheat it.
func TestAlarmsOfADiscardSayDiscard(t *testing.T) {
	b := spoiled(t)
	n := 0
	for _, a := range b.e.State().Alarms {
		if a.Lot != "brisket" || !a.Active {
			continue
		}
		if n++; strings.Contains(a.Text, "Reheat") || !strings.Contains(a.Text, "Discard it.") {
			t.Errorf("%s: %q", a.Alarm, a.Text)
		}
	}
	if n < 2 {
		t.Errorf("only %d alarms of it stand", n)
	}
}
