package rules_test

import (
	"strings"
	"testing"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

func (b *bench) alarm(name rules.AlarmName, lot string) *rules.AlarmState {
	for _, a := range b.e.State().Alarms {
		if a.Alarm == name && a.Lot == lot {
			return &a
		}
	}
	return nil
}

// A danger alarm turns critical, and rings anew, when the verdict does, though it was acknowledged.
func TestDangerTurnsCritical(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.set1(1, f(120)).hold(2*time.Hour + time.Minute)
	if a := b.alarm(rules.DangerTime, "brisket"); a == nil || a.Priority != rules.Warning {
		t.Fatalf("at half the time: %+v", a)
	}
	b.say(rules.MarkAcknowledge, "", "", signed).hold(time.Minute)
	b.hold(4*time.Hour - b.lot("brisket").Charged - 2*time.Second)
	b.events = nil
	b.hold(5 * time.Second)
	if ev := b.first(rules.AlarmRepeated, rules.DangerTime); ev.Priority != rules.Critical || ev.Verdict != rules.Discard || !strings.Contains(ev.Text, "Discard it") {
		t.Errorf("%+v", ev)
	}
}

// The handover of a standing lot tells nothing false, and the new name's alarm stands at once.
func TestHandOverOfAStandingAlarm(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.hold(6 * time.Minute)
	b.set1(1, f(120)).hold(10 * time.Minute)
	since := b.alarm(rules.BelowHotLimit, "warmer").Since
	b.events = nil
	b.say(rules.MarkLoad, "ham", "warmer", nil).hold(time.Second)
	a := b.alarm(rules.BelowHotLimit, "ham")
	if a == nil || !a.Active || a.Since.Mono != since.Mono || a.Status != rules.Unacknowledged {
		t.Errorf("the alarm of ham is %+v, want one since %v\n%s", a, since.Mono, b.story())
	}
	if old := b.alarm(rules.BelowHotLimit, "warmer"); old != nil {
		t.Errorf("the old name's alarm still stands: %+v", old)
	}
	if ev := b.first(rules.AlarmCleared, rules.BelowHotLimit); strings.Contains(ev.Text, "back at") {
		t.Errorf("cleared with %q at 120 °F", ev.Text)
	}
	if s := b.story(); strings.Contains(s, "back at or above") {
		t.Errorf("told at 120 °F:\n%s", s)
	}
}

// An alarm that ends because the lot went to be cooled does not say that it is hot again.
func TestClearTextAfterAMove(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.say(rules.MarkProbe, "brisket", "", withProbe("core"))
	b.set1(1, f(120)).hold(time.Minute)
	b.say(rules.MarkMove, "brisket", "bath", nil).hold(2 * time.Minute)
	if ev := b.first(rules.AlarmCleared, rules.BelowHotLimit); strings.Contains(ev.Text, "back at") {
		t.Errorf("cleared with %q", ev.Text)
	}
}

// A probe that two stations use rings while either is in service, and turns critical with a new ring when
// a lot comes to depend on it.
func TestProbeFaultOfASharedProbe(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.say(rules.MarkOutOfService, "", "pit", nil).hold(time.Minute)
	b.fail(3, sensor.Open).hold(time.Minute)
	if ev := b.first(rules.AlarmRaised, rules.ProbeFault); ev.State != rules.Unacknowledged {
		t.Errorf("the oven's air failed and is %s because the pit is out of service", ev.State)
	}
	b.say(rules.MarkAcknowledge, "", "", signed).hold(time.Minute)
	b.events = nil
	b.say(rules.MarkLoad, "stew", "oven", nil).hold(time.Minute)
	if ev := b.first(rules.AlarmRepeated, rules.ProbeFault); ev.Priority != rules.Critical {
		t.Errorf("%+v", ev)
	}
	// A probe lent to a lot elsewhere is that lot's, though its own station is out of service.
	b = newBench(t, warmer(t, "us-fda-2022"))
	b.sweep()
	b.say(rules.MarkLoad, "butt", "pit", withProbe("core")).say(rules.MarkOutOfService, "", "warmer", nil).hold(time.Minute)
	b.fail(1, sensor.Open).hold(time.Minute)
	if ev := b.first(rules.AlarmRaised, rules.ProbeFault); ev.State != rules.Unacknowledged {
		t.Errorf("the pit's only probe failed and is %s", ev.State)
	}
}

// Back in service, or off the shelf, an alarm rings once and then by its period, with today's words.
func TestServiceAndShelfRingOnce(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.set1(1, f(120)).hold(time.Minute)
	b.say(rules.MarkOutOfService, "", "warmer", nil).hold(time.Hour)
	b.events = nil
	b.say(rules.MarkInService, "", "warmer", nil).hold(time.Minute)
	if n := b.count(rules.AlarmRepeated, rules.BelowHotLimit); n != 1 {
		t.Errorf("back in service it rang %d times:\n%s", n, b.story())
	}
	if ev := b.first(rules.AlarmRepeated, rules.BelowHotLimit); !strings.Contains(ev.Text, "1 h") {
		t.Errorf("an hour later it says %q", ev.Text)
	}
	b.say(rules.MarkShelve, "brisket", "", func(m *rules.Mark) {
		m.Alarm, m.Until = rules.BelowHotLimit, m.At.Wall.Add(time.Hour)
	}).hold(time.Minute)
	b.restart(b.set)
	b.events = nil
	b.hold(time.Hour)
	if un, rep := b.count(rules.AlarmUnshelved, rules.BelowHotLimit), b.count(rules.AlarmRepeated, rules.BelowHotLimit); un != 1 || rep != 0 {
		t.Errorf("off the shelf: told %d times, rang %d times besides:\n%s", un, rep, b.story())
	}
}

// An alarm keeps its identity across a move; it can be answered by either station's name.
func TestAlarmAcrossAMove(t *testing.T) {
	s := warmer(t, "us-fda-2022")
	s.Stations = append(s.Stations, rules.StationSetup{Name: "warmer-2", Purpose: rules.HotHolding, Air: -1, Food: []int{2}})
	b := newBench(t, s)
	b.sweep()
	b.say(rules.MarkLoad, "brisket", "warmer", nil).set1(1, f(120)).hold(time.Minute)
	b.say(rules.MarkMove, "brisket", "warmer-2", nil).set1(2, f(120)).hold(time.Minute)
	a := b.alarm(rules.BelowHotLimit, "brisket")
	if a == nil || a.Station != "warmer" || !a.Active {
		t.Fatalf("%+v\n%s", a, b.story())
	}
	b.say(rules.MarkAcknowledge, "", "warmer-2", signed).hold(time.Second)
	if a := b.alarm(rules.BelowHotLimit, "brisket"); a.Status != rules.Acknowledged {
		t.Errorf("answered at its new place it is %s", a.Status)
	}
}

// What is told fits what is so, in both units: no food is "at 135 °F" and under it.
func TestTextsNearTheLimit(t *testing.T) {
	for _, tc := range []struct {
		units rules.Units
		limit string
	}{{rules.Fahrenheit, "135 °F"}, {rules.Celsius, "57.2 °C"}} {
		s := warmer(t, "us-fda-2022")
		s.Units = tc.units
		b := newBench(t, s)
		b.sweep()
		b.say(rules.MarkLoad, "brisket", "warmer", nil).set1(1, f(135)-20).hold(time.Minute)
		text := b.want("brisket", rules.Act).Text
		if strings.Contains(text, "at "+tc.limit+" has been under "+tc.limit) || !strings.Contains(text, "under "+tc.limit) {
			t.Errorf("%q", text)
		}
	}
	// Food held cold is told by its own hours.
	b := newBench(t, warmer(t, "uk"))
	b.sweep()
	b.say(rules.MarkLoad, "salad", "walkin", nil).set1(4, c(12)).hold(2*time.Hour + time.Minute)
	if a := b.alarm(rules.DangerTime, "salad"); a == nil || !strings.Contains(a.Text, "of 4 h") {
		t.Errorf("%+v", a)
	}
}

// A band narrower than its hysteresis can be come back into.
func TestNarrowBandClears(t *testing.T) {
	s := warmer(t, "us-fda-2022")
	s.Stations[1].Band = &rules.Band{Low: f(274), High: f(276)}
	b := newBench(t, s)
	b.hold(6 * time.Minute)
	b.set1(3, f(290)).hold(10 * time.Minute)
	b.set1(3, f(275)).hold(5 * time.Minute)
	if b.count(rules.AlarmRaised, rules.OutOfBand) != 1 || b.count(rules.AlarmCleared, rules.OutOfBand) != 1 {
		t.Errorf("raised %d, cleared %d", b.count(rules.AlarmRaised, rules.OutOfBand), b.count(rules.AlarmCleared, rules.OutOfBand))
	}
}
