package rules_test

import (
	"strings"
	"testing"
	"time"

	"holdbell/rules"
)

// known gives a mark the id under which it is taken back.
func known(id string, more func(*rules.Mark)) func(*rules.Mark) {
	return func(m *rules.Mark) {
		if more != nil {
			more(m)
		}
		m.ID = id
	}
}

// back takes a mark back and gives the answer.
func (b *bench) back(id, by string) string {
	b.t.Helper()
	return b.say(rules.MarkUndo, "", "", undoes(id, by)).answer()
}

// Every mark that tells something is taken back by an undo, once, over a restart too.
func TestUndoOfWhatWasTold(t *testing.T) {
	for _, kind := range []rules.MarkKind{rules.MarkWrap, rules.MarkRotate, rules.MarkServe, rules.MarkNote, rules.MarkCorrective, rules.MarkCheck} {
		b := loaded(t, "us-fda-2022")
		b.say(kind, "brisket", "", known("slip", signedCheckIf(kind))).hold(time.Minute).restart(b.set).hold(time.Second)
		if said := b.back("slip", "R. Oduya"); !strings.Contains(said, "The mark "+string(kind)+" of brisket is taken back.") {
			t.Errorf("%s: %s", kind, said)
		}
		if l := b.hold(time.Minute).want("brisket", rules.OK); !l.Served.IsZero() || !l.LastCheck.IsZero() {
			t.Errorf("%s: served %v, checked %v", kind, l.Served, l.LastCheck)
		}
		if said := b.say(rules.MarkUndo, "", "", known("again", undoes("slip", "R. Oduya"))).answer(); !strings.Contains(said, "can be undone") {
			t.Errorf("%s: taken back twice: %s", kind, said)
		}
	}
}

func signedCheckIf(kind rules.MarkKind) func(*rules.Mark) {
	if kind == rules.MarkCheck {
		return signedCheck(f(150))
	}
	return signed
}

// What was there before stands again: the serve before, the check before, the reminder.
func TestUndoRestoresWhatWasBefore(t *testing.T) {
	b := newBench(t, reminding(t))
	b.sweep()
	b.say(rules.MarkLoad, "butt", "pit", withProbe("core")).hold(20 * minute)
	b.say(rules.MarkServe, "butt", "", known("first", nil)).say(rules.MarkCheck, "butt", "", known("early", signedCheck(f(150)))).hold(30 * minute)
	was := b.lot("butt")
	b.say(rules.MarkServe, "butt", "", known("second", nil)).say(rules.MarkCheck, "butt", "", known("late", signedCheck(f(151)))).
		say(rules.MarkRotate, "butt", "", known("turn", nil)).hold(15 * minute)
	if a := b.alarm(rules.CheckDue, ""); strings.Contains(a.Text, "turn the racks") {
		t.Fatalf("turned at 50 min, and due at 65: %s", a.Text)
	}
	for _, id := range []string{"second", "late"} {
		b.back(id, "")
	}
	if said := b.back("turn", ""); !strings.Contains(said, "is due again") {
		t.Error(said)
	}
	b.sweep()
	if l := b.lot("butt"); l.Served != was.Served || l.LastCheck != was.LastCheck {
		t.Errorf("served %v and checked %v, want %v and %v", l.Served, l.LastCheck, was.Served, was.LastCheck)
	}
	if a := b.alarm(rules.CheckDue, ""); a == nil || !strings.Contains(a.Text, "turn the racks (every 1 h, 5 min late)") {
		t.Errorf("the racks, due at 60 min, at 65: %+v", a)
	}
}

// A check's credit is owed again when it is taken back: a fall that it ended, a cook that it proved.
func TestUndoOfACheckTakesItsCreditBack(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.set1(1, f(134)).hold(3*time.Minute).set1(1, f(150)).hold(10 * time.Minute)
	b.want("brisket", rules.Act)
	b.say(rules.MarkCheck, "brisket", "", known("wrong", signedCheck(f(150)))).hold(20 * time.Minute)
	b.want("brisket", rules.OK)
	if said := b.back("wrong", ""); !strings.Contains(said, "open again") {
		t.Error(said)
	}
	b.hold(time.Minute).want("brisket", rules.Act)
	b.say(rules.MarkCheck, "brisket", "", signedCheck(f(151))).hold(time.Minute)
	b.want("brisket", rules.OK)

	b = pitted(t, warmer(t, "us-fda-2022"), "poultry").out()
	b.say(rules.MarkCheck, "piece", "", known("wrong", signedCheck(f(165)))).hold(time.Minute)
	b.cooked(rules.CookDone)
	if said := b.back("wrong", "R. Oduya"); !strings.Contains(said, "not proven by it any more") {
		t.Error(said)
	}
	b.hold(time.Minute).cooked(rules.CookUnproven)
}

