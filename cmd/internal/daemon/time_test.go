package daemon

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"holdbell/publish/ledger"
	"holdbell/rules"
	"holdbell/sensor"
	"holdbell/sensor/recording"
)

// TestWallClockStepsThroughTheDaemon: with the wall clock thrown ten years either way in the middle of it all, a
// day's events come at the same moments of the monotonic clock, none more and none less but those about the clock.
func TestWallClockStepsThroughTheDaemon(t *testing.T) {
	day := func(jump func(int, *sensor.Instant)) []string {
		source := newLine(noon(), 2, true)
		source.jump = jump
		source.play(400, 150).play(240, 120).play(600, 150)
		r := begin(t, parsed(t, onPort("127.0.0.1:0")), filepath.Join(t.TempDir(), "l.db"), always(source))
		eventually(t, "the last sweep", func() bool { st := r.state.Load(); return st != nil && st.Sweeps == 1240 })
		last := r.state.Load().Seq
		r.ear.until(t, "the last event", func(ev *rules.Event) bool { return ev.Seq == last })
		r.end()
		var all []string
		for _, ev := range r.ear.events {
			if ev.Kind != rules.ClockSet && ev.Alarm != rules.ClockDoubt {
				all = append(all, fmt.Sprint(ev.Kind, ev.Alarm, ev.Verdict, ev.At.Mono, ev.Since.Mono, ev.Text))
			}
		}
		return all
	}
	plain := day(nil)
	if len(plain) < 6 {
		t.Fatalf("only %q", plain)
	}
	for _, years := range []int{-10, 10} {
		got := day(func(sweep int, at *sensor.Instant) {
			switch sweep {
			case 200, 500: // before it arms, and while food is too cold
				at.Wall = at.Wall.AddDate(years, 0, 0)
			case 405, 700:
				at.Wall = at.Wall.AddDate(-years, 0, 0)
			}
		})
		if !slices.Equal(got, plain) {
			t.Errorf("%d years:\n%s\nwithout:\n%s", years, strings.Join(got, "\n"), strings.Join(plain, "\n"))
		}
	}
}

// TestClockThatIsSetLate: a board without a clock chip starts in 2020 and learns the time after four minutes. What
// was recorded stays as it was; whoever reads sees one history without a hole, and the setting as an event.
func TestClockThatIsSetLate(t *testing.T) {
	const set = 240
	path := filepath.Join(t.TempDir(), "l.db")
	start := sensor.Instant{Wall: time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC), Mono: time.Minute, Boot: sensor.BootID{3}}
	now := noon().Wall
	source := newLine(start, 2, true)
	source.jump = func(sweep int, at *sensor.Instant) {
		if sweep == set {
			at.Wall, at.Believed = now, true
		}
	}
	load := rules.Mark{At: start.Add(10500 * time.Millisecond), Kind: rules.MarkLoad, Lot: "ribs", Station: "warmer", By: "A", ID: "one"}
	source.marks = []rules.Mark{load}
	source.play(400, 150)
	r := begin(t, parsed(t, onPort("127.0.0.1:0")), path, always(source))
	told := r.ear.until(t, "the clock", func(ev *rules.Event) bool { return ev.Kind == rules.ClockSet })
	loaded := r.ear.until(t, "the lot", func(ev *rules.Event) bool { return ev.Kind == rules.LotBegun })
	eventually(t, "the last sweep", func() bool { st := r.state.Load(); return st != nil && st.Sweeps == 400 })
	r.end()
	if loaded.At.Wall.Year() != 2020 || !told.At.Wall.Equal(now) {
		t.Errorf("told then: the lot at %v, the clock at %v", loaded.At.Wall, told.At.Wall)
	}

	l, err := ledger.OpenReader(path)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	raw := 0
	for in, err := range l.Inputs(0, nil) {
		if err != nil {
			t.Fatal(err)
		}
		if in.Sweep.At.Wall.Year() == 2020 {
			raw++
		}
	}
	if raw != set-1 {
		t.Errorf("%d sweeps are recorded under the label they had, want %d", raw, set-1)
	}
	var csv bytes.Buffer
	if skipped, err := l.Export(&csv, now.Add(-time.Hour), now.Add(time.Hour)); err != nil || skipped != 0 {
		t.Fatalf("%d skipped, %v", skipped, err)
	}
	replay, err := recording.Open(&csv, "export.csv", []string{"air", "core"})
	if err != nil {
		t.Fatal(err)
	}
	rows, last := 0, time.Time{}
	for {
		s, err := replay.Next(context.Background())
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		if rows > 0 && s.At.Wall.Sub(last) != time.Second {
			t.Errorf("row %d lies %v after the one before", rows, s.At.Wall.Sub(last))
		}
		rows, last = rows+1, s.At.Wall
	}
	if rows != 400 {
		t.Errorf("%d rows, want 400", rows)
	}
	first, end, err := l.Span(context.Background())
	if err != nil || !first.Equal(now.Add(-(set-1)*time.Second)) || !end.Equal(last) {
		t.Errorf("the record goes from %v to %v, %v", first, end, err)
	}
	events, err := l.EventsWithin(context.Background(), now.Add(-time.Hour), now.Add(time.Hour))
	if err != nil || len(events) == 0 {
		t.Fatalf("%d events, %v", len(events), err)
	}
	for i, ev := range events {
		if ev.Seq != uint64(i+1) || i > 0 && ev.At.Wall.Before(events[i-1].At.Wall) || ev.At.Wall.Year() != 2026 {
			t.Errorf("event %d of %d, %s, at %v", ev.Seq, len(events), ev.Kind, ev.At.Wall)
		}
	}
	if old, err := l.EventsWithin(context.Background(), start.Wall, start.Wall.Add(time.Hour)); err != nil || len(old) != 0 {
		t.Errorf("under the old labels %d events are found, %v", len(old), err)
	}
	after, err := l.SweepBefore(context.Background(), now.Add(-30*time.Second))
	if err != nil || after > set-30 {
		t.Errorf("a reader of the minute before begins after sweep %d, %v", after, err)
	}
}
