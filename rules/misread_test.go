package rules_test

import (
	"bytes"
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"

	"holdbell/rules"
)

// swing lets the warmer's air go to and fro as a thermostat makes it, with core following by a share of that, and
// both falling by so much an hour.
func (b *bench) swing(d time.Duration, share, fall float64) *bench {
	air, core := b.temps[0].Temp, b.temps[1].Temp
	start := b.now
	for b.now < start+d {
		h := (b.now - start).Hours()
		wave := 2 * math.Sin(2*math.Pi*h*10) // six minutes a swing
		b.temps[0].Temp, b.temps[1].Temp = air+c(wave-fall*h), core+c(share*wave-fall*h)
		b.sweep()
	}
	b.temps[0].Temp, b.temps[1].Temp = air-c(fall*d.Hours()), core-c(fall*d.Hours())
	return b
}

// scatter lets core jump about by up to so many degrees from one reading to the next.
func (b *bench) scatter(d time.Duration, by float64) *bench {
	base, x := b.temps[1].Temp, uint32(1)
	for end := b.now + d; b.now < end; {
		x = x*1664525 + 1013904223
		b.temps[1].Temp = base + c(by*(float64(x>>8)/(1<<23)-1))
		b.sweep()
	}
	return b.set1(1, base)
}

// told is the texts of probe-fault, raised and cleared.
func (b *bench) told() (all []string) {
	for _, ev := range b.events {
		if ev.Alarm == rules.ProbeFault && (ev.Kind == rules.AlarmRaised || ev.Kind == rules.AlarmCleared) {
			all = append(all, string(ev.Kind)+": "+ev.Text)
		}
	}
	return all
}

func (b *bench) wantTold(want ...string) {
	b.t.Helper()
	got := b.told()
	ok := len(got) == len(want)
	for i := range got {
		ok = ok && strings.Contains(got[i], want[i])
	}
	if !ok {
		b.t.Errorf("told\n%s\nwant %q", strings.Join(got, "\n"), want)
	}
}

// A tip that comes out into the room falls as no food does; put back, it reads again. The clocks believe it all the
// while: nobody sees the food.
func TestProbeComesOut(t *testing.T) {
	b := loaded(t, "us-fda-2022").hold(20 * time.Minute)
	at := b.now
	b.ramp(1, f(75), 40*time.Second).hold(time.Minute)
	b.wantTold()
	b.hold(10 * time.Minute)
	b.wantTold("fell from 150 °F to")
	ev := b.first(rules.AlarmRaised, rules.ProbeFault)
	near(t, "told as of", ev.Since.Mono, at, time.Minute)
	near(t, "told", ev.At.Mono, at+2*time.Minute, time.Minute)
	if ev.Probe != "core" || ev.Priority != rules.Warning {
		t.Errorf("told of %s as %s", ev.Probe, ev.Priority)
	}
	if b.want("brisket", rules.Act).BelowHotLimit < 10*time.Minute {
		t.Error("a doubted reading stopped a clock")
	}
	b.ramp(1, f(148), 40*time.Second).hold(10 * time.Minute)
	b.wantTold("come out of its food", "reads again")
}

// What a person does is no fault: moving the probe in good time, saying so, or loading another piece.
func TestMovingAProbeIsNoFault(t *testing.T) {
	b := loaded(t, "us-fda-2022").hold(20 * time.Minute)
	b.ramp(1, f(75), 30*time.Second).ramp(1, f(149), 30*time.Second).hold(20 * time.Minute)
	b.say(rules.MarkProbeOut, "brisket", "", nil).ramp(1, f(75), 30*time.Second).hold(8 * time.Minute)
	b.ramp(1, f(149), 30*time.Second).say(rules.MarkProbeIn, "brisket", "", nil).hold(20 * time.Minute)
	b.say(rules.MarkLoad, "late", "warmer", func(m *rules.Mark) { m.Probe, m.Fresh = "core", true })
	b.ramp(1, f(100), 30*time.Second).hold(30 * time.Minute)
	b.wantTold()
	// In the air, a door is no fault.
	b.ramp(0, f(90), time.Minute).hold(10 * time.Minute)
	b.wantTold()
}

