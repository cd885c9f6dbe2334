package rules_test

import (
	"strings"
	"testing"
	"time"

	"holdbell/rules"
)

// reminding is the warmer's setup with reminders at its pit.
func reminding(t testing.TB) rules.Setup {
	s := warmer(t, "us-fda-2022")
	s.Stations[1].Reminders = []rules.Reminder{
		{Say: "turn the racks", Every: hour, After: rules.MarkRotate},
		{Say: "feed the fire", Every: 45 * minute, After: rules.MarkNote, Word: "fire"},
	}
	return s
}

// By hand: loaded at 0 the fire is due at 45 min and the racks at 60 min. The fire is fed at 70 min, the
// racks are turned at 80 min: then nothing is due until the fire at 115 min.
func TestRemindersByHand(t *testing.T) {
	b := newBench(t, reminding(t))
	b.sweep()
	b.say(rules.MarkLoad, "butt", "pit", withProbe("core")).hold(45 * minute)
	if n := b.count(rules.AlarmRaised, rules.CheckDue); n > 0 {
		t.Fatalf("due before its time\n%s", b.story())
	}
	b.hold(2 * second)
	a := b.alarm(rules.CheckDue, "")
	if a == nil || a.Priority != rules.Advice || a.Station != "pit" || a.Subject() != "-" ||
		a.Text != "Time at pit to feed the fire (every 45 min). When it is done, mark it: note with the word fire." {
		t.Fatalf("at 45 min: %+v", a)
	}
	b.say(rules.MarkAcknowledge, "", "pit", nil).hold(15 * minute)
	if n := b.count(rules.AlarmRepeated, rules.CheckDue); n != 1 {
		t.Fatalf("the racks, due at 60 min, ring %d times over the acknowledged fire\n%s", n, b.story())
	}
	b.hold(10 * minute)
	if a = b.alarm(rules.CheckDue, ""); !strings.HasPrefix(a.Text, "Time at pit to feed the fire (every 45 min, 15 min late), and to turn the racks (every 1 h).") {
		t.Errorf("worst first: %s", a.Text)
	}
	// A note about something else feeds no fire.
	b.say(rules.MarkNote, "", "pit", func(m *rules.Mark) { m.Note = "bark is set" }).sweep()
	if a = b.alarm(rules.CheckDue, ""); !a.Active || !strings.Contains(a.Text, "feed") {
		t.Errorf("after another note: %+v", a)
	}
	b.say(rules.MarkNote, "", "pit", func(m *rules.Mark) { m.Note = "Fire: two splits" }).sweep()
	if a = b.alarm(rules.CheckDue, ""); !a.Active || strings.Contains(a.Text, "feed") || !strings.Contains(a.Text, "turn the racks (every 1 h, 10 min late)") {
		t.Errorf("fed: %+v", a)
	}
	b.hold(10*minute).say(rules.MarkRotate, "butt", "", nil).sweep()
	if a = b.alarm(rules.CheckDue, ""); a != nil && a.Active {
		t.Errorf("all done: %+v", a)
	}
	b.hold(34 * minute)
	if n := b.count(rules.AlarmRaised, rules.CheckDue); n != 1 {
		t.Errorf("the fire fed at 70 min is due again before 115 min\n%s", b.story())
	}
	b.hold(2 * minute)
	if n := b.count(rules.AlarmRaised, rules.CheckDue); n != 2 {
		t.Errorf("the fire is not due again at 115 min\n%s", b.story())
	}
	// They run only while there is something to watch.
	b.say(rules.MarkClose, "butt", "", nil).hold(5 * hour)
	if n := b.count(rules.AlarmRaised, rules.CheckDue); n != 2 {
		t.Errorf("an empty pit reminds\n%s", b.story())
	}
	if a = b.alarm(rules.CheckDue, ""); a != nil && a.Active {
		t.Errorf("an empty pit: %+v", a)
	}
	if r := b.e.State().Stations[1].Reminders; len(r) != 2 || !r[0].Next.IsZero() || r[0].Due {
		t.Errorf("an empty pit's reminders are %+v", r)
	}
}

// Off shift nothing is raised and nothing is rung again; what fell due meanwhile is told as the shift begins.
func TestRemindersSleepOffShift(t *testing.T) {
	s := reminding(t)
	s.Shift = &rules.Shift{From: 6*hour + 10*minute, To: 14 * hour, Zone: time.UTC} // the bench begins at 12:00
	b := newBench(t, s)
	b.sweep()
	b.say(rules.MarkLoad, "butt", "pit", withProbe("core")).hold(90 * minute)
	rung := b.count(rules.AlarmRepeated, rules.CheckDue)
	b.hold(30 * minute) // 14:00
	before := b.count(rules.AlarmRepeated, rules.CheckDue)
	if before <= rung {
		t.Errorf("on shift nobody was told again\n%s", b.story())
	}
	b.hold(16*hour + 9*minute)
	if n := b.count(rules.AlarmRepeated, rules.CheckDue); n != before {
		t.Errorf("off shift it rang %d times\n%s", n-before, b.story())
	}
	if a := b.alarm(rules.CheckDue, ""); a == nil || !a.Active {
		t.Errorf("off shift what is due does not show: %+v", a)
	}
	b.hold(2 * minute)
	if n := b.count(rules.AlarmRepeated, rules.CheckDue); n != before+1 {
		t.Errorf("as the shift begins it rings %d times", n-before)
	}

	// Over midnight, and with a clock that nobody believes.
	s.Shift = &rules.Shift{From: 22 * hour, To: 6 * hour, Zone: time.UTC}
	b = newBench(t, s)
	b.sweep()
	b.say(rules.MarkLoad, "butt", "pit", withProbe("core")).hold(10*hour - 2*second)
	if n := b.count(rules.AlarmRaised, rules.CheckDue); n != 0 {
		t.Errorf("by day it was raised %d times", n)
	}
	b.hold(3 * second)
	if n := b.count(rules.AlarmRaised, rules.CheckDue); n != 1 {
		t.Errorf("at 22:00 it was raised %d times", n)
	}
	b = newBench(t, s)
	b.doubt = true
	b.sweep()
	b.say(rules.MarkLoad, "butt", "pit", withProbe("core")).hold(46 * minute)
	if n := b.count(rules.AlarmRaised, rules.CheckDue); n != 1 {
		t.Errorf("with a doubtful clock it was raised %d times", n)
	}
}

// Another configuration keeps the reminders that it still has, and lets go of the others.
func TestRemindersOverAReload(t *testing.T) {
	b := newBench(t, reminding(t))
	b.sweep()
	b.say(rules.MarkLoad, "butt", "pit", withProbe("core")).hold(50 * minute)
	s := reminding(t)
	s.Stations[1].Reminders = []rules.Reminder{{Say: "look at the glaze", Every: 20 * minute, After: rules.MarkCheck}, s.Stations[1].Reminders[0]}
	b.restart(s).hold(minute)
	if a := b.alarm(rules.CheckDue, ""); a != nil && a.Active {
		t.Errorf("the fire is not asked for any more: %+v", a)
	}
	b.hold(10 * minute)
	if a := b.alarm(rules.CheckDue, ""); a == nil || !strings.Contains(a.Text, "turn the racks") || strings.Contains(a.Text, "glaze") {
		t.Errorf("the racks at 60 min: %+v", a)
	}
	s.Stations[1].Reminders = nil
	b.restart(s).hold(minute)
	if a := b.alarm(rules.CheckDue, ""); a != nil && a.Active {
		t.Errorf("without reminders: %+v", a)
	}
}
