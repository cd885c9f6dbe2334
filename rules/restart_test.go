package rules_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"pgregory.net/rapid"

	"holdbell/rules"
	"holdbell/sensor"
)

// day draws a recording with everything that can happen in it.
func day(t *rapid.T, s rules.Setup) []rules.Input {
	n := rapid.IntRange(5, 120).Draw(t, "sweeps")
	temps := make([]sensor.Temp, len(s.Probes))
	for i := range temps {
		temps[i] = f(float64(rapid.IntRange(30, 170).Draw(t, "start")))
	}
	// A steady day drifts in even steps, so that trends come to be.
	noise := rapid.SampledFrom([]int{9000, 9000, 50}).Draw(t, "noise")
	drift := rapid.SampledFrom([]int{0, -1500, 2200}).Draw(t, "drift")
	steps := []int{1, 1, 30, 60, 240, 301, 2000}
	if noise < 100 {
		steps = []int{60, 240, 300}
	}
	now := time.Duration(0)
	wall := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	var in []rules.Input
	kinds := rules.MarkKinds()
	for i := range n {
		now += time.Duration(rapid.SampledFrom(steps).Draw(t, "step")) * time.Second
		at := sensor.Instant{Wall: wall.Add(now), Mono: now, Believed: true}
		sw := sensor.Sweep{At: at}
		for p := range temps {
			temps[p] += sensor.Temp(drift + rapid.IntRange(-noise, noise).Draw(t, "move"))
			r := sensor.Reading{Temp: temps[p]}
			if rapid.IntRange(0, 9).Draw(t, "fault") == 0 {
				r = sensor.Bad(rapid.SampledFrom([]sensor.Fault{sensor.Open, sensor.Open, sensor.ShortGND, sensor.Stale}).Draw(t, "word"))
			}
			sw.Readings = append(sw.Readings, r)
		}
		x := rules.Input{Sweep: sw}
		for range rapid.SampledFrom([]int{0, 0, 0, 1, 2}).Draw(t, "marks") {
			v := temps[1]
			ref, raw := new(sensor.Temp), new(v-300)
			*ref = v + rapid.SampledFrom([]sensor.Temp{0, 500, -2000, 40_000}).Draw(t, "off")
			x.Marks = append(x.Marks, rules.Mark{At: at.Add(-500 * time.Millisecond),
				Kind: rapid.SampledFrom(kinds).Draw(t, "kind"), Lot: rapid.SampledFrom([]string{"", "a", "b", "c"}).Draw(t, "lot"),
				Station: rapid.SampledFrom([]string{"", "warmer", "pit", "bath", "oven", "walkin"}).Draw(t, "station"),
				Probe:   rapid.SampledFrom([]string{"", "", "core", "core-2", "air"}).Draw(t, "probe"),
				Note:    rapid.SampledFrom([]string{"", "proofing", "6h"}).Draw(t, "note"),
				Fresh:   rapid.Bool().Draw(t, "fresh"),
				Made:    rapid.SampledFrom([]rules.Made{"", "", rules.MadeAmbient, rules.MadePackaged}).Draw(t, "made"),
				By:      rapid.SampledFrom([]string{"", "R. Oduya"}).Draw(t, "by"), From: "a", Temp: &v,
				Food: rapid.SampledFrom([]string{"", "beef", "ground", "poultry"}).Draw(t, "food"), Grams: 5000, Target: &v,
				Ref: rules.RefIce, True: ref, Read: &v, Raw: raw,
				Undoes: fmt.Sprint("m", i-3), ID: fmt.Sprint("m", i), Until: at.Wall.Add(time.Hour), Alarm: ""})
		}
		in = append(in, x)
	}
	return in
}

func feed(e *rules.Engine, in []rules.Input) []rules.Event {
	var out []rules.Event
	for _, x := range in {
		out = append(out, e.Step(x)...)
	}
	return out
}

