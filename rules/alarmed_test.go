package rules_test

import (
	"testing"
	"time"

	"holdbell/rules"
)

// A reminder that is due may stand for hours without the record being written as in an alarm; where a kitchen has
// made it a warning, and once food falls below the limit, it is.
func TestAlarmedTakesMoreThanAnAdvice(t *testing.T) {
	for _, p := range []rules.Priority{rules.Advice, rules.Warning} {
		set := reminding(t)
		set.Alarms = map[rules.AlarmName]rules.AlarmSetup{rules.CheckDue: {Priority: &p}}
		b := newBench(t, set)
		b.sweep()
		b.say(rules.MarkLoad, "butt", "pit", withProbe("core")).hold(46 * minute)
		if a := b.alarm(rules.CheckDue, ""); a == nil || !a.Active || a.Priority != p {
			t.Fatalf("%s: the reminder is %+v", p, a)
		}
		if got, want := b.e.Alarmed(), p != rules.Advice; got != want {
			t.Errorf("with a reminder of priority %s: alarmed %v", p, got)
		}
	}
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.sweep()
	b.say(rules.MarkLoad, "butt", "warmer", withProbe("core")).hold(minute)
	if b.e.Alarmed() {
		t.Error("alarmed in a quiet kitchen")
	}
	b.set1(1, c(50)).hold(time.Minute)
	if b.alarm(rules.BelowHotLimit, "butt") == nil || !b.e.Alarmed() {
		t.Errorf("food at 50 °C raises nothing\n%s", b.story())
	}
}
