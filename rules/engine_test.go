package rules_test

import (
	"strings"
	"testing"
	"time"

	"holdbell/rules"
	"holdbell/rules/foodcode"
	"holdbell/sensor"
)

// bench drives an Engine through a made-up day, a sweep a second unless told.
type bench struct {
	t      testing.TB
	e      *rules.Engine
	set    rules.Setup
	now    time.Duration
	step   time.Duration
	temps  []sensor.Reading
	marks  []rules.Mark
	events []rules.Event
	boot   sensor.BootID
	wall   time.Time
	doubt  bool
	cut    time.Duration // goes through a snapshot before this sweep, when not zero
}

func code(t testing.TB, name string) rules.Code {
	t.Helper()
	c, err := foodcode.Lookup(name)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// warmer is a setup of one warmer with air and one core, a pit and a chiller.
func warmer(t testing.TB, name string) rules.Setup {
	band := &rules.Band{Low: f(140), High: f(165)}
	pit := &rules.Band{Low: f(250), High: f(300)}
	return rules.Setup{Site: "test", Units: rules.Fahrenheit, GapAllowance: 5 * time.Minute, Code: code(t, name),
		Probes: []rules.ProbeSetup{{Name: "air"}, {Name: "core"}, {Name: "core-2"}, {Name: "pit-air"}, {Name: "cold-air"}},
		Stations: []rules.StationSetup{
			{Name: "warmer", Purpose: rules.HotHolding, Air: 0, Food: []int{1}, Band: band},
			{Name: "pit", Purpose: rules.Cooking, Air: 3, Band: pit},
			{Name: "bath", Purpose: rules.Cooling, Air: 4},
			{Name: "oven", Purpose: rules.Reheating, Air: 3},
			{Name: "walkin", Purpose: rules.ColdHolding, Air: 4},
		}}
}

func f(deg float64) sensor.Temp { t, _ := sensor.FromFahrenheit(deg); return t }
func c(deg float64) sensor.Temp { t, _ := sensor.FromCelsius(deg); return t }

func newBench(t testing.TB, s rules.Setup) *bench {
	e, err := rules.New(s)
	if err != nil {
		t.Fatal(err)
	}
	b := &bench{t: t, e: e, set: s, step: time.Second, wall: time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)}
	b.temps = make([]sensor.Reading, len(s.Probes))
	for i := range b.temps {
		b.temps[i] = sensor.Reading{Temp: f(150)}
	}
	b.temps[3].Temp, b.temps[4].Temp = f(275), f(38)
	return b
}

func (b *bench) at() sensor.Instant {
	return sensor.Instant{Wall: b.wall.Add(b.now), Mono: b.now, Boot: b.boot, Believed: !b.doubt}
}

// sweep feeds one sweep at the present moment and moves on by a step.
func (b *bench) sweep() []rules.Event {
	if b.cut != 0 && b.now == b.cut {
		snap, err := b.e.Snapshot()
		if err == nil {
			b.e, err = rules.Restore(b.set, snap)
		}
		if err != nil {
			b.t.Fatal(err)
		}
	}
	evs := b.e.Step(rules.Input{Sweep: sensor.Sweep{At: b.at(), Readings: b.temps}, Marks: b.marks})
	b.marks = nil
	b.events = append(b.events, evs...)
	b.now += b.step
	return evs
}

// hold sweeps for d with readings as they are.
func (b *bench) hold(d time.Duration) *bench {
	for end := b.now + d; b.now < end; {
		b.sweep()
	}
	return b
}

// ramp moves a probe in a straight line to v over d; the reading at the end of d is v.
func (b *bench) ramp(p int, v sensor.Temp, d time.Duration) *bench {
	from, start := b.temps[p].Temp, b.now-b.step
	for b.now <= start+d {
		b.temps[p] = sensor.Reading{Temp: from + sensor.Temp(int64(v-from)*int64(b.now-start)/int64(d))}
		b.sweep()
	}
	return b
}

func (b *bench) set1(p int, v sensor.Temp) *bench { b.temps[p] = sensor.Reading{Temp: v}; return b }
func (b *bench) fail(p int, fault sensor.Fault) *bench {
	b.temps[p] = sensor.Bad(fault)
	return b
}

// say queues a mark for the next sweep, stamped now.
func (b *bench) say(kind rules.MarkKind, lot, station string, more func(*rules.Mark)) *bench {
	m := rules.Mark{At: b.at(), Kind: kind, Lot: lot, Station: station, ID: string(kind) + lot + b.now.String()}
	if more != nil {
		more(&m)
	}
	b.marks = append(b.marks, m)
	return b
}

