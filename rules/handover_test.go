package rules_test

import (
	"strings"
	"testing"
	"time"

	"holdbell/rules"
)

// The handover lists what is open for the next shift, a line each: lots with verdict and deadline, alarms that
// stand or are silent and until when, stations out of service, probes off watch, unsigned checks, proposals.
func TestHandover(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.hold(time.Minute)
	b.say(rules.MarkHandover, "", "", func(m *rules.Mark) { m.By = "R. Oduya" })
	if got := b.answer(); got != "Handed over. Nothing is open." {
		t.Errorf("%q", got)
	}
	b.say(rules.MarkLoad, "brisket", "warmer", withProbe("core")).hold(time.Minute)
	b.say(rules.MarkLoad, "ham", "warmer", withProbe("core-2")).hold(time.Minute)
	b.say(rules.MarkCheck, "ham", "", func(m *rules.Mark) { v := f(149); m.Temp = &v }).hold(time.Minute)
	b.say(rules.MarkProbeOut, "ham", "", nil).hold(time.Minute)
	b.say(rules.MarkOutOfService, "", "bath", reasonNote("drain is blocked"))
	b.ramp(1, f(120), 60*time.Minute)
	b.say(rules.MarkShelve, "brisket", "", func(m *rules.Mark) {
		m.Alarm, m.Until = rules.BelowHotLimit, m.At.Wall.Add(time.Hour)
	}).hold(20 * time.Minute)
	b.say(rules.MarkAcknowledge, "brisket", "", signed).hold(time.Minute)
	b.ramp(1, f(100), 25*time.Minute)
	before := b.e.State()
	b.say(rules.MarkHandover, "", "", func(m *rules.Mark) { m.Note, m.By = "ribs are for the late table", "R. Oduya" })
	text := b.answer()
	for _, want := range []string{
		"Handed over: ribs are for the late table. Open: 2 lots, ",
		"\nbrisket in warmer at 100 °F has been under 135 °F for 1 h",
		"within ",
		"\nham in warmer has been off watch for 1 h",
		"\nAlarm below-hot-limit at warmer for brisket: silent for another 14 min.",
		"\nAlarm probe-stuck at warmer: nobody has answered, for 1 h 35 min. Probe air at warmer",
		"\nbath is out of service (drain is blocked).",
		"\nProbe core-2 of ham has been off watch for 1 h",
		"\nThe hand check of ham at 149 °F, 1 h",
		" is unsigned.",
		"\nbrisket in warmer falls steadily",
		"mark move to walkin",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("the handover lacks %q:\n%s", want, text)
		}
	}
	for i, line := range strings.Split(text, "\n") {
		if !strings.HasSuffix(line, ".") || strings.TrimSpace(line) != line {
			t.Errorf("line %d is no whole sentence: %q", i, line)
		}
	}
	// It changes nothing, and stands in the record.
	after := b.e.State()
	if len(after.Alarms) != len(before.Alarms) || after.Lots[0].Verdict != before.Lots[0].Verdict {
		t.Error("a handover changed the state")
	}
	last := b.events[len(b.events)-1]
	for _, ev := range b.events {
		if ev.Kind == rules.MarkTaken {
			last = ev
		}
	}
	if last.By != "R. Oduya" || last.Text != text {
		t.Errorf("the record says %q by %q", last.Text, last.By)
	}

	// What was to be discarded and only closed is told to the next shift; what was thrown away is not.
	b = spoiled(t)
	b.say(rules.MarkClose, "brisket", "", nil).hold(time.Minute)
	b.say(rules.MarkHandover, "", "", nil)
	b.says("\nEnded, and not thrown away by any mark: brisket")
	b = spoiled(t)
	b.say(rules.MarkDiscard, "brisket", "", signed).hold(time.Minute)
	b.say(rules.MarkHandover, "", "", nil)
	if got := b.answer(); strings.Contains(got, "Ended, and not") {
		t.Errorf("%q", got)
	}
}
