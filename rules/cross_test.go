package rules_test

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"holdbell/rules"
	"holdbell/rules/foodcode"
	"holdbell/sensor"
	"holdbell/sensor/condition"
)

// shelf is a station with an air probe and so many pieces, each with its own probe; the readings wander in their last
// digit as live ones do. Sweeps are a minute apart.
func shelf(t testing.TB, purpose rules.Purpose, cores int) *bench {
	s := rules.Setup{Site: "test", Units: rules.Celsius, GapAllowance: 5 * time.Minute, Code: code(t, "us-fda-2022"),
		Probes: []rules.ProbeSetup{{Name: "air"}}, Stations: []rules.StationSetup{{Name: "shelf", Purpose: purpose, Air: 0}}}
	rest := c(65)
	if purpose == rules.ColdHolding {
		rest = c(3)
	}
	for i := range cores {
		s.Probes = append(s.Probes, rules.ProbeSetup{Name: "core-" + string(rune('a'+i))})
		s.Stations[0].Food = append(s.Stations[0].Food, i+1)
	}
	e, err := rules.New(s)
	if err != nil {
		t.Fatal(err)
	}
	b := &bench{t: t, e: e, set: s, step: time.Minute, wall: time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)}
	for range s.Probes {
		b.temps = append(b.temps, sensor.Reading{Temp: rest})
	}
	b.sweep()
	for _, p := range s.Probes[1:] {
		b.say(rules.MarkLoad, "of-"+p.Name, "shelf", withProbe(p.Name))
	}
	b.sweep()
	return b
}

// rests sweeps live readings for d.
func (b *bench) rests(d time.Duration) *bench {
	for end := b.now + d; b.now < end; {
		for i := range b.temps {
			if b.temps[i].Valid() {
				b.temps[i].Temp ^= 1 + sensor.Temp(b.now/time.Minute+time.Duration(i))%3
			}
		}
		b.sweep()
	}
	return b
}

func (b *bench) disagree() (raised, cleared int) {
	return b.count(rules.AlarmRaised, rules.ProbesDisagree), b.count(rules.AlarmCleared, rules.ProbesDisagree)
}

func (b *bench) wants(what string, raised, cleared int) *bench {
	b.t.Helper()
	if r, c := b.disagree(); r != raised || c != cleared {
		b.t.Errorf("%s: raised %d times and cleared %d, want %d and %d: %+v", what, r, c, raised, cleared, b.e.State().Alarms)
	}
	return b
}

// Two probes that differ by more than both can err and 3 °C ring after two calm hours, as advice, and change nothing.
func TestTwoProbesApart(t *testing.T) {
	for _, tc := range []struct {
		name   string
		apart  sensor.Temp
		within *sensor.Temp
		good   sensor.Temp // accuracy of both; 0 unset
		raised int
	}{
		{"alike", 0, nil, 0, 0},
		{"within both and three degrees", 7_390, nil, 0, 0},
		{"beyond", 7_410, nil, 0, 1},
		{"beyond, downwards", -7_410, nil, 0, 1},
		{"good probes", 4_010, nil, 500, 1},
		{"good probes, within", 3_990, nil, 500, 0},
		{"a station that allows more", 8_000, new(c(5)), 0, 0},
		{"a station that is not compared", 30_000, new(sensor.Temp(-1)), 0, 0},
	} {
		for _, purpose := range []rules.Purpose{rules.HotHolding, rules.ColdHolding} {
			b := shelf(t, purpose, 2)
			s := b.set
			s.Stations[0].ProbesApart, s.Probes[1].Accuracy, s.Probes[2].Accuracy = tc.within, tc.good, tc.good
			b.restart(s)
			b.temps[2].Temp += tc.apart
			b.rests(2*time.Hour).wants(tc.name+", not two whole hours", 0, 0)
			b.rests(time.Hour+2*time.Minute).wants(tc.name, tc.raised, 0)
			if tc.raised == 0 {
				continue
			}
			ev := b.first(rules.AlarmRaised, rules.ProbesDisagree)
			if ev.Priority != rules.Advice || ev.Probe != "core-b" {
				t.Errorf("%s: %+v", tc.name, ev)
			}
			for _, want := range []string{"core-a", "core-b", "cannot be told", "or the pieces differ", "began 2 h ago", "hint"} {
				if !strings.Contains(ev.Text, want) {
					t.Errorf("%s: no %q in %q", tc.name, want, ev.Text)
				}
			}
		}
	}
}

