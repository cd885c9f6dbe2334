package rules_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"holdbell/rules"
	"holdbell/sensor/kitchen"
	"holdbell/sensor/kitchen/heat"
)

// pitPlan is a pit at 275 °F with a shoulder in it, fed each 50 minutes with the lid open for lid, until fed.
func pitPlan(fed, lid time.Duration) kitchen.Plan {
	p := kitchen.Plan{Room: 20, Stations: []kitchen.Station{kitchen.SmokePit("pit", 135)},
		Foods: []kitchen.Food{{Name: "shoulder", Station: "pit", Start: 5, Shape: heat.Box(0.22, 0.16, 0.08), Made: heat.RawPorkShoulder()}}}
	for at := 40 * minute; at < fed; at += 50 * minute {
		p.Script = append(p.Script, kitchen.Event{At: at, Do: kitchen.Feed{Station: "pit", Kg: 1.2}})
		p.Script = append(p.Script, opened("pit", at, lid)...)
	}
	return p
}

// A fire that nobody feeds is told before the air leaves its band, with the time that is left; a fire that
// is fed through an open lid is not.
func TestFireFalling(t *testing.T) {
	for _, lid := range []time.Duration{30 * second, minute, 3 * minute} {
		const fed = 7 * hour
		s := newScene(t, rules.Cooking, pitPlan(fed, lid), 275, 250, 300, 20*second)
		s.say(rules.MarkLoad, "shoulder", "pit", nil)
		s.until(fed)
		s.clearOf("a fire that is fed", rules.FireFalling, rules.OutOfBand)
		// Half a minute is too short to be told from a gust.
		if n := s.count(rules.AlarmRaised, rules.DoorOpen); lid >= minute && (n < 6 || n > 9) {
			t.Errorf("8 openings of %v were told %d times\n%s", lid, n, s.story())
		}
		if s.count(rules.AlarmRepeated, rules.DoorOpen) > 0 {
			t.Errorf("a lid of %v rang\n%s", lid, s.story())
		}
		s.until(fed + 3*hour)
		told := s.first(rules.AlarmRaised, rules.FireFalling)
		left := s.first(rules.AlarmRaised, rules.OutOfBand)
		t.Logf("%v before the band is left: %s", left.Since.Mono-told.At.Mono, told.Text)
		if lead := left.Since.Mono - told.At.Mono; lead < 5*minute || told.Priority != rules.Warning {
			t.Errorf("lid %v: told %v before the band was left, with %s\n%s", lid, lead, told.Priority, s.story())
		}
		if !strings.Contains(told.Text, "will be under 250 °F in about") || !strings.Contains(told.Text, "Feed the fire") {
			t.Errorf("its text is %s", told.Text)
		}
		if !strings.Contains(left.Text, "Look at the fire and its draft") {
			t.Errorf("the band says %s", left.Text)
		}
	}
}

// A fire that breathes by 25 °F each way, regularly or not, is not dying.
func TestFireSwings(t *testing.T) {
	for _, period := range []float64{12, 20, 37, 60, 90} {
		for _, irregular := range []float64{0, 0.15, 0.3} {
			b := newBench(t, warmer(t, "us-fda-2022"))
			b.step = 2 * second
			b.set1(3, f(275)).say(rules.MarkLoad, "butt", "pit", withProbe("core"))
			rnd := rand.New(rand.NewPCG(uint64(period), uint64(100*irregular)))
			phase, depth := 0.0, 1.0
			for b.now < 12*hour {
				before := math.Floor(phase - 0.25)
				phase += b.step.Minutes() / period
				if math.Floor(phase-0.25) != before { // a new breath begins at its top
					depth = 1 - irregular*rnd.Float64()
				}
				b.temps[3].Temp = f(275 + 24*depth*math.Sin(2*math.Pi*phase) + 0.5*rnd.NormFloat64())
				b.sweep()
			}
			told := 0
			for _, ev := range b.events {
				if ev.Kind != rules.AlarmRaised || ev.Alarm != rules.FireFalling {
					continue
				}
				// Before it has breathed once, a slow breath and a dying fire are one and the same: a lamp.
				if told++; period < 90 || ev.Priority != rules.Advice || ev.At.Mono > 2*hour || told > 1 {
					t.Errorf("a breath of %.0f min, irregular by %.2f: told with %s after %v: %s", period, irregular, ev.Priority, ev.At.Mono, ev.Text)
				}
			}
			if n := b.count(rules.AlarmRaised, rules.DoorOpen); n > 0 {
				t.Errorf("a breath of %.0f min: a door %d times", period, n)
			}
		}
	}
}

// Rain that is fought by the damper, racks that are turned each hour, and a probe that falls silent are no
// dying fire; neither is a pit that nobody watches.
func TestWhatIsNoDyingFire(t *testing.T) {
	p := pitPlan(10*hour, minute)
	p.Script = append(p.Script, kitchen.Event{At: 3 * hour, Do: kitchen.Room{Celsius: 12}}, kitchen.Event{At: 5 * hour, Do: kitchen.Room{Celsius: 25}})
	for at := 65 * minute; at < 10*hour; at += hour {
		p.Script = append(p.Script, opened("pit", at, 90*second)...)
	}
	s := newScene(t, rules.Cooking, p, 275, 250, 300, 20*second)
	s.say(rules.MarkLoad, "shoulder", "pit", nil)
	s.until(10 * hour)
	s.clearOf("rain and racks", rules.FireFalling)

	// A lid that stands open is told as one thing.
	p = pitPlan(10*hour, minute)
	p.Script = append(p.Script, opened("pit", 5*hour+55*minute, 0)...)
	s = newScene(t, rules.Cooking, p, 275, 250, 300, 20*second)
	s.say(rules.MarkLoad, "shoulder", "pit", nil)
	s.until(6*hour + 50*minute)
	s.clearOf("a lid that stands open", rules.FireFalling)
	if ring := s.first(rules.AlarmRepeated, rules.DoorOpen); !strings.Contains(ring.Text, "Shut its lid or door; if it is shut, its fire is off") {
		t.Errorf("it rings as %s", ring.Text)
	}

	b := newBench(t, warmer(t, "us-fda-2022"))
	b.set1(3, f(275)).hold(2*hour).fail(3, 1).hold(20 * minute)
	b.set1(3, f(270)).hold(hour)
	b.say(rules.MarkClose, "", "pit", nil).ramp(3, f(120), 3*hour)
	if n := b.count(rules.AlarmRaised, rules.FireFalling); n > 0 {
		t.Errorf("told %d times\n%s", n, b.story())
	}
}

// By hand: from 275 °F the air falls by 2 °F in three minutes: 25 °F away, the band's end is 37.5 min away, less the
// time that it takes to be told.
func TestFireLeadByHand(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.set1(3, f(275)).hold(3 * hour)
	start := b.now
	b.ramp(3, f(235), hour)
	ev := b.first(rules.AlarmRaised, rules.FireFalling)
	after := ev.At.Mono - start
	if after < 5*minute || after > 20*minute {
		t.Errorf("told after %v", after)
	}
	var said int
	if _, err := fmt.Sscanf(ev.Text[strings.Index(ev.Text, "in about"):], "in about %d min", &said); err != nil {
		t.Fatalf("no time in %s: %v", ev.Text, err)
	}
	if want := (37*minute + 30*second - after).Minutes(); math.Abs(float64(said)-want) > 2 {
		t.Errorf("after %v it says %s, want %.0f min", after, ev.Text, want)
	}
}
