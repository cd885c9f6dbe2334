package rules_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"holdbell/rules"
	"holdbell/sensor/kitchen"
	"holdbell/sensor/kitchen/heat"
)

const (
	minute = time.Minute
	hour   = time.Hour
)

// cabinet is a cabinet at 150 °F with a wrapped piece of 5 kg in it, and what happens there.
func cabinet(events ...kitchen.Event) kitchen.Plan {
	return kitchen.Plan{Room: 22, Stations: []kitchen.Station{kitchen.HoldingCabinet("warmer", 65.5)},
		Foods:  []kitchen.Food{{Name: "brisket", Station: "warmer", Start: 64, Wrapped: true, Shape: heat.Box(0.42, 0.27, 0.042), Made: heat.CookedBrisket()}},
		Script: events}
}

// opened is a door that opens at a time and is shut again, unless open is 0.
func opened(station string, at, open time.Duration) []kitchen.Event {
	ev := []kitchen.Event{{At: at, Do: kitchen.Door{Station: station, Open: true}}}
	if open > 0 {
		ev = append(ev, kitchen.Event{At: at + open, Do: kitchen.Door{Station: station}})
	}
	return ev
}

// A service is a lamp that goes out by itself; a door that was forgotten rings after five minutes and says so.
func TestDoorOfACabinet(t *testing.T) {
	for _, lag := range []time.Duration{5 * second, 20 * second, 45 * second} {
		for _, open := range []time.Duration{minute, 2 * minute, 4 * minute} {
			s := newScene(t, rules.HotHolding, cabinet(opened("warmer", hour, open)...), 150, 140, 165, lag).until(3 * hour)
			ev := s.raisedWithin("a service", rules.DoorOpen, hour, 75*second)
			if ev.Priority != rules.Advice || !strings.Contains(ev.Text, "Shut its door when you are done") {
				t.Errorf("it is told with %s as %s", ev.Priority, ev.Text)
			}
			if end := s.first(rules.AlarmCleared, rules.DoorOpen); end.At.Mono < hour+open || end.At.Mono > hour+open+4*minute {
				t.Errorf("shut after %v, cleared after %v", open, end.At.Mono-hour)
			}
			if n := s.count(rules.AlarmRepeated, rules.DoorOpen); n > 0 {
				t.Errorf("a service of %v rang:\n%s", open, s.story())
			}
			back := s.e.State().Stations[0].Recovery
			if back == nil || *back < 30*second || *back > 20*minute {
				t.Errorf("the air is said to have come back in %v", back)
			}
			s.clearOf("a service", rules.OutOfBand, rules.FireFalling)
		}
	}
	s := newScene(t, rules.HotHolding, cabinet(opened("warmer", hour, 0)...), 150, 140, 165, 20*second).until(hour + 15*minute)
	s.raisedWithin("a forgotten door", rules.DoorOpen, hour, 75*second)
	ring := s.first(rules.AlarmRepeated, rules.DoorOpen)
	if d := ring.At.Mono - hour; d < 4*minute+30*second || d > 5*minute+30*second || ring.Priority != rules.Warning ||
		!strings.Contains(ring.Text, "has stood open for 5 min") || !strings.Contains(ring.Text, "if it is shut, its heat is off") {
		t.Errorf("after %v it rings with %s: %s", d, ring.Priority, ring.Text)
	}
	s.clearOf("the door that rings", rules.OutOfBand)
}

// A cabinet without heat falls slowly: nobody is told of a door, and out-of-band names the heat.
func TestBreakerIsNoDoor(t *testing.T) {
	for _, lag := range []time.Duration{5 * second, 30 * second} {
		p := cabinet(kitchen.Event{At: 90 * minute, Do: kitchen.Breaker{Station: "warmer", Tripped: true}})
		s := newScene(t, rules.HotHolding, p, 150, 140, 165, lag).until(3 * hour)
		s.clearOf("a breaker", rules.DoorOpen)
		if n := s.count(rules.AlarmRaised, rules.OutOfBand); n != 1 {
			t.Fatalf("out-of-band was raised %d times", n)
		}
		if ev := s.first(rules.AlarmRaised, rules.OutOfBand); !strings.Contains(ev.Text, "its heat is failing") {
			t.Errorf("its text is %s", ev.Text)
		}
	}
	for _, is := range []kitchen.Stuck{kitchen.StuckOn, kitchen.StuckOff} {
		p := cabinet(kitchen.Event{At: 90 * minute, Do: kitchen.Thermostat{Station: "warmer", Is: is}})
		s := newScene(t, rules.HotHolding, p, 150, 140, 165, 20*second).until(3 * hour)
		s.clearOf("a stuck thermostat", rules.DoorOpen)
	}
}

