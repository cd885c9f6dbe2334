package ledger

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"holdbell/rules"
)

// A reader beside a writer sees what was committed and goes on seeing it; neither hinders the other.
func TestReaderBesideWriter(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	w := beginAt(t, path)
	add := func(first int) {
		t.Helper()
		commit(t, w, Batch{Layout: twoProbes, FirstSweep: uint64(first), Sweeps: sweepsFrom(first, 60, 2), Events: eventsFrom(first, 1)})
	}
	add(1)
	r, err := OpenReader(path)
	if err != nil {
		t.Fatal(err)
	}
	for first := 61; first < 400; first += 60 {
		add(first)
		events, err := r.EventsWithin(context.Background(), time.Time{}, time.Time{})
		if err != nil || len(events) != first/60+1 {
			t.Fatalf("%d events, %v, after the commit of sweep %d", len(events), err, first)
		}
	}
	if from, to, err := r.Span(context.Background()); err != nil || !from.Equal(at(1).Wall) || !to.Equal(at(420).Wall) {
		t.Errorf("span %v to %v, %v", from, to, err)
	}
	if err := r.SetCursor(context.Background(), "x", 1); !errors.Is(err, errReadOnly) {
		t.Errorf("a reader wrote: %v", err)
	}
	if err := r.Close(); err != nil {
		t.Error(err)
	}
	add(421)
}

// A copy without a log is read as it lies: not a byte and not a file is added, in a folder that nobody may
// write to.
func TestReaderLeavesNothing(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "copy.db")
	want := filled(t, path)
	if err := os.Remove(path + "-lock"); err != nil {
		t.Fatal(err)
	}
	r, err := OpenReader(path)
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for in, err := range r.Inputs(0, nil) {
		if err != nil {
			t.Fatal(err)
		}
		n += len(in.Sweep.Readings)
	}
	if n != 2*1200 {
		t.Errorf("%d readings", n)
	}
	if err := r.Close(); err != nil {
		t.Error(err)
	}
	if got, err := os.ReadFile(path); err != nil || !bytes.Equal(got, want) {
		t.Errorf("reading changed the file: %v", err)
	}
	if names, err := os.ReadDir(dir); err != nil || len(names) != 1 {
		t.Errorf("reading left files: %v, %v", names, err)
	}
}

// Whoever reads as it lies hears of a daemon that began to write meanwhile.
func TestReaderTellsOfALateWriter(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	filled(t, path)
	r, err := OpenReader(path)
	if err != nil {
		t.Fatal(err)
	}
	w := beginAt(t, path)
	commit(t, w, Batch{Layout: twoProbes, FirstSweep: 1201, Sweeps: sweepsFrom(1201, 60, 2)})
	if err := r.Close(); err == nil || !strings.Contains(err.Error(), "read it again") {
		t.Errorf("closing said %v", err)
	}
}

func TestReaderErrorsNameTheFix(t *testing.T) {
	dir := t.TempDir()
	write := func(name string, b []byte) string {
		t.Helper()
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, b, 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	good := filled(t, filepath.Join(dir, "good.db"))
	newer := bytes.Clone(good)
	newer[63] = version + 1
	other := filepath.Join(dir, "other.db")
	asOf(t, other, "7", "1")
	for path, want := range map[string]string{
		filepath.Join(dir, "none.db"):            "--ledger",
		write("text.db", []byte("not a record")): "name another file",
		write("empty.db", nil):                   "another copy",
		write("half.db", good[:len(good)/2]):     "another copy",
		write("newer.db", newer):                 "or name another file",
		other:                                    "name another file",
		dir:                                      "name another file",
	} {
		r, err := OpenReader(path)
		if err == nil {
			t.Errorf("%s was opened: %v", path, r.Close())
			continue
		}
		if !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), path) || strings.Contains(err.Error(), "ledger.path") {
			t.Errorf("%s: %v", path, err)
		}
	}
	if _, err := os.Stat(filepath.Join(dir, "none.db")); err == nil {
		t.Error("reading made a file")
	}
}

func TestEventsWithin(t *testing.T) {
	l := begin(t)
	events := eventsFrom(1, 30)
	events[4].Kind = rules.LotBegun
	events[20].Kind = rules.LotEnded
	commit(t, l, Batch{Layout: twoProbes, FirstSweep: 1, Sweeps: sweepsFrom(1, 60, 2), Events: events})
	seqs := func(from, to time.Time, kinds ...rules.EventKind) (n []uint64) {
		t.Helper()
		got, err := l.EventsWithin(context.Background(), from, to, kinds...)
		if err != nil {
			t.Fatal(err)
		}
		for i := range got {
			n = append(n, got[i].Seq)
		}
		return n
	}
	if got := seqs(at(10).Wall, at(12).Wall); !slices.Equal(got, []uint64{10, 11, 12}) {
		t.Errorf("from 10 to 12: %v", got)
	}
	if got := seqs(time.Time{}, time.Time{}, rules.LotBegun, rules.LotEnded); !slices.Equal(got, []uint64{5, 21}) {
		t.Errorf("begun and ended: %v", got)
	}
	if got := seqs(time.Time{}, at(20).Wall, rules.LotBegun, rules.LotEnded); !slices.Equal(got, []uint64{5}) {
		t.Errorf("begun and ended up to 20: %v", got)
	}
}

func TestSweepBefore(t *testing.T) {
	l := begin(t)
	for first := 1; first < 200; first += 60 {
		commit(t, l, Batch{Layout: twoProbes, FirstSweep: uint64(first), Sweeps: sweepsFrom(first, 60, 2)})
	}
	for number, want := range map[int]uint64{-5: 0, 1: 0, 60: 0, 61: 60, 130: 120, 240: 180, 1000: 240} {
		got, err := l.SweepBefore(context.Background(), at(number).Wall)
		if err != nil || got != want {
			t.Errorf("before sweep %d: %d, %v, want %d", number, got, err, want)
		}
	}
}
