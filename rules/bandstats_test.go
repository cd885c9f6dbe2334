package rules_test

import (
	"math"
	"testing"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// isTemp fails unless a temperature lies within 2 m°C of what was worked out.
func isTemp(t *testing.T, what string, got sensor.Temp, want float64) {
	t.Helper()
	if math.Abs(float64(got)-1000*want) > 2 {
		t.Errorf("%s is %v, want %.3f °C", what, got, want)
	}
}

// The pit stands an hour at 130 °C, rises in an hour to 150 °C and falls in half an hour to 110 °C. By hand:
// the mean is (130·60 + 140·60 + 130·30)/150 = 134 °C, the mean square (16,900·60 + (400/12 + 19,600)·60 +
// (1600/12 + 16,900)·30)/150 = 18,020, which leaves √(18,020 - 17,956) = 8 °C. Of the band 120 to 145 °C it is
// above for 15 min on the way up and 3 min 45 s on the way down, and below for the last 7 min 30 s.
func TestAirFiguresByHand(t *testing.T) {
	s := warmer(t, "us-fda-2022")
	s.Stations[1].Band = &rules.Band{Low: c(120), High: c(145)}
	b := newBench(t, s)
	b.temps[3].Temp = c(130)
	b.say(rules.MarkLoad, "butt", "pit", withProbe("core")).sweep()
	b.hold(time.Hour - time.Second)
	b.sweep()
	b.ramp(3, c(150), time.Hour)
	b.ramp(3, c(110), 30*time.Minute)
	k := b.e.State().Stations[1].Kept
	if k == nil || k.Known != 150*time.Minute || k.Unknown != 0 {
		t.Fatalf("kept is %+v", k)
	}
	isTemp(t, "the mean", k.Mean, 134)
	isTemp(t, "the spread", k.Spread, 8)
	near(t, "above the band", k.AboveBand, 18*time.Minute+45*time.Second, time.Second)
	near(t, "below the band", k.BelowBand, 7*time.Minute+30*time.Second, time.Second)
	if k.InBand+k.AboveBand+k.BelowBand != k.Known {
		t.Errorf("the parts of %v are %v, %v and %v", k.Known, k.BelowBand, k.InBand, k.AboveBand)
	}
	// The lot's stay saw the same; another piece saw the last half hour alone.
	if st := b.lot("butt").Stays; len(st) != 1 || st[0].Air != *k || st[0].Length != 150*time.Minute {
		t.Errorf("its stays are %+v, want %+v", st, *k)
	}
}

// A silence longer than the allowance is in no figure but the unknown time; a shorter one is bridged.
func TestAirFiguresLeaveOutWhatIsNotKnown(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.say(rules.MarkLoad, "butt", "pit", withProbe("core")).hold(time.Hour + time.Second)
	b.fail(3, sensor.Open).hold(4*time.Minute).set1(3, f(275)).hold(time.Hour - 4*time.Minute)
	b.fail(3, sensor.Open).hold(20 * time.Minute)
	if k := b.e.State().Stations[1].Kept; k.Known != 2*time.Hour || k.Unknown != 20*time.Minute {
		t.Fatalf("while it is silent: known %v, unknown %v", k.Known, k.Unknown)
	}
	b.set1(3, f(295)).hold(time.Hour + time.Second)
	k := b.e.State().Stations[1].Kept
	if k.Known != 3*time.Hour || k.Unknown != 20*time.Minute+time.Second {
		t.Fatalf("known %v, unknown %v", k.Known, k.Unknown)
	}
	isTemp(t, "the mean", k.Mean, (2*float64(f(275))+float64(f(295)))/3000)
	if k.InBand != k.Known {
		t.Errorf("in the band for %v of %v", k.InBand, k.Known)
	}
}

// What a lot's stays say is what was so while it was there, wherever it went and whatever came after.
func TestStays(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.say(rules.MarkLoad, "butt", "pit", withProbe("core")).hold(30 * time.Minute)
	b.set1(3, f(290)).hold(30 * time.Minute)
	b.say(rules.MarkSplit, "point", "", func(m *rules.Mark) { m.From, m.Probe = "butt", "core-2" }).hold(10 * time.Minute)
	b.say(rules.MarkMove, "butt", "warmer", nil).hold(time.Hour)
	b.say(rules.MarkClose, "butt", "", nil).set1(0, f(160)).hold(time.Hour)
	st := b.lot("butt").Stays
	if len(st) != 2 || st[0].Station != "pit" || st[1].Station != "warmer" || st[1].To.IsZero() {
		t.Fatalf("its stays are %+v", st)
	}
	near(t, "in the pit", st[0].Length, 70*time.Minute, time.Second)
	near(t, "in the warmer", st[1].Length, time.Hour, time.Second)
	isTemp(t, "the pit's mean", st[0].Air.Mean, (3*float64(f(275))+4*float64(f(290)))/7000)
	isTemp(t, "the warmer's mean", st[1].Air.Mean, float64(f(150))/1000)
	if p := b.lot("point").Stays; len(p) != 1 || !p[0].To.IsZero() || p[0].Length < 3*time.Hour {
		t.Errorf("the part that stayed has %+v", p)
	}
}
