package rules_test

import (
	"strings"
	"testing"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// restart snapshots the engine and goes on in a new one, with another setup where one is given.
func (b *bench) restart(s rules.Setup) *bench {
	b.t.Helper()
	snap, err := b.e.Snapshot()
	if err != nil {
		b.t.Fatal(err)
	}
	if b.e, err = rules.Restore(s, snap); err != nil {
		b.t.Fatal(err)
	}
	b.set = s
	return b
}

// off leaves the power off for d; the next sweep comes from another boot.
func (b *bench) off(d time.Duration, believed bool) *bench {
	b.boot[0]++
	b.now += d
	b.doubt = !believed
	return b
}

func signed(m *rules.Mark) { m.By = "R. Oduya" }

func withProbe(name string) func(*rules.Mark) { return func(m *rules.Mark) { m.Probe = name } }

// Law 3: a dead probe's time stays with the lot when the lot is moved away from it.
func TestUnknownTimeMovesAlong(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.fail(1, sensor.Open).hold(3 * time.Hour)
	b.say(rules.MarkMove, "brisket", "pit", nil).hold(time.Minute)
	l := b.want("brisket", rules.Act)
	near(t, "unknown time", l.Unknown, 3*time.Hour, 3*time.Second)
	near(t, "charged time", l.Charged, 3*time.Hour, 3*time.Second)

	b = loaded(t, "us-fda-2022")
	b.fail(1, sensor.Open).hold(3 * time.Hour)
	b.say(rules.MarkProbe, "brisket", "", withProbe("core-2")).hold(time.Minute)
	near(t, "unknown time behind another probe", b.want("brisket", rules.Act).Unknown, 3*time.Hour, 3*time.Second)
}

// Law 3: unknown time is counted once, beside a probe that reads too: a lot is not condemned for more
// hours than have passed.
func TestOpenGapIsNotCountedTwice(t *testing.T) {
	s := warmer(t, "us-fda-2022")
	s.Stations[0].Food = []int{1, 2}
	b := newBench(t, s)
	b.sweep()
	b.say(rules.MarkLoad, "tray", "warmer", nil).hold(time.Minute)
	b.fail(2, sensor.Open).set1(1, f(120)).hold(150 * time.Minute)
	l := b.want("tray", rules.Act)
	near(t, "charged time", l.Charged, 150*time.Minute, 3*time.Second)
	b.set1(2, f(150)).hold(time.Minute)
	near(t, "charged time after the gap", b.want("tray", rules.Act).Charged, 151*time.Minute, 3*time.Second)
}

// Law 3: a probe taken out before a move belongs to no lot until it is put in again: hot water proves no
// reheating, and the minute that a move takes is bridged.
func TestOffWatchOutlastsAMove(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.sweep()
	b.say(rules.MarkLoad, "brisket", "pit", withProbe("core")).hold(5 * time.Minute)
	b.set1(1, f(120)).hold(30 * time.Minute)
	b.set1(1, f(150)).hold(2 * time.Minute)
	b.say(rules.MarkProbeOut, "brisket", "", nil).hold(20 * time.Second)
	b.say(rules.MarkMove, "brisket", "warmer", nil).set1(1, f(180)).hold(time.Minute)
	if n := b.count(rules.ReheatProven, ""); n != 0 {
		t.Fatalf("hot water proved a reheating:\n%s", b.story())
	}
	b.set1(1, f(150)).say(rules.MarkProbeIn, "brisket", "", nil).hold(time.Minute)
	l := b.want("brisket", rules.Act)
	near(t, "charged time", l.Charged, 30*time.Minute, 3*time.Second)
	if l.Unknown != 0 || l.Temp == nil {
		t.Errorf("a minute off watch counts %v as unknown; temperature %v", l.Unknown, l.Temp)
	}
}

// Law 3: hand checks vouch for the time between them, not for a dead probe afterwards.
func TestChecksDoNotVouchForLater(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.say(rules.MarkProbeOut, "brisket", "", signedCheck(f(150))).hold(20 * time.Minute)
	b.fail(1, sensor.Open).say(rules.MarkProbeIn, "brisket", "", signedCheck(f(150))).hold(time.Hour)
	b.set1(1, f(150)).hold(time.Minute)
	near(t, "unknown time", b.lot("brisket").Unknown, time.Hour, 3*time.Second)
}

// A probe that is plugged in moments after the load mark, or that was in fault at exactly the load, makes
// no excursion of sound food; the first reading speaks for those moments.
func TestFaultAtTheLoad(t *testing.T) {
	for _, later := range []time.Duration{0, 2 * time.Second, 4 * time.Minute} {
		b := newBench(t, warmer(t, "us-fda-2022"))
		b.hold(10 * time.Second)
		b.fail(1, sensor.Open).hold(3 * time.Second)
		b.now -= 400 * time.Millisecond
		b.say(rules.MarkLoad, "brisket", "warmer", nil)
		b.now += 400 * time.Millisecond
		b.hold(later)
		b.set1(1, f(150)).hold(time.Minute)
		if l := b.want("brisket", rules.OK); l.Unknown != 0 || l.BelowHotLimit != 0 {
			t.Errorf("in fault for %v: unknown %v, below %v", later, l.Unknown, l.BelowHotLimit)
		}
	}
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.fail(1, sensor.Open).sweep()
	b.say(rules.MarkLoad, "brisket", "warmer", nil).hold(6 * time.Minute)
	b.set1(1, f(150)).hold(time.Minute)
	near(t, "unknown time", b.want("brisket", rules.Act).Unknown, 6*time.Minute, 2*time.Second)
}

// "Reached means at or past", and within one sweep: food that is cold when it is loaded is outside at once.
func TestLoadedBelowTheLimit(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.step = 4 * time.Minute
	b.set1(1, f(120)).sweep()
	b.say(rules.MarkLoad, "brisket", "warmer", nil).sweep()
	b.want("brisket", rules.Act)
	b = newBench(t, warmer(t, "us-fda-2022"))
	b.set1(1, f(135)).sweep()
	b.say(rules.MarkLoad, "brisket", "warmer", nil).hold(time.Minute)
	b.want("brisket", rules.OK)
}

// Marks between two sweeps cut the straight line exactly: 150 to 120 °F in 4 min passes 135 after 2 min; a
// load after 3 min counts 1 min, a close after 3 min 1 min of the other lot, a move splits it by stage.
func TestMarksCutTheLine(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.step = 4 * time.Minute
	b.sweep()
	b.say(rules.MarkLoad, "old", "warmer", nil).sweep()
	mid := func(kind rules.MarkKind, lot, station string) {
		b.now -= time.Minute
		b.say(kind, lot, station, nil)
		b.now += time.Minute
	}
	mid(rules.MarkLoad, "new", "warmer")
	mid(rules.MarkClose, "old", "")
	b.set1(1, f(120)).sweep()
	near(t, "the new lot", b.lot("new").DangerZone, time.Minute, 10*time.Millisecond)
	near(t, "the old lot", b.lot("old").DangerZone, time.Minute, 10*time.Millisecond)
	mid(rules.MarkMove, "new", "walkin")
	b.sweep()
	l := b.lot("new")
	near(t, "below the hot limit", l.BelowHotLimit, 4*time.Minute, 10*time.Millisecond)
	near(t, "danger-zone time", l.DangerZone, 4*time.Minute, 10*time.Millisecond) // the walk-in is at 38 °F
}

// Discard latches: cutting the board's power does not clear a station's own lot of it, nor of time control.
func TestPowerOffLiftsNoDiscard(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.hold(6 * time.Minute)
	b.set1(1, f(120)).hold(4*time.Hour + time.Minute)
	b.want("warmer", rules.Discard)
	b.set1(1, f(150)).off(10*time.Minute, true).hold(20 * time.Minute)
	if l := b.want("warmer", rules.Discard); l.Ended || len(b.e.State().Lots) != 1 {
		t.Errorf("a power-off gave the warmer a new start: %+v", b.e.State().Lots)
	}
	b.say(rules.MarkClose, "", "warmer", signed).hold(time.Minute)
	if l := b.lot("warmer"); !l.Ended {
		t.Error("a discarded standing lot cannot be closed")
	}

	b = newBench(t, warmer(t, "us-fda-2022"))
	b.hold(6 * time.Minute)
	b.say(rules.MarkTimeControl, "", "warmer", nil).hold(time.Minute)
	b.off(10*time.Minute, true).hold(4 * time.Hour)
	b.want("warmer", rules.Discard)
}

// Law 3: a power-off that ends a standing lot rings until somebody says that he has heard.
func TestPowerOffRings(t *testing.T) {
	for _, low := range []bool{false, true} {
		b := newBench(t, warmer(t, "us-fda-2022"))
		b.hold(6 * time.Minute)
		if low {
			b.set1(1, f(120)).hold(time.Minute)
		}
		b.set1(1, f(100)).off(time.Hour, true)
		b.events = nil
		b.hold(20 * time.Minute)
		if n := b.count(rules.AlarmRepeated, rules.BelowHotLimit) + b.count(rules.AlarmRepeated, rules.DangerTime); n < 3 {
			t.Errorf("low %v: rang %d times in 20 min:\n%s", low, n, b.story())
		}
		if n := b.count(rules.AlarmCleared, rules.BelowHotLimit); n != 0 {
			t.Errorf("low %v: the power-off cleared an alarm:\n%s", low, b.story())
		}
		for _, a := range b.e.State().Alarms {
			if a.Lot == "warmer" && (a.Priority != rules.Critical || !strings.Contains(a.Text, "Check every piece by hand")) {
				t.Errorf("low %v: %s %q", low, a.Priority, a.Text)
			}
		}
		b.say(rules.MarkAcknowledge, "", "", signed).hold(time.Minute)
		for _, a := range b.e.State().Alarms {
			if a.Lot == "warmer" {
				t.Errorf("low %v: heard, it still stands: %+v", low, a)
			}
		}
	}
}

// The clocks: two boots cannot be the same moment or swapped; such a power-off has an unknown length. And
// a clock that nobody believes does not age food by fifty years.
func TestPowerOffByDoubtfulClocks(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.off(0, true)
	b.wall = b.wall.Add(-time.Hour) // believed both times, and yet it ran back
	b.hold(time.Minute)
	if l := b.want("brisket", rules.Act); !l.UnknownLength {
		t.Errorf("a reboot into the past counts as no gap: %s", l.Text)
	}
	b = newBench(t, warmer(t, "us-fda-2022"))
	b.wall, b.doubt = time.Date(1970, 1, 1, 0, 0, 0, 0, time.UTC), true
	b.sweep()
	b.say(rules.MarkLoad, "brisket", "warmer", nil).hold(time.Minute)
	b.off(10*time.Minute, true)
	b.wall = time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	b.hold(time.Minute)
	if l := b.want("brisket", rules.Act); !l.UnknownLength || l.Unknown > time.Hour {
		t.Errorf("unknown %v, %s", l.Unknown, l.Text)
	}
}

// A power-off of unknown length before a proof at the limit does not touch time control from that proof.
func TestTimeControlAfterAnUnknownLength(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.off(time.Minute, false).hold(10 * time.Minute)
	b.say(rules.MarkTimeControl, "brisket", "", nil).hold(time.Minute)
	if l := b.want("brisket", rules.Act); !l.TimeControlEnds.IsZero() {
		t.Error("time control was granted to food that owes its proof since a cut of unknown length")
	}
	b.ramp(1, f(170), 10*time.Minute).hold(time.Minute)
	b.say(rules.MarkTimeControl, "brisket", "", nil).hold(time.Minute)
	b.want("brisket", rules.Act)
	b.off(time.Minute, false).hold(time.Minute)
	if l := b.want("brisket", rules.Discard); !strings.Contains(l.Action, "Discard") {
		t.Errorf("a discard asks for %q", l.Action)
	}
}

// A mark that arrived before a power-off belongs before it: the lot went through it.
func TestMarkBeforeThePowerOff(t *testing.T) {
	for _, believed := range []bool{true, false} {
		b := newBench(t, warmer(t, "us-fda-2022"))
		b.hold(time.Minute)
		b.say(rules.MarkLoad, "brisket", "warmer", nil)
		b.off(time.Hour, believed)
		b.hold(time.Minute)
		l := b.want("brisket", rules.Act)
		if believed {
			near(t, "unknown time", l.Unknown, time.Hour, 2*time.Second)
		} else if !l.UnknownLength {
			t.Errorf("the unknown length is not told: %s", l.Text)
		}
	}
}

// An undone load into a standing watch gives the watch back with its clocks and its discard.
func TestUndoneLoadGivesTheWatchBack(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.hold(6 * time.Minute)
	b.set1(1, f(120)).hold(4*time.Hour + time.Minute)
	b.set1(1, f(150)).say(rules.MarkLoad, "ham", "warmer", func(m *rules.Mark) { m.ID = "slip" }).hold(time.Minute)
	b.want("ham", rules.Discard)
	b.say(rules.MarkUndo, "", "", func(m *rules.Mark) { m.Undoes, m.By = "slip", "R. Oduya" }).hold(20 * time.Minute)
	if l := b.want("warmer", rules.Discard); l.Ended || !l.Standing {
		t.Errorf("the watch of the warmer is %+v", l)
	}
}

// A station that an undone move empties is watched on its own again.
func TestUndoneMoveLeavesNoDeafStation(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.set1(4, f(150))
	b.say(rules.MarkLoad, "ham", "pit", nil).hold(time.Minute)
	b.say(rules.MarkClose, "brisket", "", nil).hold(time.Second)
	b.say(rules.MarkMove, "ham", "warmer", func(m *rules.Mark) { m.ID = "slip" }).hold(time.Minute)
	b.say(rules.MarkUndo, "", "", func(m *rules.Mark) { m.Undoes = "slip" }).hold(6 * time.Minute)
	b.want("warmer", rules.OK)
}
