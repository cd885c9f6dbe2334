package rules_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"holdbell/rules"
	"holdbell/sensor"
)

// notice feeds one sweep with a word of the daemon about itself.
func (b *bench) notice(k rules.NoticeKind) *bench {
	b.events = append(b.events, b.e.Step(rules.Input{Sweep: sensor.Sweep{At: b.at(), Readings: b.temps},
		Notices: []rules.Notice{{At: b.at(), Kind: k}}})...)
	b.now += b.step
	return b
}

// withoutClock are a story's events by the monotonic clock alone, less what is said of the wall clock.
func withoutClock(events []rules.Event) (all []string) {
	for _, ev := range events {
		if ev.Kind != rules.ClockSet && ev.Alarm != rules.ClockDoubt {
			all = append(all, fmt.Sprint(ev.Kind, ev.Alarm, ev.Lot, ev.At.Mono, ev.Since.Mono, ev.Verdict, ev.State, ev.Text))
		}
	}
	return all
}

// TestClockStepsDecideNothing: whatever the wall clock does, by up to ten years either way, what the rules decide
// and when is the same.
func TestClockStepsDecideNothing(t *testing.T) {
	story := func(b *bench, step func(*bench)) []string {
		b.say(rules.MarkLoad, "brisket", "warmer", withProbe("core")).hold(2 * time.Minute)
		step(b)
		b.set1(1, f(120)).hold(12 * time.Minute)
		step(b)
		b.ramp(1, f(170), 10*time.Minute).hold(2 * time.Minute)
		step(b)
		return withoutClock(b.hold(10 * time.Minute).events)
	}
	plain := story(newBench(t, warmer(t, "us-fda-2022")), func(*bench) {})
	if len(plain) < 8 {
		t.Fatalf("the story is too short: %q", plain)
	}
	rapid.Check(t, func(r *rapid.T) {
		steps := 0
		got := story(newBench(t, warmer(t, "us-fda-2022")), func(b *bench) {
			b.wall = b.wall.Add(time.Duration(rapid.Int64Range(-10*365*24*3600, 10*365*24*3600).Draw(r, "step")) * time.Second)
			b.doubt = rapid.Bool().Draw(r, "doubt")
			steps++
		})
		if steps != 3 || !slices.Equal(got, plain) {
			r.Fatalf("with %d steps:\n%s\nwithout:\n%s", steps, strings.Join(got, "\n"), strings.Join(plain, "\n"))
		}
	})
}

func TestClockDoubt(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.doubt = true
	b.hold(5 * time.Minute)
	if n := b.count(rules.AlarmRaised, rules.ClockDoubt); n != 0 {
		t.Fatalf("raised within the time that a time service needs\n%s", b.story())
	}
	b.hold(2 * time.Second)
	if ev := b.first(rules.AlarmRaised, rules.ClockDoubt); ev.Station != "board" || ev.Priority != rules.Advice {
		t.Errorf("%+v", ev)
	}
	early := b.at()
	b.wall, b.doubt = b.wall.AddDate(6, 2, 1), false
	b.sweep()
	set := b.first(rules.ClockSet, "")
	if got, want := early.Rebase(set.At).Wall, b.wall.Add(early.Mono); !got.Equal(want) {
		t.Errorf("the event puts an earlier label at %v, want %v", got, want)
	}
	b.hold(6 * time.Minute)
	if b.count(rules.AlarmCleared, rules.ClockDoubt) != 1 || b.count(rules.ClockSet, "") != 1 {
		t.Errorf("%s", b.story())
	}
	// A step while the clock is believed, by more than 10 s: said at once, over once it ran evenly for a while.
	b.wall = b.wall.Add(9 * time.Second)
	b.hold(time.Minute)
	if b.count(rules.AlarmRaised, rules.ClockDoubt) != 1 {
		t.Errorf("9 s count as a step\n%s", b.story())
	}
	b.wall = b.wall.Add(-11 * time.Second)
	b.sweep()
	if b.count(rules.AlarmRaised, rules.ClockDoubt) != 2 || !strings.Contains(b.story(), "11 s back") {
		t.Errorf("a step is not told at once\n%s", b.story())
	}
	b.hold(6 * time.Minute)
	if b.count(rules.AlarmCleared, rules.ClockDoubt) != 2 {
		t.Errorf("%s", b.story())
	}
	// Each boot has its own time to get its clock set.
	b.off(2*time.Minute, false)
	b.hold(4 * time.Minute)
	if b.count(rules.AlarmRaised, rules.ClockDoubt) != 2 {
		t.Errorf("%s", b.story())
	}
}

func TestMainsLost(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.notice(rules.MainsOn).hold(time.Minute).notice(rules.MainsOff).hold(8 * time.Second).notice(rules.MainsOn).hold(time.Minute)
	if b.count(rules.AlarmRaised, rules.MainsLost) != 0 {
		t.Fatalf("a flicker rings\n%s", b.story())
	}
	b.notice(rules.MainsOff).hold(12 * time.Second)
	if ev := b.first(rules.AlarmRaised, rules.MainsLost); ev.Priority != rules.Warning || ev.Station != "board" {
		t.Errorf("%+v", ev)
	}
	b.restart(b.set)
	b.notice(rules.MainsUnknown).hold(5 * time.Minute)
	if b.count(rules.AlarmCleared, rules.MainsLost) != 0 {
		t.Error("a word that nobody can give any more clears the alarm")
	}
	b.notice(rules.MainsOn).hold(2 * time.Minute)
	if b.count(rules.AlarmCleared, rules.MainsLost) != 1 {
		t.Errorf("%s", b.story())
	}
}
