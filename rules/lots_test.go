package rules_test

import (
	"strings"
	"testing"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// bare is the bench's kitchen with a warmer that has no air probe.
func bare(t testing.TB) *bench {
	s := warmer(t, "us-fda-2022")
	s.Stations[0].Air, s.Stations[0].Band = -1, nil
	b := newBench(t, s)
	b.sweep()
	return b
}

func (b *bench) says(want string) {
	b.t.Helper()
	if got := b.answer(); !strings.Contains(got, want) {
		b.t.Errorf("answered %q, want something with %q", got, want)
	}
}

// Law 3: a lot that no probe speaks for is unknown, and its time counts as that of a dead probe does.
func TestALotWithoutAProbe(t *testing.T) {
	b := bare(t)
	b.say(rules.MarkLoad, "brisket", "warmer", withProbe("core")).hold(time.Minute)
	b.say(rules.MarkLoad, "ham", "warmer", nil)
	b.says("no probe can speak for it")
	start := b.now
	b.hold(4*time.Minute).want("ham", rules.OK)
	if l := b.hold(2*time.Minute).want("ham", rules.Act); l.UnknownSince.IsZero() || !strings.Contains(l.Action, "probe") {
		t.Errorf("%+v", l)
	}
	b.hold(time.Hour)
	near(t, "charged", b.lot("ham").Charged, b.now-start, 3*time.Second)
	b.say(rules.MarkProbe, "ham", "", withProbe("core-2")).hold(time.Minute)
	l := b.want("ham", rules.Act)
	near(t, "unknown time", l.Unknown, b.now-start-time.Minute, 3*time.Second)
	near(t, "below the limit", l.BelowHotLimit, l.Unknown, time.Second)
	b.want("brisket", rules.OK)

	// A probe within the allowance speaks for the minutes before it.
	b = bare(t)
	b.say(rules.MarkLoad, "brisket", "warmer", withProbe("core")).say(rules.MarkLoad, "ham", "warmer", nil).hold(4 * time.Minute)
	b.say(rules.MarkProbe, "ham", "", withProbe("core-2")).hold(time.Minute)
	if l := b.want("ham", rules.OK); l.Unknown != 0 || l.DangerZone != 0 {
		t.Errorf("unknown %v, danger %v", l.Unknown, l.DangerZone)
	}
	b = bare(t)
	b.say(rules.MarkLoad, "brisket", "warmer", withProbe("core")).say(rules.MarkLoad, "ham", "warmer", nil).hold(4 * time.Minute)
	b.set1(2, f(120)).say(rules.MarkProbe, "ham", "", withProbe("core-2")).hold(time.Minute)
	near(t, "danger-zone time with a cold first reading", b.want("ham", rules.Act).DangerZone, 5*time.Minute, 3*time.Second)

	// Four hours without anybody's word are four hours; the end of the lot and a restart keep them.
	b = bare(t)
	b.say(rules.MarkLoad, "brisket", "warmer", withProbe("core")).say(rules.MarkLoad, "ham", "warmer", nil).hold(2 * time.Hour)
	b.restart(b.set).hold(2*time.Hour + time.Minute)
	b.want("ham", rules.Discard)
	b.say(rules.MarkClose, "ham", "", nil).hold(time.Minute)
	near(t, "unknown time of the closed lot", b.want("ham", rules.Discard).Unknown, 4*time.Hour+time.Minute, 5*time.Second)
}

// Several lots in one station: each has its own probe, a neighbour's, or the station's air, and its own clock.
func TestSeveralLotsInOneStation(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.sweep()
	b.say(rules.MarkLoad, "brisket", "warmer", withProbe("core")).hold(time.Second)
	b.say(rules.MarkLoad, "butt", "warmer", withProbe("core-2")).hold(time.Second)
	b.say(rules.MarkLoad, "ribs", "warmer", withProbe("core-2")).hold(time.Second) // a neighbour's
	b.say(rules.MarkLoad, "beans", "warmer", nil)
	b.says("watched by air")
	b.set1(2, f(120)).hold(time.Hour)
	for name, want := range map[string]time.Duration{"brisket": 0, "butt": time.Hour, "ribs": time.Hour, "beans": 0} {
		near(t, name, b.lot(name).DangerZone, want, 2*time.Second)
	}
	b.set1(0, f(120)).hold(time.Hour)
	near(t, "beans by the air", b.lot("beans").DangerZone, time.Hour, 2*time.Second)
	b.want("brisket", rules.OK)
	// One of two pieces that share a probe is moved without a word about it: it stays.
	b.say(rules.MarkMove, "ribs", "walkin", nil)
	b.says("core-2 stays with butt")
	if l := b.lot("ribs"); len(l.Probes) != 1 || l.Probes[0] != "cold-air" {
		t.Errorf("ribs are watched by %v", l.Probes)
	}
	// A probe cannot be in two stations: the last mark tells where it is.
	b.say(rules.MarkMove, "ribs", "pit", withProbe("core-2"))
	b.says("butt has lost it and is now watched by air")
	if l := b.lot("butt"); len(l.Probes) != 1 || l.Probes[0] != "air" {
		t.Errorf("butt is watched by %v", l.Probes)
	}
	near(t, "butt keeps its clock", b.lot("butt").DangerZone, 2*time.Hour, 5*time.Second)
}

// A lot split several times: every part has been through what the whole has, and goes on by itself.
func TestSplits(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.sweep()
	b.say(rules.MarkLoad, "brisket", "warmer", withProbe("core")).hold(time.Minute)
	b.set1(1, f(120)).hold(time.Hour)
	split := func(name, probe, station string) {
		b.say(rules.MarkSplit, name, station, func(m *rules.Mark) { m.From, m.Probe = "brisket", probe })
	}
	split("point", "core-2", "")
	b.says("with the clocks of brisket, watched by core-2")
	split("flat", "core", "")
	b.says("brisket has lost it and is now watched by air")
	split("burnt ends", "", "walkin")
	b.says("in walkin with the clocks of brisket")
	for _, name := range []string{"brisket", "point", "flat", "burnt ends"} {
		near(t, name, b.want(name, rules.Act).DangerZone, time.Hour, 5*time.Second)
	}
	b.hold(time.Hour)
	near(t, "the hot part", b.lot("point").DangerZone, time.Hour, 8*time.Second)
	near(t, "the part with the cold probe", b.lot("flat").DangerZone, 2*time.Hour, 8*time.Second)
	split("point", "", "")
	b.says("name that is not in use")
	b.say(rules.MarkSplit, "slice", "", func(m *rules.Mark) { m.From = "ghost" })
	b.says("No open lot is called ghost")

	// The parts of what is to be discarded are to be discarded.
	b = loaded(t, "us-fda-2022")
	b.set1(1, f(120)).hold(4*time.Hour + time.Minute)
	b.say(rules.MarkSplit, "half", "", func(m *rules.Mark) { m.From, m.Probe = "brisket", "core-2" }).hold(time.Minute)
	b.want("half", rules.Discard)
}

// Serving a part ends nothing: the rest is watched on, and food that is not in order is served with a word.
func TestPartialServe(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.say(rules.MarkServe, "brisket", "", func(m *rules.Mark) { m.Note = "first half" })
	b.says("brisket is being served: first half. What is left of it stays on watch")
	if l := b.want("brisket", rules.OK); l.Ended || l.Served.IsZero() {
		t.Errorf("%+v", l)
	}
	b.set1(1, f(120)).hold(time.Minute)
	b.say(rules.MarkServe, "brisket", "", nil)
	b.says("was marked as served, but it was not in order. brisket in warmer at 120 °F")
	b.hold(4 * time.Hour)
	b.say(rules.MarkServe, "brisket", "", nil)
	b.says("rules say discard")
	b = loaded(t, "us-fda-2022")
	b.say(rules.MarkTimeControl, "brisket", "", nil).hold(time.Minute)
	b.say(rules.MarkServe, "brisket", "", nil)
	b.says("Serve, cook or discard it within 3 h 58 min")
}

// Remarks are answered with what they say, so that a timeline tells it.
func TestRemarks(t *testing.T) {
	for _, tc := range []struct {
		kind               rules.MarkKind
		lot, station, note string
		says               string
	}{
		{rules.MarkWrap, "brisket", "", "butcher paper.", "brisket was wrapped: butcher paper."},
		{rules.MarkRotate, "", "warmer", "", "brisket was turned or changed places."},
		{rules.MarkRotate, "", "pit", "racks 1 and 3", "Noted for pit: racks 1 and 3."},
		{rules.MarkNote, "brisket", "", "probe=core a bit dry", "Noted for brisket: a bit dry."},
		{rules.MarkNote, "", "", "rain", "Noted for the record: rain."},
		{rules.MarkCorrective, "brisket", "", "breaker reset", "Corrective action noted for brisket: breaker reset. It stands unsigned."},
	} {
		b := loaded(t, "us-fda-2022")
		before := b.lot("brisket").Charged
		b.say(tc.kind, tc.lot, tc.station, func(m *rules.Mark) { m.Note = tc.note })
		if got := b.answer(); got != tc.says {
			t.Errorf("%s %q: %q, want %q", tc.kind, tc.note, got, tc.says)
		}
		if l := b.want("brisket", rules.OK); l.Charged != before {
			t.Errorf("%s changed a clock", tc.kind)
		}
	}
}

// A load or a move that contradicts the reading is kept and answered with it; the clocks go by the reading.
func TestContradictions(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.set1(1, f(90)).sweep()
	b.say(rules.MarkLoad, "brisket", "warmer", withProbe("core"))
	b.says("It reads 90 °F, under 135 °F: its clock runs.")
	start := b.now
	b.hold(time.Hour)
	near(t, "danger-zone time", b.want("brisket", rules.Act).DangerZone, b.now-start, 3*time.Second)
	b.say(rules.MarkMove, "brisket", "walkin", nil)
	b.says("It reads 90 °F, over 41 °F")
	b.want("brisket", rules.Act)
	b = newBench(t, warmer(t, "us-fda-2022"))
	b.set1(0, f(90)).sweep()
	b.say(rules.MarkLoad, "beans", "warmer", withProbe("air"))
	b.says("The air there reads 90 °F, under 135 °F")
}

// A mark with a time that the watch has passed, or not reached, counts from the nearest moment it can, and
// says so; no clock is turned.
func TestMarksOutOfTime(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.set1(1, f(120)).hold(30 * time.Minute)
	charged := b.lot("brisket").Charged
	at := func(d time.Duration) func(*rules.Mark) {
		return func(m *rules.Mark) { m.At = m.At.Add(d) }
	}
	b.say(rules.MarkMove, "brisket", "walkin", at(-20*time.Minute))
	b.says("Its time is past by 19 min")
	near(t, "charged", b.lot("brisket").Charged, charged+time.Second, time.Second)
	b.say(rules.MarkTimeControl, "brisket", "", at(3*time.Hour))
	b.says("Its time lies 3 h ahead")
	if ends := b.lot("brisket").TimeControlEnds.Mono; ends > b.now+4*time.Hour-29*time.Minute {
		t.Errorf("a mark from the future moved the end of time control to %v", ends)
	}
	b.say(rules.MarkNote, "brisket", "", at(-500*time.Millisecond))
	if got := b.answer(); strings.Contains(got, "Its time") {
		t.Errorf("a mark of now is answered %q", got)
	}
}

// Said twice, by the same id, it counts once; under another id it is answered and changes nothing.
func TestMarksTwice(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	twice := func(m *rules.Mark) { m.ID = "twice" }
	b.say(rules.MarkServe, "brisket", "", twice).hold(time.Second)
	b.events = nil
	b.say(rules.MarkDiscard, "brisket", "", twice).hold(time.Second)
	if len(b.events) != 0 {
		t.Errorf("a repeated id did something:\n%s", b.story())
	}
	for _, tc := range []struct {
		kind         rules.MarkKind
		lot, station string
		says         string
	}{
		{rules.MarkLoad, "brisket", "warmer", "already in warmer"},
		{rules.MarkMove, "brisket", "warmer", "already in warmer"},
		{rules.MarkOutOfService, "", "pit", "is so already"},
		{rules.MarkProbeOut, "brisket", "", "no probe on watch"},
		{rules.MarkProbeIn, "brisket", "", "no probe off watch"},
		{rules.MarkTimeControl, "brisket", "", "already under time control"},
		{rules.MarkClose, "brisket", "", "No open lot is called brisket"},
		{rules.MarkDiscard, "brisket", "", "No open lot is called brisket"},
	} {
		b.say(tc.kind, tc.lot, tc.station, nil).hold(time.Second)
		before := b.e.State()
		b.say(tc.kind, tc.lot, tc.station, nil)
		b.says(tc.says)
		after := b.e.State()
		if len(before.Lots) != len(after.Lots) || before.Lots[0].Station != after.Lots[0].Station ||
			before.Lots[0].TimeControlEnds.Mono != after.Lots[0].TimeControlEnds.Mono {
			t.Errorf("%s twice changed the state", tc.kind)
		}
	}
}

// Off watch: the end that was checked under the limit counts as fallen below.
func TestOffWatchCheckedTooCold(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.say(rules.MarkOffWatch, "brisket", "", signedCheck(f(150))).hold(3 * time.Minute)
	b.say(rules.MarkProbeIn, "brisket", "", signedCheck(f(120)))
	b.says("counts as fallen below")
	b.hold(time.Minute).want("brisket", rules.Act)
}

// No reading of nobody's: a probe that left the configuration leaves its lot unknown, not fine.
func TestAProbeThatLeftTheConfiguration(t *testing.T) {
	s := warmer(t, "us-fda-2022")
	s.Stations[0].Air, s.Stations[0].Band = -1, nil
	b := newBench(t, s)
	b.sweep()
	b.say(rules.MarkLoad, "ham", "warmer", withProbe("core-2")).hold(time.Minute)
	s2 := s
	s2.Probes = append([]rules.ProbeSetup(nil), s.Probes...)
	s2.Probes[2].Name = "core-new"
	s2.Stations = append([]rules.StationSetup(nil), s.Stations...)
	s2.Stations[0].Food = nil
	b.restart(s2).hold(10 * time.Minute)
	b.want("ham", rules.Act)
	b.fail(1, sensor.Open).hold(time.Minute)
}

// Law 3: where only air speaks, it earns no credit for food that was on the wrong side of its limit when it
// was last measured; a signed check of the food does.
func TestAirDoesNotOverruleTheFood(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.set1(1, f(38)).sweep()
	b.say(rules.MarkLoad, "stew", "walkin", withProbe("core")).hold(time.Minute)
	b.say(rules.MarkLoad, "ham", "warmer", withProbe("core-2")).hold(time.Minute)
	b.say(rules.MarkMove, "stew", "warmer", withProbe("air")).hold(time.Minute)
	if l := b.want("stew", rules.Act); !strings.Contains(l.Text, "was at 38 °F when it was last measured") || !strings.Contains(l.Action, "probe") {
		t.Errorf("%q", l.Text)
	}
	b.say(rules.MarkTimeControl, "stew", "", nil).hold(time.Second)
	if ends := b.lot("stew").TimeControlEnds.Mono; ends > 4*time.Hour+2*time.Minute {
		t.Errorf("the cabinet's air started time control: it ends at %v", ends)
	}
	b.say(rules.MarkMove, "ham", "walkin", withProbe("cold-air")).hold(2 * time.Minute)
	if l := b.want("ham", rules.Act); !strings.Contains(l.Text, "the air proves nothing") {
		t.Errorf("%q", l.Text)
	}
	check := func(m *rules.Mark) { v := f(40); m.Temp = &v }
	b.say(rules.MarkCheck, "ham", "", check).hold(time.Second)
	b.want("ham", rules.Act)
	b.say(rules.MarkCheck, "ham", "", signedCheck(f(40))).hold(time.Second)
	b.want("ham", rules.OK)
}