// It rings and changes nothing: verdicts and clocks are those of a station whose probes are not compared.
func TestApartInvalidatesNothing(t *testing.T) {
	var lots [2][]rules.LotState
	for i, within := range []*sensor.Temp{nil, new(sensor.Temp(-1))} {
		b := shelf(t, rules.HotHolding, 3)
		s := b.set
		s.Stations[0].ProbesApart = within
		b.restart(s)
		b.temps[1].Temp = c(52)
		b.rests(5*time.Hour).wants("apart", 1-i, 0)
		lots[i] = b.e.State().Lots
	}
	for i := range lots[0] {
		if a, b := lots[0][i], lots[1][i]; a.Verdict != b.Verdict || a.Charged != b.Charged || a.DangerZone != b.DangerZone || *a.Temp != *b.Temp || a.Text != b.Text {
			t.Errorf("%+v\n%+v", a, b)
		}
	}
}

// With three the one that is furthest from the middle of the others is named, and which of two is further from the
// air is a hint.
func TestWhoIsNamed(t *testing.T) {
	b := shelf(t, rules.HotHolding, 3)
	b.temps[1].Temp, b.temps[2].Temp = c(67), c(76)
	b.rests(3*time.Hour+time.Minute).wants("three", 1, 0)
	if ev := b.first(rules.AlarmRaised, rules.ProbesDisagree); ev.Probe != "core-b" || strings.Contains(ev.Text, "cannot be told") || !strings.Contains(ev.Text, "its piece differs") {
		t.Errorf("%+v", ev)
	}
	// One in doubt is nobody's measure: the other two go on being compared.
	for range 100 {
		b.temps[3].Temp -= 75
		b.rests(time.Minute)
	}
	b.rests(3*time.Hour).wants("and one of the others", 2, 0)

	for i, hint := range []string{"core-a is further", "core-b is further"} {
		b := shelf(t, rules.HotHolding, 2)
		b.temps[1+i].Temp = c(75)
		b.rests(3*time.Hour+time.Minute).wants("two", 1, 0)
		if ev := b.first(rules.AlarmRaised, rules.ProbesDisagree); !strings.Contains(ev.Text, hint) || !strings.Contains(ev.Text, ev.Probe+" is further") {
			t.Errorf("no %q in %+v", hint, ev)
		}
	}
}

// Only hours in which nothing moved count, and none in which somebody or something did.
func TestOnlyCalmHoursCompare(t *testing.T) {
	for _, tc := range []struct {
		name string
		stir func(b *bench) // once in each hour
	}{
		{"food that moves", func(b *bench) { b.temps[2].Temp ^= 2048 }},
		{"air that moves", func(b *bench) { b.temps[0].Temp ^= 16384 }},
		{"a door", func(b *bench) { // too little to be air that moves, too fast for anything but a door
			b.every(10 * time.Second).temps[0].Temp -= 7_000
			b.rests(3 * time.Minute)
			b.temps[0].Temp += 7_000
			b.rests(3 * time.Minute).every(time.Minute)
		}},
		{"a gap", func(b *bench) {
			b.fail(2, sensor.Open).rests(6 * time.Minute)
			b.set1(2, c(80))
		}},
		{"the watch was off", func(b *bench) { b.now += 6 * time.Minute }},
		{"a mark", func(b *bench) { b.say(rules.MarkServe, "of-core-b", "", nil) }},
		{"out and in", func(b *bench) {
			b.say(rules.MarkProbeOut, "of-core-b", "", nil).rests(2 * time.Minute)
			b.say(rules.MarkProbeIn, "of-core-b", "", nil)
		}},
		{"a new piece", func(b *bench) { b.say(rules.MarkLoad, "next-"+b.now.String(), "shelf", withProbe("core-b")) }},
	} {
		b := shelf(t, rules.HotHolding, 2)
		b.temps[2].Temp = c(80)
		for range 6 {
			b.rests(30 * time.Minute)
			tc.stir(b)
			b.rests(time.Hour - b.now%time.Hour)
		}
		b.wants(tc.name, 0, 0)
		b.rests(3*time.Hour+time.Minute).wants(tc.name+", and then quiet", 1, 0)
	}
}

// A large piece that comes slowly to the temperature of its neighbours differs truly, and moves less than a degree and
// a half an hour when it is still ten degrees away.
func TestPiecesThatComeTogether(t *testing.T) {
	b := shelf(t, rules.HotHolding, 2)
	rest, apart := b.temps[1].Temp, 20_000.0
	for b.now < 40*time.Hour {
		b.temps[2].Temp = rest + sensor.Temp(apart)
		apart -= apart / (8 * 60) // a time constant of eight hours
		b.sweep()
	}
	b.wants("a piece of eight hours", 0, 0)
}

