package ledger

import (
	"bytes"
	"context"
	"io"
	"strings"
	"testing"
	"time"

	"holdbell/sensor"
	"holdbell/sensor/recording"
)

func TestExport(t *testing.T) {
	l := begin(t)
	if _, err := l.Export(io.Discard, time.Time{}, noon); err == nil || !strings.Contains(err.Error(), "nothing is recorded from the beginning to 2026-03-01T12:00:00Z") {
		t.Errorf("of nothing: %v", err)
	}
	commit(t, l, Batch{Layout: twoProbes, FirstSweep: 1, Sweeps: sweepsFrom(1, 60, 2)})
	commit(t, l, Batch{Layout: []string{"pit", "core"}, FirstSweep: 61, Sweeps: sweepsFrom(61, 60, 2)})
	back := sweepsFrom(121, 30, 2)
	for i := range back { // the clock was put back by 10 s
		back[i].At.Wall = back[i].At.Wall.Add(-10 * time.Second)
	}
	commit(t, l, Batch{Layout: twoProbes, FirstSweep: 121, Sweeps: back})
	span := func(from, to time.Time, wantSkipped int) []sensor.Sweep {
		t.Helper()
		var b bytes.Buffer
		skipped, err := l.Export(&b, from, to)
		if err != nil || skipped != wantSkipped {
			t.Fatalf("skipped %d, %v", skipped, err)
		}
		head, _, _ := strings.Cut(b.String(), "\n")
		probes := strings.Split(strings.ReplaceAll(strings.TrimPrefix(head, "time,"), " [C]", ""), ",")
		r, err := recording.Open(&b, "export.csv", probes)
		if err != nil {
			t.Fatal(err)
		}
		var all []sensor.Sweep
		for {
			s, err := r.Next(context.Background())
			if err == io.EOF {
				return all
			}
			if err != nil {
				t.Fatal(err)
			}
			s.Readings = append([]sensor.Reading(nil), s.Readings...)
			all = append(all, s)
		}
	}
	all := span(time.Time{}, time.Time{}, 10)
	if len(all) != 140 {
		t.Fatalf("%d rows", len(all))
	}
	stale := sensor.Bad(sensor.Stale)
	first, mid := sweep(1, 2).Readings, sweep(61, 2).Readings
	same(t, "the first row", all[0].Readings, []sensor.Reading{first[0], first[1], stale})
	same(t, "after the change", all[60].Readings, []sensor.Reading{stale, mid[1], mid[0]})
	for i, want := 0, noon; i < len(all); i++ {
		if want = want.Add(time.Second); !all[i].At.Wall.Equal(want) {
			t.Errorf("row %d at %v, want %v", i+1, all[i].At.Wall, want)
		}
	}
	if got := span(at(30).Wall, at(50).Wall, 0); len(got) != 21 || len(got[0].Readings) != 2 || !got[0].At.Wall.Equal(at(30).Wall) || !got[20].At.Wall.Equal(at(50).Wall) {
		t.Errorf("from 30 to 50: %d rows", len(got))
	}
	if got := span(at(100).Wall, time.Time{}, 10); len(got) != 41 {
		t.Errorf("from 100: %d rows", len(got))
	}
}