// A thermostat's own swing is no door, however wide, quick or slow it is.
func TestThermostatIsNoDoor(t *testing.T) {
	for _, swing := range []float64{2.8, 4, 5.6, 8} {
		for _, feeler := range []time.Duration{5 * second, 30 * second, 90 * second} {
			for _, watts := range []float64{600, 1000, 2500} {
				p := cabinet()
				p.Stations[0].Heater.Swing, p.Stations[0].Heater.Lag, p.Stations[0].Heater.Watts = swing, feeler, watts
				p.Stations[0].Start = 22 // it has to warm up first
				s := newScene(t, rules.HotHolding, p, 150, 130, 180, 10*second).until(5 * hour)
				s.clearOf("a thermostat", rules.DoorOpen)
			}
		}
	}
	// Light air over a strong element, by formula: 10 °F each way in a minute, as a fan makes it.
	b := newBench(t, warmer(t, "us-fda-2022"))
	for b.now < 4*hour {
		b.temps[0].Temp = f(152 + 5*math.Sin(2*math.Pi*b.now.Minutes()/2))
		b.sweep()
	}
	if n := b.count(rules.AlarmRaised, rules.DoorOpen); n > 0 {
		t.Errorf("a quick thermostat is told as a door %d times\n%s", n, b.story())
	}
}

// Cold food that goes in holds the air back; the door was shut all the same, and the air shows it.
func TestLoadingIsNoOpenDoor(t *testing.T) {
	p := cabinet(opened("warmer", 90*minute, 2*minute)...)
	for _, name := range []string{"pan-1", "pan-2", "pan-3"} {
		p.Foods = append(p.Foods, kitchen.Food{Name: name, Start: 20, Shape: heat.Box(0.5, 0.3, 0.06), Made: heat.CookedBrisket()})
		p.Script = append(p.Script, kitchen.Event{At: 91 * minute, Do: kitchen.Load{Food: name, Station: "warmer"}})
	}
	s := newScene(t, rules.HotHolding, p, 150, 140, 165, 20*second).until(91 * minute)
	s.say(rules.MarkLoad, "pans", "warmer", nil)
	s.until(5 * hour)
	s.raisedWithin("a loading", rules.DoorOpen, 90*minute, 75*second)
	if end := s.first(rules.AlarmCleared, rules.DoorOpen); end.At.Mono > 100*minute {
		t.Errorf("the door is shut after 2 min and told as open until %v", end.At.Mono-90*minute)
	}
	if s.count(rules.AlarmRepeated, rules.DoorOpen) > 0 {
		t.Errorf("it rang:\n%s", s.story())
	}
}

// A chiller's door lets the air rise; its compressor's swing and a defrost do not look like it.
func TestDoorOfAChiller(t *testing.T) {
	plan := func(events ...kitchen.Event) kitchen.Plan {
		return kitchen.Plan{Room: 24, Stations: []kitchen.Station{kitchen.Chiller("reach-in", 3)}, Script: events}
	}
	s := newScene(t, rules.ColdHolding, plan(opened("reach-in", hour, 2*minute)...), 38, 30, 41, 20*second).until(3 * hour)
	s.raisedWithin("a chiller's door", rules.DoorOpen, hour, 90*second)
	if n := s.count(rules.AlarmCleared, rules.DoorOpen); n != 1 || s.count(rules.AlarmRepeated, rules.DoorOpen) > 0 {
		t.Errorf("it is told as shut %d times\n%s", n, s.story())
	}
	s = newScene(t, rules.ColdHolding, plan(opened("reach-in", hour, 0)...), 38, 30, 41, 20*second).until(80 * minute)
	s.raisedWithin("a chiller's forgotten door", rules.DoorOpen, hour, 90*second)
	if ring := s.first(rules.AlarmRepeated, rules.DoorOpen); ring.Priority != rules.Warning || !strings.Contains(ring.Text, "rose from") {
		t.Errorf("it rings as %+v", ring)
	}
	s = newScene(t, rules.ColdHolding, plan(kitchen.Event{At: hour, Every: 6 * hour, Do: kitchen.Breaker{Station: "reach-in", Tripped: true}},
		kitchen.Event{At: hour + 25*minute, Every: 6 * hour, Do: kitchen.Breaker{Station: "reach-in"}}), 38, 30, 50, 20*second).until(14 * hour)
	s.clearOf("a defrost", rules.DoorOpen)
}

