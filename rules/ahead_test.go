package rules_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"holdbell/rules"
)

// A cabinet whose heat is gone: food of a four-hour time constant falls towards the room. limit-ahead is
// told well before the limit, once, with what to do; and a steady cabinet never hears it.
func TestLimitAhead(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	start := b.now
	var crossed time.Duration
	for b.now < start+3*time.Hour {
		h := (b.now - start).Hours()
		b.temps[0].Temp = f(75 + 75*math.Exp(-h/0.5))
		b.temps[1].Temp = f(75 + 75*math.Exp(-h/4)) // f rounds to 0.001 °C
		if crossed == 0 && b.temps[1].Temp < f(135) {
			crossed = b.now
		}
		b.sweep()
	}
	ahead := b.first(rules.AlarmRaised, rules.LimitAhead)
	if lead := crossed - ahead.At.Mono; lead < 12*time.Minute || lead > time.Hour {
		t.Errorf("told %v before the limit, want 12 min to 1 h", lead)
	}
	if n := b.count(rules.AlarmRaised, rules.LimitAhead); n != 1 || !strings.Contains(ahead.Text, "Look at the heat") {
		t.Errorf("told %d times: %s", n, ahead.Text)
	}
	if ev := b.first(rules.AlarmCleared, rules.LimitAhead); !strings.Contains(ev.Text, "under 135 °F now") {
		t.Errorf("its end is told as %q", ev.Text)
	}

	b = loaded(t, "us-fda-2022")
	for i := range 6 * 3600 {
		b.temps[0].Temp = f(150 + 5*math.Sin(float64(i)/300))
		b.temps[1].Temp = f(141 + 0.2*math.Sin(float64(i)/1000))
		b.sweep()
	}
	if n := b.count(rules.AlarmRaised, rules.LimitAhead); n != 0 {
		t.Errorf("a steady cabinet was told %d times\n%s", n, b.story())
	}
}

// A cook that was seen carries its lethality; what cools carries its predicted growth.
func TestAdvice(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.set1(1, f(140)).sweep()
	b.say(rules.MarkLoad, "butt", "pit", func(m *rules.Mark) { m.Food, m.Probe = "pork", "core" }).hold(11*time.Minute + 59*time.Second)
	report := func(b *bench, name string) rules.LotReport { l := b.lot(name); return l.Report(false) }
	l := report(b, "butt")
	if l.Lethality == nil || l.Lethality.TableMet {
		t.Fatalf("a second short of 12 min at 140 °F the 6.5 log table is %+v", l.Lethality)
	}
	// FSIS Appendix A, meat, 6.5 log: 140 °F for 12 min.
	b.hold(2 * time.Second)
	if l = report(b, "butt"); !l.Lethality.TableMet || l.Lethality.Salmonella < 6.5 {
		t.Errorf("after 12 min at 140 °F it is %+v", l.Lethality)
	}
	b.say(rules.MarkMove, "butt", "bath", nil).set1(1, f(110)).hold(2 * time.Hour)
	if l = report(b, "butt"); l.Growth == nil || l.Growth.CPerfringens < 1 {
		t.Errorf("two hours at 110 °F predict %+v", l.Growth)
	}
	if fresh := report(loaded(t, "us-fda-2022"), "brisket"); fresh.Lethality != nil {
		t.Errorf("a cook that nobody saw has a lethality: %+v", fresh.Lethality)
	}
}

// Once the heat is back the middle of a piece goes on falling for a while: that rings only when the limit is close,
// while the same fall beside cold air rings at half an hour.
func TestLimitAheadWhileTheHeatIsBack(t *testing.T) {
	for _, tc := range []struct {
		air    float64
		least  time.Duration
		atMost time.Duration
	}{{150, 5 * time.Minute, 11 * time.Minute}, {100, 18 * time.Minute, 32 * time.Minute}, {134, 18 * time.Minute, 32 * time.Minute}} {
		b := loaded(t, "us-fda-2022")
		b.set1(0, f(tc.air)).ramp(1, f(145), time.Minute).hold(5*time.Minute).ramp(1, f(134), 40*time.Minute)
		var crossed time.Duration
		for _, ev := range b.events {
			if ev.Kind == rules.AlarmRaised && ev.Alarm == rules.BelowHotLimit {
				crossed = ev.Since.Mono
			}
		}
		if lead := crossed - b.first(rules.AlarmRaised, rules.LimitAhead).At.Mono; lead < tc.least || lead > tc.atMost {
			t.Errorf("air at %v °F: told %v before the limit, want %v to %v\n%s", tc.air, lead, tc.least, tc.atMost, b.story())
		}
	}
}