// Law 2: a recording fed whole, or in two parts with a snapshot between, gives the same events and the
// same state, for every cut.
func TestRestartEquivalence(t *testing.T) {
	for _, name := range []string{"us-fda-2022", "uk", "au-nz", "guarded plan"} {
		s := planned(t, name)
		s.Stations[0].Food = []int{1, 2}
		s.Probes[1].CalibrateEvery = 2 * time.Hour
		s.Stations[1].Oven, s.GrowthLimit = rules.HumidOven, 2
		rapid.Check(t, func(t *rapid.T) {
			in := day(t, s)
			whole, err := rules.New(s)
			if err != nil {
				t.Fatal(err)
			}
			want := asJSON(t, feed(whole, in))
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
	}
}

func asJSON(t *rapid.T, v any) []byte {
	b, err := json.MarshalIndent(v, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// firstDifference shows where two texts part.
func firstDifference(got, want []byte) string {
	i := 0
	for i < min(len(got), len(want)) && got[i] == want[i] {
		i++
	}
	from := max(0, i-200)
	return fmt.Sprintf("\n%s\nwant\n%s", got[from:min(len(got), i+300)], want[from:min(len(want), i+300)])
}

// Whatever happens: clocks never run backwards or faster than time, Seq is dense, and a discard stands
// until a signed undo.
func TestLaws(t *testing.T) {
	s := warmer(t, "us-fda-2022")
	rapid.Check(t, func(t *rapid.T) {
		in := day(t, s)
		e, _ := rules.New(s)
		var seq uint64
		begun := map[string]time.Duration{}
		danger := map[string]time.Duration{}
		for _, x := range in {
			for _, ev := range e.Step(x) {
				if seq++; ev.Seq != seq {
					t.Fatalf("event %d follows %d", ev.Seq, seq-1)
				}
				if ev.Text == "" {
					t.Fatalf("event %s has no words", ev.Kind)
				}
				if ev.Kind == rules.LotBegun || ev.Kind == rules.LotEnded {
					delete(danger, ev.Lot)
					delete(begun, ev.Lot)
				}
			}
			for _, l := range e.State().Lots {
				if l.Ended {
					continue
				}
				if _, ok := begun[l.Lot]; !ok {
					begun[l.Lot], danger[l.Lot] = l.Begun.Mono, l.DangerZone
				}
				if l.DangerZone < danger[l.Lot] {
					t.Fatalf("%s: danger-zone time fell from %v to %v", l.Lot, danger[l.Lot], l.DangerZone)
				}
				danger[l.Lot] = l.DangerZone
				if alive := x.Sweep.At.Mono - l.Begun.Mono; l.DangerZone > alive || l.BelowHotLimit > alive || l.Unknown > alive {
					t.Fatalf("%s is %v old but counts %v in the zone, %v below, %v unknown", l.Lot, alive, l.DangerZone, l.BelowHotLimit, l.Unknown)
				}
				if l.Verdict == rules.OK && l.Cook != nil && l.Cook.Stage == rules.CookUnproven {
					t.Fatalf("%s is ok and its cook %+v", l.Lot, l.Cook)
				}
				if l.Verdict == rules.Act && l.Action == "" {
					t.Fatalf("%s: act without an action: %s", l.Lot, l.Text)
				}
			}
		}
	})
}

// A step in which nothing happens allocates nothing.
func TestQuietStepAllocatesNothing(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.hold(10 * time.Minute)
	in := rules.Input{Sweep: sensor.Sweep{Readings: b.temps}}
	if n := testing.AllocsPerRun(1000, func() {
		in.Sweep.At = b.at()
		b.now += b.step
		if len(b.e.Step(in)) > 0 {
			t.Error("something happened")
		}
	}); n != 0 {
		t.Errorf("a quiet step allocates %v times", n)
	}
}

func BenchmarkQuietStep(b *testing.B) {
	x := loaded(b, "us-fda-2022")
	s := x.set
	for len(s.Probes) < 8 {
		s.Probes = append(s.Probes, rules.ProbeSetup{Name: fmt.Sprint("extra-", len(s.Probes))})
	}
	x = newBench(b, s)
	for i := range x.temps {
		x.temps[i].Temp = f(150)
	}
	x.temps[3].Temp, x.temps[4].Temp = f(275), f(38)
	x.hold(10 * time.Minute)
	in := rules.Input{Sweep: sensor.Sweep{Readings: x.temps}}
	b.ReportAllocs()
	for b.Loop() {
		in.Sweep.At = x.at()
		x.now += x.step
		for i := range in.Sweep.Readings {
			in.Sweep.Readings[i].Temp ^= 1 // a live chip's last digit wanders
		}
		x.e.Step(in)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/8, "ns/probe")
}
