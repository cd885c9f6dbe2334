package daemon

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"holdbell/configs"
	"holdbell/publish/ledger"
	"holdbell/rules"
	"holdbell/sensor"
	"holdbell/sensor/recording"
)

// told is what an event says, without the names of boot and ledger that a recording does not have.
type told struct {
	Seq              uint64
	Kind             rules.EventKind
	At, Since        time.Time
	Alarm            rules.AlarmName
	Station, Lot, By string
	Probe, Text      string
	Verdict          rules.Verdict
	State            rules.AlarmStatus
}

func tellings(events []rules.Event) []told {
	var all []told
	for _, e := range events {
		all = append(all, told{e.Seq, e.Kind, e.At.Wall.UTC(), e.Since.Wall.UTC(), e.Alarm, e.Station, e.Lot, e.By, e.Probe, e.Text, e.Verdict, e.State})
	}
	return all
}

// TestLiveEqualsReplay: what the daemon said of a day is what a replay says of that day's record, however
// often the daemon was stopped in between.
func TestLiveEqualsReplay(t *testing.T) {
	text := onPort("127.0.0.1:0")
	cfg := parsed(t, text)
	rapid.Check(t, func(rt *rapid.T) {
		dir, err := os.MkdirTemp("", "hb")
		if err != nil {
			rt.Fatal(err)
		}
		defer os.RemoveAll(dir)
		path := filepath.Join(dir, "l.db")
		start := noon()
		var marks []rules.Mark
		for i, at := range rapid.SliceOfN(rapid.IntRange(1, 3000), 0, 6).Draw(rt, "marks") {
			kind := rapid.SampledFrom([]rules.Mark{
				{Kind: rules.MarkLoad, Lot: "ribs", Station: "warmer"},
				{Kind: rules.MarkCheck, Lot: "warmer", Temp: new(sensor.FahrenheitLimit(150))},
				{Kind: rules.MarkNote, Station: "warmer"},
				{Kind: rules.MarkClose, Lot: "ribs"},
				{Kind: rules.MarkAcknowledge, Station: "warmer"},
			}).Draw(rt, "mark")
			kind.At, kind.By, kind.ID = start.Add(time.Duration(at)*500*time.Millisecond), "A", string(rune('a'+i))
			marks = append(marks, kind)
		}
		slices.SortStableFunc(marks, func(a, b rules.Mark) int { return cmp.Compare(a.At.Mono, b.At.Mono) })

		// The daemon is stopped and started again between the parts; the next goes on a second later.
		parts := rapid.IntRange(1, 3).Draw(rt, "parts")
		for range parts {
			var source *line
			d, err := New(cfg, Options{Ledger: path, Log: quiet(), Open: func(_ *configs.Config, newest sensor.Instant) (*Feed, error) {
				if newest.IsZero() {
					newest = start
				}
				source = newLine(newest, 2, false)
				for _, n := range rapid.SliceOfN(rapid.IntRange(1, 350), 1, 3).Draw(rt, "stretches") {
					source.play(n, rapid.SampledFrom([]int{150, 136, 134, 120, -1}).Draw(rt, "°F"))
				}
				for _, m := range marks {
					if d, _ := m.At.Sub(newest); d > 0 {
						source.marks = append(source.marks, m)
					}
				}
				return &Feed{Source: source, Now: source.now, Script: source.script}, nil
			}})
			if err != nil {
				rt.Fatal(err)
			}
			if err := d.Run(context.Background()); err != nil {
				rt.Fatal(err)
			}
		}

		l, err := ledger.Open(path, ledger.Options{})
		if err != nil {
			rt.Fatal(err)
		}
		defer l.Close()
		said, err := l.Events(context.Background(), 0, 1<<20)
		if err != nil {
			rt.Fatal(err)
		}
		var csv bytes.Buffer
		if skipped, err := l.Export(&csv, time.Time{}, time.Time{}); err != nil || skipped != 0 {
			rt.Fatalf("%d sweeps left out, %v", skipped, err)
		}
		var entered []rules.Mark
		for in, err := range l.Inputs(0, names(cfg)) {
			if err != nil {
				rt.Fatal(err)
			}
			entered = append(entered, in.Marks...)
		}
		rec, err := recording.Open(&csv, "export.csv", names(cfg))
		if err != nil {
			rt.Fatal(err)
		}
		again := replayed(rt, newEngine(t, cfg), rec, entered)
		want, got := tellings(said), tellings(again)
		for i := range max(len(want), len(got)) {
			switch {
			case i >= len(got):
				rt.Fatalf("the replay does not say\n%+v", want[i])
			case i >= len(want):
				rt.Fatalf("the daemon did not say\n%+v", got[i])
			case want[i] != got[i]:
				rt.Fatalf("the daemon said\n%+v\nthe replay says\n%+v", want[i], got[i])
			}
		}
	})
}

// replayed feeds a recording and marks to an engine, as the verb replay does.
func replayed(t rapid.TB, e *rules.Engine, rec *recording.Recording, marks []rules.Mark) []rules.Event {
	var all []rules.Event
	first := rec.Start()
	for {
		s, err := rec.Next(context.Background())
		if errors.Is(err, io.EOF) {
			return all
		}
		if err != nil {
			t.Fatal(err)
		}
		in := rules.Input{Sweep: s}
		for len(marks) > 0 && !marks[0].At.Wall.After(s.At.Wall) {
			m := marks[0]
			m.At = first.Add(m.At.Wall.Sub(first.Wall))
			in.Marks, marks = append(in.Marks, m), marks[1:]
		}
		all = append(all, e.Step(in)...)
	}
}

func quiet() *slog.Logger { return slog.New(slog.DiscardHandler) }