func (b *bench) lot(name string) rules.LotState {
	b.t.Helper()
	for _, l := range b.e.State().Lots {
		if l.Lot == name {
			return l
		}
	}
	b.t.Fatalf("no lot %q; events:\n%s", name, b.story())
	return rules.LotState{}
}

func (b *bench) want(name string, v rules.Verdict) rules.LotState {
	b.t.Helper()
	l := b.lot(name)
	if l.Verdict != v {
		b.t.Errorf("at %v %s is %s (%s), want %s\n%s", b.now, name, l.Verdict, l.Text, v, b.story())
	}
	return l
}

func (b *bench) story() string {
	var s strings.Builder
	for _, ev := range b.events {
		s.WriteString(ev.At.Mono.String() + " " + string(ev.Kind) + " " + string(ev.Alarm) + " " + ev.Lot + ": " + ev.Text + "\n")
	}
	return s.String()
}

func (b *bench) count(kind rules.EventKind, alarm rules.AlarmName) int {
	n := 0
	for _, ev := range b.events {
		if ev.Kind == kind && ev.Alarm == alarm {
			n++
		}
	}
	return n
}

func (b *bench) first(kind rules.EventKind, alarm rules.AlarmName) rules.Event {
	b.t.Helper()
	for _, ev := range b.events {
		if ev.Kind == kind && ev.Alarm == alarm {
			return ev
		}
	}
	b.t.Fatalf("no event %s %s in\n%s", kind, alarm, b.story())
	return rules.Event{}
}

func near(t *testing.T, what string, got, want, within time.Duration) {
	t.Helper()
	if got < want-within || got > want+within {
		t.Errorf("%s is %v, want %v within %v", what, got, want, within)
	}
}

// The crossings of straight lines can be worked out by hand: 150 to 120 °F in 30 min passes 135 °F after
// 15 min (FDA Food Code 2022 3-501.16(A)(1)), so the fall counts 15 min, ten more minutes at 120 °F
// count whole, and the way back to 150 °F counts 15 min.
func TestClocksByHand(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.sweep()
	b.say(rules.MarkLoad, "brisket", "warmer", nil).hold(time.Minute)
	b.ramp(1, f(120), 30*time.Minute).hold(10*time.Minute).ramp(1, f(150), 30*time.Minute)
	l := b.lot("brisket")
	near(t, "danger-zone time", l.DangerZone, 40*time.Minute, time.Second)
	near(t, "below-hot-limit time", l.BelowHotLimit, 40*time.Minute, time.Second)
	if l.Unknown != 0 || l.ComeUp != 0 {
		t.Errorf("unknown %v, come-up %v, want none", l.Unknown, l.ComeUp)
	}
	raised := b.first(rules.AlarmRaised, rules.BelowHotLimit)
	crossing := time.Minute + 15*time.Minute
	near(t, "the crossing", raised.Since.Mono, crossing, time.Second)
	near(t, "the alarm", raised.At.Mono-raised.Since.Mono, 10*time.Second, time.Second)
}

// A slow recording interpolates the same crossing from two rows a minute apart.
func TestClocksFromSlowRows(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.step = 4 * time.Minute
	b.sweep()
	b.say(rules.MarkLoad, "brisket", "warmer", nil).sweep()
	b.set1(1, f(130)).sweep() // 135 °F after three quarters of the way: 1 min below
	b.sweep()                 // 4 min
	b.set1(1, f(140)).sweep() // half way: 2 min
	near(t, "danger-zone time", b.lot("brisket").DangerZone, 7*time.Minute, time.Millisecond*10)
}

// Two probes of one lot: a minute in which either is in the zone counts once.
func TestUnionOverProbes(t *testing.T) {
	s := warmer(t, "us-fda-2022")
	s.Stations[0].Food = []int{1, 2}
	b := newBench(t, s)
	b.sweep()
	b.say(rules.MarkLoad, "tray", "warmer", nil).hold(time.Minute)
	b.set1(1, f(120)).hold(10 * time.Minute)
	b.set1(2, f(120)).hold(10 * time.Minute)
	b.set1(1, f(150)).hold(10 * time.Minute)
	b.set1(2, f(150)).hold(time.Minute)
	near(t, "danger-zone time", b.lot("tray").DangerZone, 30*time.Minute, 2*time.Second)
}