// What ends it: agreement by a degree more, a person who puts the probe right or finds it right, another calibration.
func TestApartEnds(t *testing.T) {
	begin := func() *bench {
		b := shelf(t, rules.HotHolding, 2)
		b.temps[2].Temp = c(75)
		return b.rests(4*time.Hour).wants("begin", 1, 0)
	}
	back := begin()
	back.temps[2].Temp = c(65) + 7_000
	back.rests(3*time.Hour).wants("less, but not by a degree", 1, 0)
	back.temps[2].Temp = c(65) + 6_300
	back.rests(2*time.Hour).wants("agreement", 1, 1)

	begin().fail(2, sensor.Open).rests(3*time.Hour).wants("no reading", 1, 0)
	right := begin().say(rules.MarkCorrective, "", "shelf", withProbe("core-b")).rests(time.Minute).wants("put right", 1, 1)
	if ev := right.first(rules.AlarmCleared, rules.ProbesDisagree); !strings.Contains(ev.Text, "put right") || strings.Contains(ev.Text, "hand") {
		t.Errorf("%q", ev.Text)
	}
	right.rests(4*time.Hour).wants("the other is the one in doubt", 2, 1)
	right.say(rules.MarkCheck, "of-core-a", "", signedCheck(c(65))).rests(5*time.Hour).wants("and it is right too: the pieces differ", 2, 2)

	checked := begin().say(rules.MarkCheck, "of-core-b", "", signedCheck(c(75))).rests(time.Minute).wants("a check that agrees", 1, 1)
	checked.rests(4 * time.Hour)
	if ev := checked.events[len(checked.events)-1]; ev.Probe == "core-b" {
		t.Errorf("the one found right is blamed again: %+v", ev)
	}

	b := begin()
	s := b.set
	s.Probes = append([]rules.ProbeSetup(nil), s.Probes...)
	s.Probes[2].Condition.Calibration = condition.Offset(-10_000)
	b.restart(s).rests(5*time.Hour).wants("a new calibration", 1, 1)

	b = begin()
	s = b.set
	s.Stations = append([]rules.StationSetup(nil), s.Stations...)
	s.Stations[0].ProbesApart = new(sensor.Temp(-1))
	b.restart(s).rests(5*time.Hour).wants("not compared any more", 1, 1)
}

// A hand check that contradicts a probe in doubt makes a warning of the advice, and rings it anew.
func TestHandCheckOutweighs(t *testing.T) {
	b := shelf(t, rules.HotHolding, 2)
	b.temps[2].Temp = c(75)
	b.rests(4*time.Hour).wants("advice", 1, 0)
	b.say(rules.MarkCheck, "of-core-b", "", signedCheck(c(65))).rests(2 * time.Minute)
	a := b.e.State().Alarms
	if len(a) != 1 || a[0].Priority != rules.Warning || !strings.Contains(a[0].Text, "hand thermometer said 65") {
		t.Errorf("%+v", a)
	}
}

// A probe that goes off by less than an hour shows is told by the mean of its last day against its first.
func TestDriftOverDays(t *testing.T) {
	for _, tc := range []struct {
		cores  int
		rate   sensor.Temp // an hour, from the third day on
		raised int
		says   string
	}{
		{3, 0, 0, ""},
		{3, 100, 1, "it drifts"},
		{3, -100, 1, "lower"},
		{2, 100, 1, "cannot be told"},
	} {
		b := shelf(t, rules.ColdHolding, tc.cores)
		rest := b.temps[2].Temp
		b.temps[2].Temp += 1500 // a shelf has its places
		b.rests(48*time.Hour).wants("two days", 0, 0)
		raisedAt := time.Duration(0)
		for off := sensor.Temp(0); b.now < 200*time.Hour; off += tc.rate {
			b.temps[2].Temp = rest + 1500 + min(max(off, -7_000), 5_500)
			b.rests(time.Hour)
			if n, _ := b.disagree(); n > 0 && raisedAt == 0 {
				raisedAt = b.now
				if off < 4400 && off > -4400 {
					t.Errorf("told when only %v off", off)
				}
			}
		}
		b.wants("drift", tc.raised, 0)
		if tc.raised == 0 {
			continue
		}
		ev := b.first(rules.AlarmRaised, rules.ProbesDisagree)
		if !strings.Contains(ev.Text, tc.says) || !strings.Contains(ev.Text, "core-b") || ev.Priority != rules.Advice {
			t.Errorf("%+v", ev)
		}
		// The probe is changed for a sound one: it is learned anew, and no other is blamed for what the first did.
		b.say(rules.MarkCorrective, "", "shelf", withProbe(ev.Probe))
		b.temps[2].Temp = rest
		b.rests(60*time.Hour).wants("put right", 1, 1)
	}
}

