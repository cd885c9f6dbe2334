package rules_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// steady plays a cabinet: the thermostat's swing of the air, seen in steps of a quarter of a degree, and a core as
// its chip gives it.
func (b *bench) steady(d time.Duration, core func(i int) sensor.Temp) *bench {
	for end, i := b.now+d, 0; b.now < end; i++ {
		air := 65_500 + 1500*math.Sin(b.now.Seconds()/300)
		b.set1(0, sensor.Temp(math.Round(air/250)*250)).set1(1, core(i))
		b.set1(3, f(275)+sensor.Temp(i%7*250)).set1(4, f(38)+sensor.Temp(i%3*250)).set1(2, f(150)+sensor.Temp(i%3*250))
		b.sweep()
	}
	return b
}

// stuckFor is how long a core is flat before probe-stuck names it, once it has lived through before; negative when
// it never did.
func (b *bench) stuckFor(most time.Duration, at sensor.Temp) time.Duration {
	begun := b.now
	b.steady(most, func(int) sensor.Temp { return at })
	for _, ev := range b.events {
		if ev.Alarm == rules.ProbeStuck && ev.Kind == rules.AlarmRaised && ev.Probe == "core" {
			return ev.At.Mono - begun
		}
	}
	return -1
}

// The last digit of a fine chip wanders as long as it lives; a coarse one dithers, or rests for a night.
func TestFrozenOrAtRest(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	fine := func(int) sensor.Temp { return sensor.Temp(math.Round((65_000+50*r.NormFloat64())/7.8125) * 7.8125) }
	coarse := func(i int) sensor.Temp { // dithers by day, and rests on a step for some hours now and then
		v := 65_000 + 60*math.Sin(float64(i)/1200) + 60*r.NormFloat64()
		return sensor.Temp(math.Round(v/250) * 250)
	}
	begin := func(core func(int) sensor.Temp, d time.Duration) *bench {
		b := loaded(t, "us-fda-2022")
		b.step = 10 * time.Second
		return b.steady(d, core)
	}
	for _, tc := range []struct {
		name      string
		b         *bench
		low, high time.Duration // of what is told; negative: never
	}{
		// Each is told after its limit and the alarm's own half hour.
		{"a fine chip after a day and more", begin(fine, 30*time.Hour), 150 * time.Minute, 155 * time.Minute},
		{"a fine chip that nobody knows yet", begin(fine, 10*time.Hour), 390 * time.Minute, 395 * time.Minute},
		{"a coarse chip after a day and more", begin(coarse, 30*time.Hour), 6 * time.Hour, 395 * time.Minute},
	} {
		if n := tc.b.count(rules.AlarmRaised, rules.ProbeStuck); n != 0 {
			t.Errorf("%s: a live chip rang %d times\n%s", tc.name, n, tc.b.story())
		}
		if got := tc.b.stuckFor(26*time.Hour, 65_000); got < tc.low || got > tc.high {
			t.Errorf("%s: told after %v, want %v to %v", tc.name, got, tc.low, tc.high)
		}
	}
	// A night's rest on one step is doubted once; the probe that lived through it is not doubted again.
	b := begin(coarse, 5*time.Hour)
	for range 5 {
		b.steady(11*time.Hour, func(int) sensor.Temp { return 65_000 }).steady(time.Hour, coarse)
	}
	if n := b.count(rules.AlarmRaised, rules.ProbeStuck); n != 1 {
		t.Errorf("a core at rest rang %d times\n%s", n, b.story())
	}
	if got := b.stuckFor(26*time.Hour, 64_750); b.count(rules.AlarmRaised, rules.ProbeStuck) != 2 {
		t.Errorf("frozen in the end, it was not told again (%v)\n%s", got, b.story())
	}
	// Air is never so still, whatever its chip.
	b = begin(coarse, time.Hour)
	from := b.now
	for b.now < from+7*time.Hour {
		b.set1(0, 65_500).set1(1, coarse(int(b.now/b.step)))
		for p := range 3 {
			b.temps[2+p].Temp ^= 256
		}
		b.sweep()
	}
	if ev := b.first(rules.AlarmRaised, rules.ProbeStuck); ev.Probe != "air" || ev.At.Mono-from < 6*time.Hour {
		t.Errorf("%s after %v", ev.Probe, ev.At.Mono-from)
	}
}