// A gap up to the allowance is interpolated; a longer one counts whole and is unknown time (law 3).
func TestGaps(t *testing.T) {
	for _, tc := range []struct {
		gap             time.Duration
		danger, unknown time.Duration
	}{
		{4 * time.Minute, 0, 0},
		{6 * time.Minute, 6 * time.Minute, 6 * time.Minute},
	} {
		b := newBench(t, warmer(t, "us-fda-2022"))
		b.sweep()
		b.say(rules.MarkLoad, "brisket", "warmer", nil).hold(time.Minute)
		b.fail(1, sensor.Open).hold(tc.gap)
		open := b.lot("brisket")
		if open.DangerZone != 0 {
			t.Errorf("an open gap of %v already counts %v", tc.gap, open.DangerZone)
		}
		if open.UnknownSince.IsZero() {
			t.Errorf("an open gap of %v is not named", tc.gap)
		}
		b.set1(1, f(150)).hold(time.Minute)
		l := b.lot("brisket")
		near(t, "danger-zone time", l.DangerZone, tc.danger, 2*time.Second)
		near(t, "unknown time", l.Unknown, tc.unknown, 2*time.Second)
	}
}

// One probe dead beside one that reads: the dead one's gap counts once it is over, only once.
func TestGapBesideAValidProbe(t *testing.T) {
	s := warmer(t, "us-fda-2022")
	s.Stations[0].Food = []int{1, 2}
	b := newBench(t, s)
	b.sweep()
	b.say(rules.MarkLoad, "tray", "warmer", nil).hold(time.Minute)
	b.fail(2, sensor.Open).hold(2 * time.Minute)
	b.set1(1, f(120)).hold(3 * time.Minute) // counted at once
	b.set1(1, f(150)).hold(5 * time.Minute)
	near(t, "danger-zone time meanwhile", b.lot("tray").DangerZone, 3*time.Minute, 2*time.Second)
	b.set1(2, f(150)).hold(time.Minute)
	near(t, "danger-zone time", b.lot("tray").DangerZone, 10*time.Minute, 3*time.Second)
}

func TestStandingLotArmsAndCloses(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.set1(0, f(70)).set1(1, f(70)).hold(20 * time.Minute)
	if n := b.count(rules.AlarmRaised, rules.BelowHotLimit); n != 0 || len(b.e.State().Lots) != 0 {
		t.Fatalf("a cold empty cabinet rang %d times:\n%s", n, b.story())
	}
	b.ramp(1, f(150), 30*time.Minute).hold(4 * time.Minute)
	b.set1(0, f(150)).hold(5 * time.Minute)
	if l := b.want("warmer", rules.OK); !l.Standing {
		t.Error("the station's own lot is not called standing")
	}
	b.say(rules.MarkClose, "", "warmer", nil).hold(20 * time.Minute)
	b.ramp(1, f(70), 30*time.Minute)
	if n := b.count(rules.AlarmRaised, rules.BelowHotLimit); n != 0 {
		t.Errorf("a closed cabinet rang %d times:\n%s", n, b.story())
	}
}

func TestLoadInheritsTheStandingClocks(t *testing.T) {
	for _, fresh := range []bool{false, true} {
		b := newBench(t, warmer(t, "us-fda-2022"))
		b.hold(6 * time.Minute)
		b.set1(1, f(120)).hold(30 * time.Minute)
		b.set1(1, f(150)).hold(time.Minute)
		b.say(rules.MarkLoad, "brisket", "warmer", func(m *rules.Mark) { m.Fresh = fresh }).hold(time.Minute)
		l := b.lot("brisket")
		want := 30 * time.Minute
		if fresh {
			want = 0
		}
		near(t, "inherited danger-zone time", l.DangerZone, want, 2*time.Second)
		if open := len(b.e.State().Lots); !fresh && open != 1 {
			t.Errorf("%d lots are listed, want the one that took over", open)
		}
	}
}

func TestPowerOff(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.hold(6 * time.Minute)
	b.now += 10 * time.Minute
	b.sweep()
	if l := b.want("warmer", rules.Act); !l.Ended {
		t.Error("a standing lot outlived a power-off")
	}

	b = newBench(t, warmer(t, "us-fda-2022"))
	b.sweep()
	b.say(rules.MarkLoad, "brisket", "warmer", nil).hold(time.Minute)
	b.now += 10 * time.Minute
	b.hold(time.Minute)
	l := b.lot("brisket")
	near(t, "unknown time", l.Unknown, 10*time.Minute, 2*time.Second)
	near(t, "danger-zone time", l.DangerZone, 10*time.Minute, 2*time.Second)

	// Another boot, its wall clock not believed: the length is unknown, and the verdict says so.
	b.boot, b.doubt = sensor.BootID{1}, true
	b.hold(time.Minute)
	if l := b.want("brisket", rules.Act); !l.UnknownLength || !strings.Contains(l.Text, "unknown length") {
		t.Errorf("a power-off of unknown length is not told: %q", l.Text)
	}
}