// Marked as it is put into another piece, beside the first that still stands by it, it may still be on its way.
func TestAMarkedProbeMaySettle(t *testing.T) {
	b := newBench(t, warmer(t, "us-fda-2022"))
	b.say(rules.MarkLoad, "first", "warmer", withProbe("core")).hold(30 * time.Minute)
	b.ramp(1, f(140), 10*time.Second).say(rules.MarkLoad, "second", "warmer", withProbe("core")).ramp(1, f(95), 40*time.Second)
	b.hold(30 * time.Minute).wantTold()
}

// A tip that lies in the cabinet's air moves as the air does. Food does not, even when both cool alike.
func TestProbeLiesInTheAir(t *testing.T) {
	b := loaded(t, "us-fda-2022").swing(2*time.Hour, 0.05, 0).swing(time.Hour, 0.1, 1)
	b.wantTold()
	at := b.now
	b.swing(40*time.Minute, 1, 0)
	b.wantTold("moves as the air does")
	near(t, "told", b.first(rules.AlarmRaised, rules.ProbeFault).At.Mono, at+11*time.Minute, 6*time.Minute)
	b.swing(40*time.Minute, 0.02, 0)
	b.wantTold("moves as the air does", "reads again")
	// A cabinet that dies without a sound: air and food fall side by side.
	b.hold(40*time.Minute).ramp(0, f(135), 2*time.Hour)
	for range 120 {
		b.ramp(0, b.temps[0].Temp-c(0.05), time.Minute/2).ramp(1, b.temps[1].Temp-c(0.05), time.Minute/2)
	}
	b.wantTold("moves as the air does", "reads again")
}

// A bad contact scatters. A chip's own noise, and air that swings fast, do not.
func TestProbeScatters(t *testing.T) {
	b := loaded(t, "us-fda-2022").scatter(30*time.Minute, 0.8)
	b.wantTold()
	at := b.now
	b.scatter(10*time.Minute, 8)
	b.wantTold("jumps about")
	near(t, "told", b.first(rules.AlarmRaised, rules.ProbeFault).At.Mono, at+150*time.Second, time.Minute)
	b.hold(10 * time.Minute)
	b.wantTold("jumps about", "reads again")
}

// Cut anywhere, the watch over how a probe sits goes on as if nothing had been.
func TestMisreadRestarts(t *testing.T) {
	story := func(b *bench) {
		b.swing(25*time.Minute, 1, 0).scatter(5*time.Minute, 8).swing(20*time.Minute, 0.02, 0)
		b.ramp(1, f(75), 40*time.Second).hold(5*time.Minute).ramp(1, f(148), 40*time.Second).hold(3 * time.Minute)
	}
	whole := loaded(t, "us-fda-2022").hold(6 * time.Minute)
	story(whole)
	if len(whole.told()) < 4 {
		t.Fatalf("too little happened: %q", whole.told())
	}
	want, _ := json.Marshal(whole.events)
	for cut := time.Duration(0); cut < time.Hour; cut += 7*time.Minute + 13*time.Second {
		b := loaded(t, "us-fda-2022")
		b.cut = b.now + 6*time.Minute + cut
		story(b.hold(6 * time.Minute))
		if got, _ := json.Marshal(b.events); !bytes.Equal(got, want) {
			t.Errorf("cut at %v: %s", cut, firstDifference(got, want))
		}
	}
}

// TestOlderSnapshotWithoutFit: a snapshot from before how a probe sits was remembered restores to a watch that has
// seen nothing of it, and goes on.
func TestOlderSnapshotWithoutFit(t *testing.T) {
	b := loaded(t, "us-fda-2022").hold(20 * time.Minute)
	snap, err := b.e.Snapshot()
	if err != nil {
		t.Fatal(err)
	}
	var m map[string]any
	dec := json.NewDecoder(bytes.NewReader(snap))
	dec.UseNumber() // a moment that never comes is no float
	if err := dec.Decode(&m); err != nil {
		t.Fatal(err)
	}
	for _, p := range m["Probes"].([]any) {
		if _, ok := p.(map[string]any)["Fit"]; !ok {
			t.Fatal("no Fit to leave out")
		}
		delete(p.(map[string]any), "Fit")
	}
	if snap, err = json.Marshal(m); err != nil {
		t.Fatal(err)
	}
	if b.e, err = rules.Restore(b.set, snap); err != nil {
		t.Fatal(err)
	}
	b.hold(5 * time.Minute).wantTold()
	b.ramp(1, f(75), 40*time.Second).hold(5 * time.Minute)
	b.wantTold("come out of its food")
}