// A fall since then does not hide behind the undo: both count.
func TestUndoOfACheckAfterAnotherFall(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.set1(1, f(134)).hold(3*time.Minute).set1(1, f(150)).hold(10 * time.Minute)
	b.say(rules.MarkCheck, "brisket", "", known("wrong", signedCheck(f(150)))).hold(20 * time.Minute)
	b.set1(1, f(120)).hold(2 * time.Minute)
	before := b.lot("brisket")
	b.back("wrong", "R. Oduya")
	b.hold(time.Minute)
	if l := b.want("brisket", rules.Act); l.DangerZone < before.DangerZone || l.Charged < before.Charged {
		t.Errorf("the danger zone was %v, %v of it counted, and is %v, %v", before.DangerZone, before.Charged, l.DangerZone, l.Charged)
	}
	b.set1(1, f(150)).hold(10 * time.Minute)
	if said := b.say(rules.MarkCheck, "brisket", "", signedCheck(f(150))).answer(); !strings.Contains(said, "only reheating") {
		t.Errorf("120 °F is forgotten: %s", said)
	}
}

// What a check said against the food goes with a signed undo alone, and only while the probe bears it out.
func TestUndoOfABadCheck(t *testing.T) {
	fallen := func() *bench {
		b := loaded(t, "us-fda-2022")
		b.say(rules.MarkCheck, "brisket", "", known("wrong", signedCheck(f(120)))).hold(time.Minute)
		b.want("brisket", rules.Act)
		return b
	}
	b := fallen()
	if said := b.back("wrong", ""); !strings.Contains(said, "stands") {
		t.Error(said)
	}
	b.hold(time.Minute).want("brisket", rules.Act)
	b = fallen().set1(1, f(130)).hold(time.Second)
	b.back("wrong", "R. Oduya")
	b.hold(time.Minute).want("brisket", rules.Act)
	b = fallen()
	b.back("wrong", "R. Oduya")
	b.hold(time.Minute).want("brisket", rules.OK)
}

// A check that vouches for a time in which nobody watched is needed for it.
func TestUndoOfACheckThatVouches(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.say(rules.MarkProbeOut, "brisket", "", signedCheck(f(150))).hold(20 * time.Minute)
	b.say(rules.MarkCheck, "brisket", "", known("far", signedCheck(f(150)))).hold(time.Second)
	b.say(rules.MarkProbeIn, "brisket", "", nil).hold(time.Minute)
	if said := b.back("far", "R. Oduya"); !strings.Contains(said, "cannot be taken back") {
		t.Error(said)
	}
}

// One undo takes back what a mark told of every lot of a station; what has the name of a closed one is not meant.
func TestUndoOfAStationsMark(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.say(rules.MarkLoad, "ham", "warmer", withProbe("core-2")).set1(2, f(150)).hold(time.Minute)
	b.say(rules.MarkServe, "", "warmer", known("both", nil)).hold(time.Minute)
	b.back("both", "")
	if b.sweep(); !b.lot("ham").Served.IsZero() || !b.lot("brisket").Served.IsZero() {
		t.Error("one of two is still served")
	}
	b.say(rules.MarkCheck, "ham", "", known("old", signedCheck(f(150)))).hold(time.Minute)
	b.say(rules.MarkClose, "ham", "", signed).hold(time.Minute).say(rules.MarkLoad, "ham", "pit", withProbe("core-2")).hold(time.Minute)
	if said := b.back("old", "R. Oduya"); !strings.Contains(said, "ham is not open any more") {
		t.Error(said)
	}
}

// Taking an older move back neither takes the piece out of where it is now nor ends the reheating there.
func TestUndoOfAnOldMove(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.say(rules.MarkMove, "brisket", "walkin", known("cold", nil)).set1(1, f(38)).hold(time.Minute)
	b.say(rules.MarkMove, "brisket", "oven", known("heat", withProbe("core"))).set1(1, f(100)).hold(10 * time.Minute)
	if l := b.lot("brisket"); l.Reheating == nil || l.Reheating.Result != rules.Running {
		t.Fatalf("no reheating runs: %+v", l.Reheating)
	}
	if said := b.back("cold", "R. Oduya"); !strings.Contains(said, "take the later move back first") {
		t.Error(said)
	}
	if l := b.hold(time.Second).lot("brisket"); l.Station != "oven" || l.Reheating == nil || l.Reheating.Result != rules.Running {
		t.Errorf("it is in %s, its reheating %+v", l.Station, l.Reheating)
	}
	// A reheating that was on its way already goes on when a detour is taken back.
	b.say(rules.MarkMove, "brisket", "warmer", known("out", nil)).hold(time.Minute)
	b.back("out", "R. Oduya")
	if l := b.hold(time.Second).lot("brisket"); l.Station != "oven" || l.Reheating == nil || l.Reheating.Result != rules.Running {
		t.Errorf("it is in %s, its reheating %+v", l.Station, l.Reheating)
	}
}

func undoes(id, by string) func(*rules.Mark) {
	return func(m *rules.Mark) { m.Undoes, m.By = id, by }
}