// The same fall by hand, and what it is not: one bad reading, a probe that falls silent, a station that
// nobody watches.
func TestDoorByHand(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.hold(40 * minute)
	b.set1(0, f(120)).sweep()
	b.set1(0, f(150)).hold(5 * minute)
	if n := b.count(rules.AlarmRaised, rules.DoorOpen); n > 0 {
		t.Errorf("one bad reading is told as a door\n%s", b.story())
	}
	at := b.now
	b.ramp(0, f(130), 40*second).fail(0, 1).hold(3 * minute)
	if a := b.alarm(rules.DoorOpen, ""); a == nil || !a.Active || !a.ValueUnknown {
		t.Errorf("a silent probe leaves %+v", a)
	}
	b.set1(0, f(129)).hold(10 * minute)
	if a := b.alarm(rules.DoorOpen, ""); a == nil || !a.Active || a.Priority != rules.Warning || a.Raised.Mono-at > minute {
		t.Errorf("after it reads again: %+v", a)
	}
	// An alarm of a door goes with the watch of its station, and does not come back with it.
	b.say(rules.MarkClose, "warmer", "", nil).hold(2 * minute)
	if a := b.alarm(rules.DoorOpen, ""); a == nil || a.Active || !strings.Contains(a.Text, "is not watched any more") {
		t.Errorf("closed: %+v", a)
	}
	b.set1(0, f(100)).hold(minute)
	b.set1(0, f(145)).set1(1, f(145)).hold(30 * minute)
	if n := b.count(rules.AlarmRaised, rules.DoorOpen); n != 1 {
		t.Errorf("armed anew it is told %d times\n%s", n, b.story())
	}
}

// Acknowledged as a lamp, it rings all the same when the door stays open; and the band leaves the door its word.
func TestDoorAcknowledgedEarly(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.hold(40*minute).ramp(0, f(125), minute)
	b.say(rules.MarkAcknowledge, "", "warmer", nil).hold(2 * minute)
	if a := b.alarm(rules.DoorOpen, ""); a == nil || a.Status != rules.Acknowledged {
		t.Fatalf("the lamp is %+v", a)
	}
	b.hold(4 * minute)
	if a := b.alarm(rules.DoorOpen, ""); a.Status != rules.Unacknowledged || a.Priority != rules.Warning {
		t.Errorf("after five minutes it is %+v", a)
	}
	if n := b.count(rules.AlarmRaised, rules.OutOfBand); n > 0 {
		t.Errorf("the band rings beside it\n%s", b.story())
	}
	b.hold(20 * minute)
	if n := b.count(rules.AlarmRaised, rules.OutOfBand); n != 1 {
		t.Errorf("a door that stays open for good is out of the band %d times", n)
	}
}

// A light cabinet whose own thermostat lets the air fall by 12 °F in a minute and a half: what falls as
// fast as that is its heat, a little faster may be either, and three times as fast is a door.
func TestDoorOrHeat(t *testing.T) {
	for _, c := range []struct {
		times float64
		want  string
	}{
		{1, ""},
		{1.45, "Its door is open, or its heat is off: look at both."},
		{3, "stands open, it seems"},
	} {
		b := newBench(t, warmer(t, "us-fda-2022"))
		wave := func(m float64) float64 { return 150 + 6*(4*math.Abs(m/3-math.Floor(m/3)-0.5)-1) } // a period of 3 min
		for b.now < 60*minute || wave(b.now.Minutes()) < 155.9 {
			b.temps[0].Temp = f(wave(b.now.Minutes()))
			b.sweep()
		}
		if n := b.count(rules.AlarmRaised, rules.DoorOpen); n > 0 {
			t.Fatalf("its own way is told as a door\n%s", b.story())
		}
		b.ramp(0, f(156-12*2*c.times), 3*minute)
		b.hold(20 * second)
		text := ""
		if b.count(rules.AlarmRaised, rules.DoorOpen) > 0 {
			text = b.first(rules.AlarmRaised, rules.DoorOpen).Text
		}
		if (text == "") != (c.want == "") || !strings.Contains(text, c.want) {
			t.Errorf("%.2f times its own fall is told as %q, want %q", c.times, text, c.want)
		}
	}
}

// What a thermostat does now and then, and what it does when the daemon has only just begun to look, are no doors.
func TestSeldomSwings(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	for b.now < 6*hour {
		v := 152 + math.Sin(2*math.Pi*b.now.Minutes()/4)
		if m := math.Mod(b.now.Minutes(), 20); m < 2 {
			v -= 11 * math.Sin(math.Pi*m/2) // each 20 min the fan changes over
		}
		b.temps[0].Temp = f(v)
		b.sweep()
	}
	if n := b.count(rules.AlarmRaised, rules.DoorOpen); n > 0 {
		t.Errorf("a change of the fan is told as a door %d times\n%s", n, b.story())
	}
	b = newBench(t, warmer(t, "us-fda-2022"))
	b.say(rules.MarkLoad, "brisket", "warmer", withProbe("core"))
	for b.now < hour {
		b.temps[0].Temp = f(150 + 6*math.Cos(2*math.Pi*b.now.Minutes()/3)) // from the top
		b.sweep()
	}
	if n := b.count(rules.AlarmRaised, rules.DoorOpen); n > 0 {
		t.Errorf("the first swing is told as a door %d times\n%s", n, b.story())
	}
}
