package ledger

import (
	"context"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"holdbell/sensor"
)

func TestReadings(t *testing.T) {
	l := begin(t)
	commit(t, l, Batch{Layout: twoProbes, FirstSweep: 1, Sweeps: sweepsFrom(1, 60, 2)})
	commit(t, l, Batch{Layout: []string{"pit", "core"}, FirstSweep: 61, Sweeps: sweepsFrom(61, 60, 2)})
	type seen struct {
		probes []string
		at     time.Time
		first  sensor.Reading
	}
	read := func(from, to time.Time, most int) (all []seen) {
		t.Helper()
		err := l.Readings(t.Context(), from, to, func(probes []string, s *sensor.Sweep) bool {
			all = append(all, seen{slices.Clone(probes), s.At.Wall, s.Readings[0]})
			return len(all) < most
		})
		must(t, err)
		return all
	}
	all := read(time.Time{}, time.Time{}, 1000)
	if len(all) != 120 || !slices.Equal(all[0].probes, twoProbes) || !slices.Equal(all[60].probes, []string{"pit", "core"}) {
		t.Fatalf("%d sweeps, the first %+v", len(all), all[0])
	}
	for i, s := range all {
		if want := sweep(i+1, 2); !s.at.Equal(want.At.Wall) || s.first != want.Readings[0] {
			t.Fatalf("sweep %d is %+v, want %+v", i+1, s, want)
		}
	}
	if some := read(at(50).Wall, at(70).Wall, 1000); len(some) != 21 || !some[0].at.Equal(at(50).Wall) {
		t.Errorf("a span within two blocks: %d sweeps", len(some))
	}
	if some := read(time.Time{}, time.Time{}, 7); len(some) != 7 {
		t.Errorf("ended by its reader: %d sweeps", len(some))
	}
	if none := read(at(500).Wall, time.Time{}, 1000); len(none) != 0 {
		t.Errorf("after the end: %d sweeps", len(none))
	}
	gone, cancel := context.WithCancel(t.Context())
	cancel()
	if err := l.Readings(gone, time.Time{}, time.Time{}, func([]string, *sensor.Sweep) bool { return true }); err == nil {
		t.Error("nobody waits for it any more, and it reads on")
	}
}

// A day of eight probes, as a chart asks for it.
func BenchmarkReadingsOfADay(b *testing.B) {
	l := beginAt(b, filepath.Join(b.TempDir(), "ledger.db"))
	for n := 1; n < 86400; n += 60 {
		batch := Batch{Layout: eightProbes, FirstSweep: uint64(n)}
		for i := range 60 {
			batch.Sweeps = append(batch.Sweeps, noisy(n+i))
		}
		must(b, l.Commit(context.Background(), batch))
	}
	b.ReportAllocs()
	for b.Loop() {
		sweeps := 0
		must(b, l.Readings(b.Context(), time.Time{}, time.Time{}, func(_ []string, s *sensor.Sweep) bool {
			sweeps++
			return true
		}))
		if sweeps != 86400 {
			b.Fatal(sweeps)
		}
	}
}
