package rules_test

import (
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"holdbell/rules"
	"holdbell/sensor"
)

// conversions plays a probe's conversions, one a step: "." reads, "o" is open, "g" short to ground, "x" a jump that no
// food makes. It gives the steps at which probe-fault was raised and cleared, -1 for never.
func conversions(t testing.TB, step time.Duration, play string) (b *bench, raised, cleared int) {
	b = loaded(t, "us-fda-2022")
	b.step = step
	b.hold(10 * step) // the sweep before lies a step back
	steady, begun := b.temps[1], b.now
	for i, what := range play {
		switch what {
		case '.':
			b.temps[1] = steady
		case 'o':
			b.fail(1, sensor.Open)
		case 'g':
			b.fail(1, sensor.ShortGND)
		case 'x':
			b.set1(1, steady.Temp+sensor.Temp(200_000+50_000*(i%3)))
		}
		b.sweep()
	}
	at := func(kind rules.EventKind) int {
		if b.count(kind, rules.ProbeFault) == 0 {
			return -1
		}
		return int((b.first(kind, rules.ProbeFault).At.Mono - begun) / step)
	}
	return b, at(rules.AlarmRaised), at(rules.AlarmCleared)
}

// Worked by hand from the rule: three of five to declare, five clean to clear; and from the alarm's own 5 s before it
// rings and 5 s before it clears, from the first bad reading and the first good one.
func TestFaultsAreDebounced(t *testing.T) {
	for _, tc := range []struct {
		name, play      string
		step            time.Duration
		raised, cleared int
	}{
		{"two bad ones", "oo..........", second, -1, -1},
		{"two of five, for ever", "o...oo...oo...oo...oo", second, -1, -1},
		{"three, and then well", "ooo..........", second, -1, -1},
		{"a bad contact", "o.o.o.o.o.o", second, 6, -1},
		{"open for good", "oooooooooo", second, 5, -1},
		{"open, then well", "oooooo...........", second, 5, 11},
		{"well, but for one", "oooooo....o...........", second, 5, 16},
		{"rows half a minute apart", "oooo", 30 * second, 1, -1},
		{"rows half a minute apart, then well", "oo......", 30 * second, 1, 3},
		{"rows eight seconds apart, then well", "oooo........", 8 * second, 1, 8}, // five clean at 64 s
	} {
		b, raised, cleared := conversions(t, tc.step, tc.play)
		if raised != tc.raised || cleared != tc.cleared {
			t.Errorf("%s: raised at %d and cleared at %d, want %d and %d\n%s", tc.name, raised, cleared, tc.raised, tc.cleared, b.story())
		}
		// Every one counts, and what a probe says is seen as it is.
		p := b.e.State().Probes[1]
		if want := uint64(strings.Count(tc.play, "o")); p.Faults[sensor.Open] != want {
			t.Errorf("%s: %d faults counted, want %d", tc.name, p.Faults[sensor.Open], want)
		}
		if valid := strings.HasSuffix(tc.play, "."); p.Reading.Valid() != valid || (b.lot("brisket").Temp != nil) != valid {
			t.Errorf("%s: the last reading is %v", tc.name, p.Reading)
		}
	}
}

// A lone word among others names nothing.
func TestFaultsWord(t *testing.T) {
	b, raised, _ := conversions(t, second, "ooogoo")
	if raised != 5 || !strings.Contains(b.first(rules.AlarmRaised, rules.ProbeFault).Text, "(open)") {
		t.Errorf("raised at %d:\n%s", raised, b.story())
	}
	b, _, _ = conversions(t, second, "oooggg")
	if !strings.Contains(b.first(rules.AlarmRaised, rules.ProbeFault).Text, "(short_gnd)") {
		t.Errorf("of two words the newer counts:\n%s", b.story())
	}
	b, _, _ = conversions(t, second, strings.Repeat("ooo..", 200)) // rings again, in a moment that reads
	for _, ev := range b.events {
		if ev.Kind == rules.AlarmRepeated && ev.Alarm == rules.ProbeFault {
			if !strings.Contains(ev.Text, "again and again") && !strings.Contains(ev.Text, "gives no reading") {
				t.Errorf("%s", ev.Text)
			}
			return
		}
	}
	t.Errorf("a bad contact that lasts is not told again:\n%s", b.story())
}

// A tip that is pulled out or put in is doubted by conditioning for some seconds, which rings nobody; a probe that
// goes on jumping rings.
func TestDoubtRingsLater(t *testing.T) {
	s := warmer(t, "us-fda-2022")
	s.Probes[1].Condition.MaxSlew, s.Probes[1].Condition.Bridge = 5000, 5*second
	b := newBench(t, s)
	b.hold(10 * time.Minute)
	for rest := 60_000; rest > 500; rest = rest * 7 / 9 { // a time constant of 4 s
		b.set1(1, f(150)-60_000+sensor.Temp(rest)).sweep()
	}
	b.hold(30 * second)
	if n := b.e.State().Probes[1].Faults[sensor.Spike]; n < 6 || n > 14 {
		t.Errorf("%d readings were doubted, want six to fourteen", n)
	}
	if n := b.count(rules.AlarmRaised, rules.ProbeFault); n != 0 {
		t.Errorf("a tip that was pulled out rang:\n%s", b.story())
	}
	b = newBench(t, s)
	b.hold(10 * time.Minute)
	begun := b.now
	for i := range 60 {
		b.set1(1, f(150)+sensor.Temp(i%2*100_000)).sweep()
	}
	if n := b.count(rules.AlarmRaised, rules.ProbeFault); n != 1 {
		t.Fatalf("a probe that jumps rang %d times\n%s", n, b.story())
	}
	near(t, "told", b.first(rules.AlarmRaised, rules.ProbeFault).At.Mono-begun, 16*second, 2*second)
}

// TestDebounceIsTheRule: whatever a probe does at a sweep a second, an alarm is raised only while three of the last
// five failed, never after fewer, and cleared only after five that did not.
func TestDebounceIsTheRule(t *testing.T) {
	s := warmer(t, "us-fda-2022")
	rapid.Check(t, func(t *rapid.T) {
		bad := rapid.SliceOfN(rapid.SampledFrom([]bool{false, false, true, true, true}), 10, 60).Draw(t, "bad")
		e, _ := rules.New(s)
		temps := make([]sensor.Reading, len(s.Probes))
		for i := range temps {
			temps[i].Temp = f(150)
		}
		in := func(n int) (k int) {
			for j := max(0, n-4); j <= n; j++ {
				if bad[j] {
					k++
				}
			}
			return k
		}
		declared := false
		for n, is := range bad {
			temps[1] = sensor.Reading{Temp: f(150) + sensor.Temp(n%2)}
			if is {
				temps[1] = sensor.Bad(sensor.Open)
			}
			declared = in(n) >= 3 || declared && in(n) > 0
			at := sensor.Instant{Mono: time.Duration(n) * second, Wall: time.Date(2026, 3, 1, 12, 0, n, 0, time.UTC), Believed: true}
			for _, ev := range e.Step(rules.Input{Sweep: sensor.Sweep{At: at, Readings: temps}}) {
				switch {
				case ev.Alarm != rules.ProbeFault || ev.Probe != "core":
				case ev.Kind == rules.AlarmRaised && !(is && declared):
					t.Fatalf("raised at %d: %v", n, bad[:n+1])
				case ev.Kind == rules.AlarmCleared && (n < 4 || in(n) > 0):
					t.Fatalf("cleared at %d: %v", n, bad[:n+1])
				}
			}
		}
	})
}
