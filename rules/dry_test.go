package rules_test

import (
	"strings"
	"testing"

	"holdbell/rules"
)

// dried gives the out-of-band events of the lot.
func dried(b *bench, kind rules.EventKind) (out []rules.Event) {
	for _, ev := range b.events {
		if ev.Kind == kind && ev.Alarm == rules.OutOfBand && ev.Lot == "brisket" {
			out = append(out, ev)
		}
	}
	return out
}

// A hold at 172 °F for an hour dries the food out: a lamp says so, with what to do. Food that comes hot
// from the pit into a cabinet at 150 °F only rests.
func TestTooHotAHold(t *testing.T) {
	s := warmer(t, "us-fda-2022")
	set := f(150)
	s.Stations[0].Setpoint, s.Stations[0].Band = &set, &rules.Band{Low: f(140), High: f(180)}
	b := newBench(t, s)
	b.say(rules.MarkLoad, "brisket", "warmer", withProbe("core")).set1(0, f(175)).set1(1, f(150)).hold(minute)
	start := b.now
	b.ramp(1, f(165), 10*minute).ramp(1, f(172), 10*minute)
	b.hold(50*minute - 5*second)
	if n := len(dried(b, rules.AlarmRaised)); n != 0 {
		t.Fatalf("told before the hour\n%s", b.story())
	}
	b.hold(10 * second)
	told := dried(b, rules.AlarmRaised)
	if len(told) != 1 || told[0].Priority != rules.Advice || told[0].At.Mono-start < 70*minute-5*second ||
		told[0].Text != "brisket in warmer at 172 °F has been above 165 °F for 1 h: so hot a hold dries it out. Turn warmer down to 150 °F, or serve it first." {
		t.Fatalf("told as %+v", told)
	}
	if l := b.want("brisket", rules.OK); strings.Contains(l.Text, "dries") {
		t.Errorf("the verdict is about safety: %s", l.Text)
	}
	b.set1(0, f(150)).ramp(1, f(155), hour).hold(10 * minute)
	if n := len(dried(b, rules.AlarmCleared)); n != 1 {
		t.Errorf("cleared %d times\n%s", n, b.story())
	}

	b = newBench(t, s)
	b.say(rules.MarkLoad, "brisket", "warmer", withProbe("core")).set1(1, f(203)).hold(minute).ramp(1, f(155), 4*hour)
	if n := len(dried(b, rules.AlarmRaised)); n != 0 {
		t.Errorf("food that rests is told as too hot\n%s", b.story())
	}
}

// The station's own figures, and a cabinet without a probe in its air: the wait is three times as long.
func TestTooHotByOwnFigures(t *testing.T) {
	s := warmer(t, "us-fda-2022")
	s.Stations[0].TooHot, s.Stations[0].Band, s.Stations[0].Air = &rules.TooHot{Above: f(160), For: 20 * minute}, nil, -1
	b := newBench(t, s)
	b.say(rules.MarkLoad, "brisket", "warmer", withProbe("core")).set1(1, f(161)).hold(hour - second)
	if n := len(dried(b, rules.AlarmRaised)); n != 0 {
		t.Errorf("told before an hour\n%s", b.story())
	}
	b.hold(3 * second)
	if n := len(dried(b, rules.AlarmRaised)); n != 1 {
		t.Errorf("told %d times after an hour\n%s", n, b.story())
	}
	// The air's own alarm says it already.
	s.Stations[0].Band, s.Stations[0].Air = &rules.Band{Low: f(140), High: f(165)}, 0
	b = newBench(t, s)
	b.say(rules.MarkLoad, "brisket", "warmer", withProbe("core")).hold(minute).set1(1, f(170)).set1(0, f(175)).hold(2 * hour)
	if n := len(dried(b, rules.AlarmRaised)); n != 0 {
		t.Errorf("told twice over\n%s", b.story())
	}
	if ev := b.first(rules.AlarmRaised, rules.OutOfBand); !strings.Contains(ev.Text, "dries the food out: turn it down") {
		t.Errorf("the air says %s", ev.Text)
	}
}