// A drift that goes back ends by itself, and the neighbour of a pair is not blamed for the way back.
func TestDriftGoesBack(t *testing.T) {
	b := shelf(t, rules.ColdHolding, 2)
	rest := b.temps[2].Temp
	b.rests(48 * time.Hour)
	for i, rate := range []sensor.Temp{100, 0, -100, 0} {
		for range 60 {
			b.temps[2].Temp += rate
			b.rests(time.Hour)
		}
		if i == 1 {
			b.wants("there", 1, 0)
		}
	}
	if d := b.temps[2].Temp - rest; d > 100 || d < -100 {
		t.Fatalf("%v away", d)
	}
	b.wants("and back", 1, 1)
}

// The hours' ends allocate nothing either.
func TestCrossCheckAllocatesNothing(t *testing.T) {
	b := shelf(t, rules.HotHolding, 5)
	b.rests(30 * time.Hour)
	if n := testing.AllocsPerRun(20, func() {
		for range 60 {
			b.live()
		}
	}); n != 0 {
		t.Errorf("a quiet hour allocates %v times", n)
	}
}

// Law 2 over days, through every state that the comparison has: for every cut the same events and the same state.
func TestCrossCheckRestarts(t *testing.T) {
	fda, _ := foodcode.Lookup("us-fda-2022")
	raised, cleared := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		s := rules.Setup{Site: "test", Units: rules.Celsius, GapAllowance: 15 * time.Minute, Code: fda,
			Probes:   []rules.ProbeSetup{{Name: "air"}, {Name: "a"}, {Name: "b"}, {Name: "c", Accuracy: 500}},
			Stations: []rules.StationSetup{{Name: "warmer", Purpose: rules.HotHolding, Air: 0, Food: []int{1, 2, 3}[:rapid.IntRange(2, 3).Draw(t, "cores")]}}}
		s.Probes[1].Condition.Calibration = condition.Offset(-300)
		var in []rules.Input
		temps := []sensor.Temp{c(66), c(65), c(65), c(65)}
		const hours = 70
		for now, n := time.Duration(0), 0; now < hours*time.Hour; now, n = now+12*time.Minute, n+1 {
			if n%5 == 0 {
				p := rapid.IntRange(1, 3).Draw(t, "probe")
				temps[p] = min(max(temps[p]+rapid.SampledFrom([]sensor.Temp{0, 0, 0, 300, 300, -300, 9_000, -9_000}).Draw(t, "by"), c(58)), c(90))
			}
			at := sensor.Instant{Wall: time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC).Add(now), Mono: now, Believed: true}
			x := rules.Input{Sweep: sensor.Sweep{At: at}}
			for p := range temps {
				x.Sweep.Readings = append(x.Sweep.Readings, sensor.Reading{Temp: temps[p] + sensor.Temp((n+p)%3)})
			}
			if n%5 == 2 && rapid.IntRange(0, 9).Draw(t, "what") == 0 {
				m := rules.Mark{At: at, Kind: rules.MarkCorrective, Station: "warmer", Probe: rapid.SampledFrom([]string{"a", "b", "c"}).Draw(t, "name"), ID: now.String()}
				if v := temps[1]; rapid.Bool().Draw(t, "check") {
					m.Kind, m.Temp = rules.MarkCheck, &v
				}
				x.Marks = append(x.Marks, m)
			}
			in = append(in, x)
		}
		whole, err := rules.New(s)
		if err != nil {
			t.Fatal(err)
		}
		events := feed(whole, in)
		for _, ev := range events {
			if ev.Alarm == rules.ProbesDisagree && ev.Kind == rules.AlarmRaised {
				raised++
			} else if ev.Alarm == rules.ProbesDisagree && ev.Kind == rules.AlarmCleared {
				cleared++
			}
		}
		want := asJSON(t, events)
		end, _ := whole.Snapshot()
		cut := rapid.IntRange(0, len(in)).Draw(t, "cut")
		first, _ := rules.New(s)
		got := feed(first, in[:cut])
		snap, err := first.Snapshot()
		if err != nil {
			t.Fatal(err)
		}
		second, err := rules.Restore(s, snap)
		if err != nil {
			t.Fatal(err)
		}
		got = append(got, feed(second, in[cut:])...)
		if g := asJSON(t, got); !bytes.Equal(g, want) {
			t.Fatalf("cut at %d of %d: %s", cut, len(in), firstDifference(g, want))
		}
		if got, _ := second.Snapshot(); !bytes.Equal(got, end) {
			t.Fatalf("cut at %d of %d the state differs: %s", cut, len(in), firstDifference(got, end))
		}
	})
	if raised == 0 || cleared == 0 {
		t.Errorf("raised %d and cleared %d: not every state was seen", raised, cleared)
	}
}
