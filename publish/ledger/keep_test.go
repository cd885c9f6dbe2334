package ledger

import (
	"context"
	"fmt"
	"os"
	"testing"
	"testing/synctest"
	"time"

	"golang.org/x/sys/unix"

	"holdbell/rules"
	"holdbell/sensor"
)

// days commits sweeps in blocks of a minute, with a mark and an event now and then, and the snapshot of the last.
func days(t testing.TB, l *Ledger, sweeps int) {
	t.Helper()
	r, err := l.Restore()
	if err != nil {
		t.Fatal(err)
	}
	from, seq := int(r.LastSweep)+1, int(r.LastSeq)
	for n := from; n < from+sweeps; n += 60 {
		b := Batch{Layout: twoProbes, FirstSweep: uint64(n), Sweeps: sweepsFrom(n, 60, 2), SnapshotSweep: uint64(n + 59), Snapshot: fmt.Appendf(nil, "%d", n+59)}
		if n/60%7 == 3 {
			b.Marks = []Marked{{uint64(n + 31), mark(n+31, fmt.Sprint("m", n))}}
			seq++
			ev := event(seq)
			ev.At = at(n + 44)
			b.Events = []rules.Event{ev}
		}
		commit(t, l, b)
	}
}

// thinAll does every step that k asks for.
func thinAll(t testing.TB, l *Ledger, k Keep) (steps int) {
	t.Helper()
	for ; ; steps++ {
		more, err := l.tidy(t.Context(), k)
		if err != nil {
			t.Fatal(err)
		}
		if !more {
			return steps
		}
		if steps > 1e5 {
			t.Fatal("thinning has no end")
		}
	}
}

// TestThinningKeepsWhatARestartNeeds: after any thinning a restart finds what it found before, and marks and
// events are all there, each mark with the sweep that it came with.
func TestThinningKeepsWhatARestartNeeds(t *testing.T) {
	l := beginAt(t, fastDir(t)+"/ledger.db")
	days(t, l, 6*3600)
	// The newest snapshot is older than the newest readings, and than what age alone would thin.
	commit(t, l, Batch{Layout: twoProbes, FirstSweep: 6*3600 + 1, Sweeps: sweepsFrom(6*3600+1, 7200, 2)})
	before, err := l.Restore()
	if err != nil {
		t.Fatal(err)
	}
	rest, all := inputs(t, l, before.Sweep, nil), inputs(t, l, 0, nil)
	events, err := l.Events(t.Context(), 0, 1e6)
	if err != nil {
		t.Fatal(err)
	}
	if steps := thinAll(t, l, Keep{Full: time.Second, MaxBytes: 1}); steps < 10 {
		t.Errorf("%d steps", steps)
	}
	after, err := l.Restore()
	if err != nil {
		t.Fatal(err)
	}
	same(t, "the end of the record", after, before)
	same(t, "what a restart feeds", inputs(t, l, before.Sweep, nil), rest)
	again, err := l.Events(t.Context(), 0, 1e6)
	if err != nil {
		t.Fatal(err)
	}
	same(t, "the events", again, events)
	marks := 0
	for i := range all {
		marks += len(all[i].Marks)
	}
	if kept, err := l.MarksOf(t.Context(), rules.MarkCheck); err != nil || len(kept) != marks || marks == 0 {
		t.Errorf("%d marks of %d, %v", len(kept), marks, err)
	}
}

// TestThinnedIsReadAsBefore: the same marks come with the same sweeps, what something was told or decided with
// is to the instant, and each probe's lowest and highest are those of before.
func TestThinnedIsReadAsBefore(t *testing.T) {
	l := beginAt(t, fastDir(t)+"/ledger.db")
	days(t, l, 3*3600)
	full := inputs(t, l, 0, nil)
	if thinAll(t, l, Keep{Full: time.Hour}) == 0 {
		t.Fatal("nothing was thinned")
	}
	thinned := inputs(t, l, 0, nil)
	if len(thinned) > len(full)*3/4 {
		t.Errorf("%d sweeps are read of %d", len(thinned), len(full))
	}
	until, err := l.ThinnedUntil(t.Context())
	if d := full[len(full)-1].Sweep.At.Wall.Sub(until); err != nil || d < time.Hour || d > time.Hour+time.Hour/2 {
		t.Errorf("thinned until %v before the end, %v", d, err)
	}
	extremes := func(all []rules.Input) (got [2][2]sensor.Temp) {
		for p := range got {
			got[p] = [2]sensor.Temp{1 << 30, -1 << 30}
			for i := range all {
				if r := all[i].Sweep.Readings[p]; r.Valid() {
					got[p] = [2]sensor.Temp{min(got[p][0], r.Temp), max(got[p][1], r.Temp)}
				}
			}
		}
		return got
	}
	same(t, "lowest and highest", extremes(thinned), extremes(full))
	told := func(all []rules.Input) (with []rules.Input) {
		for i := range all {
			if len(all[i].Marks) > 0 {
				with = append(with, all[i])
			}
		}
		return with
	}
	if len(told(full)) == 0 {
		t.Fatal("no marks")
	}
	same(t, "the marks and their sweeps", told(thinned), told(full))
	there := map[time.Time]bool{}
	for i := range thinned {
		there[thinned[i].Sweep.At.Wall] = true
	}
	events, err := l.Events(t.Context(), 0, 1e6)
	if err != nil || len(events) == 0 {
		t.Fatal(err)
	}
	for _, ev := range events {
		if !there[ev.At.Wall] {
			t.Errorf("the sweep of event %d is gone", ev.Seq)
		}
	}
	faults := func(all []rules.Input) (at []time.Time) {
		for i := range all {
			if !all[i].Sweep.Readings[0].Valid() {
				at = append(at, all[i].Sweep.At.Wall)
			}
		}
		return at
	}
	same(t, "each fault", faults(thinned), faults(full))
}

// TestReadWhileItIsThinned: a reader that is overtaken by thinning sees every number once, in order.
func TestReadWhileItIsThinned(t *testing.T) {
	l := beginAt(t, fastDir(t)+"/ledger.db")
	days(t, l, 3*3600)
	n, last := 0, time.Time{}
	for b, err := range l.blocks(bounds(time.Time{}, time.Time{})) {
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range b.sweeps[len(b.sweeps)-1:] {
			if !s.At.Wall.After(last) {
				t.Fatalf("after %v comes %v", last, s.At.Wall)
			}
			last = s.At.Wall
		}
		if n++; n == 17 {
			thinAll(t, l, Keep{Full: time.Minute})
		}
	}
	if want := at(3 * 3600).Wall; !last.Equal(want) {
		t.Errorf("the last is %v, want %v", last, want)
	}
	if n < 20 || n > 60 {
		t.Errorf("%d blocks", n)
	}
}

// TestSizeIsBounded holds the record to its bound while it grows, and the keeper to removing no more than that
// takes. What is never removed must fit: here it is 1.44 MB, with what is thinned 1.59 MB.
func TestSizeIsBounded(t *testing.T) {
	l := beginAt(t, fastDir(t)+"/ledger.db")
	const bound, hours, block = 1_500_000, 80, 600
	high, n := int64(0), 1
	for range hours {
		for range 3600 / block {
			b := Batch{Layout: eightProbes, FirstSweep: uint64(n), SnapshotSweep: uint64(n + block - 1), Snapshot: []byte("x")}
			for i := range block {
				b.Sweeps = append(b.Sweeps, noisy(n+i))
			}
			commit(t, l, b)
			n += block
		}
		thinAll(t, l, Keep{Full: 72 * time.Hour, MaxBytes: bound})
		used, err := l.used(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		high = max(high, used)
	}
	if high > bound {
		t.Errorf("the record took %d bytes, its bound is %d", high, bound)
	}
	if err := l.checkpoint(t.Context()); err != nil {
		t.Fatal(err)
	}
	// Pages of removed readings are used again: the file has not grown far beyond the bound.
	if fi, err := os.Stat(l.path); err != nil || fi.Size() > 2*bound {
		t.Errorf("the file has %d bytes, %v", fi.Size(), err)
	}
	first, last, err := l.Span(t.Context())
	if err != nil || !first.After(at(1).Wall) || last.Sub(first) < fullFloor+time.Hour {
		t.Errorf("the record is from %v to %v, %v", first, last, err)
	}
	if v := verified(t, l.path, VerifyOptions{}); v.Break != nil {
		t.Errorf("%+v", v.Break)
	}
}

// TestAnUnbelievedClockMakesNothingOld: readings of before the clock was set are not taken for those of 1970.
func TestAnUnbelievedClockMakesNothingOld(t *testing.T) {
	l := beginAt(t, fastDir(t)+"/ledger.db")
	for n := 1; n <= 4*3600; n += 60 {
		sweeps := sweepsFrom(n, 60, 2)
		for i := range sweeps {
			if n < 2*3600 {
				sweeps[i].At.Wall, sweeps[i].At.Believed = sweeps[i].At.Wall.AddDate(-50, 0, 0), false
			}
		}
		commit(t, l, Batch{Layout: twoProbes, FirstSweep: uint64(n), Sweeps: sweeps, Snapshot: []byte("x"), SnapshotSweep: uint64(n + 59)})
	}
	if n := thinAll(t, l, Keep{Full: 24 * time.Hour}); n != 0 {
		t.Errorf("%d steps of thinning in a record of four hours", n)
	}
}

// TestMigrateSchema2 opens a ledger as it was made before blocks could be thinned.
func TestMigrateSchema2(t *testing.T) {
	path := older(t)
	stepped(t, path, 2)
	l := beginAt(t, path)
	if l.Moved() != "" {
		t.Fatal(l.Moved())
	}
	if got := inputs(t, l, 0, nil); len(got) != 40 {
		t.Errorf("%d inputs are left of 40", len(got))
	}
	for first := 41; first < 7200; first += 60 {
		commit(t, l, Batch{Layout: twoProbes, FirstSweep: uint64(first), Sweeps: sweepsFrom(first, 60, 2), Snapshot: []byte("x"), SnapshotSweep: uint64(first + 59)})
	}
	if thinAll(t, l, Keep{Full: time.Minute, MaxBytes: 1}) == 0 {
		t.Error("nothing was thinned")
	}
	if v := verified(t, l.path, VerifyOptions{}); v.Break != nil {
		t.Errorf("%+v", v.Break)
	}
}

// TestAFullDiskEndsHistoryAlone: under the floor readings are given up; marks, events and the rules' memory go
// on, the trouble is told, and history resumes.
func TestAFullDiskEndsHistoryAlone(t *testing.T) {
	path := t.TempDir() + "/ledger.db"
	synctest.Test(t, func(t *testing.T) {
		l := beginAt(t, path)
		r := newRig(t, l, WriterOptions{})
		r.g.free(1000)
		for range 130 {
			r.round(0)
		}
		r.round(1, "told while it was full")
		if err := r.w.Trouble(); err == nil {
			t.Error("a full disk is no trouble")
		}
		restored, err := l.Restore()
		if err != nil || restored.LastSweep != 0 || restored.LastSeq != 1 || restored.Sweep == 0 {
			t.Errorf("recorded: %+v, %v", restored, err)
		}
		if found, err := l.HasMark(t.Context(), "told while it was full"); err != nil || !found || len(r.marks) != 1 {
			t.Errorf("the mark: %v, %v, answered %v", found, err, r.marks)
		}
		if heard := r.heard(); len(heard) != 1 || heard[0].Unrecorded {
			t.Errorf("told: %+v", heard)
		}
		if d := r.w.Dropped(); d.Sweeps < 100 || d.Items != 0 {
			t.Errorf("dropped: %+v", d)
		}
		r.g.free(1 << 40)
		for range 70 {
			r.round(0)
		}
		if err := r.w.Trouble(); err != nil {
			t.Errorf("with room again: %v", err)
		}
		if restored, err = l.Restore(); err != nil || restored.LastSweep < 180 {
			t.Errorf("resumed to %+v, %v", restored, err)
		}
		if err := r.w.Close(t.Context(), r.snapshot); err != nil {
			t.Error(err)
		}
	})
}

// TestARealFullDisk fills a disk of 1 MiB in memory: nothing that was acknowledged is lost, nothing is moved
// aside, and the record goes on once there is room.
func TestARealFullDisk(t *testing.T) {
	dir := t.TempDir()
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, "size=1m"); err != nil {
		t.Skipf("a disk of its own can only be mounted by root: %v", err)
	}
	t.Cleanup(func() { _ = unix.Unmount(dir, unix.MNT_DETACH) })
	synctest.Test(t, func(t *testing.T) {
		l, err := Open(dir+"/ledger.db", Options{})
		if err != nil {
			t.Fatal(err)
		}
		r := newRig(t, l, WriterOptions{CopyPath: dir + "/copy"})
		ballast := dir + "/ballast"
		f, err := os.Create(ballast)
		if err != nil {
			t.Fatal(err)
		}
		fill := func(most int) {
			for range most {
				if _, err := f.Write(make([]byte, 4096)); err != nil {
					return
				}
			}
		}
		fill(160)
		for r.w.Trouble() == nil {
			if r.round(0); r.number > 3e4 {
				t.Fatal("400 KB held eight hours")
			}
		}
		fill(256) // until nothing goes in any more
		if err := f.Close(); err != nil {
			t.Fatal(err)
		}
		for i := range 40 {
			r.round(1, fmt.Sprint("full", i))
		}
		if r.w.Trouble() == nil {
			t.Error("a full disk is no trouble")
		}
		if n := len(r.heard()); n != 40 {
			t.Errorf("%d events were told of 40", n)
		}
		t.Logf("on the full disk %d of 40 marks were made durable, after %d sweeps", len(r.marks), r.number)
		if err := os.Remove(ballast); err != nil {
			t.Fatal(err)
		}
		for range 200 {
			r.round(0)
		}
		if err := r.w.Flush(context.Background(), r.snapshot); err != nil {
			t.Fatal(err)
		}
		for i := range 40 {
			if found, err := l.HasMark(t.Context(), fmt.Sprint("full", i)); err != nil || !found {
				t.Errorf("mark %d is lost: %v", i, err)
			}
		}
		events, err := l.Events(t.Context(), 0, 100)
		if err != nil || len(events) != 40 || events[39].Seq != 40 {
			t.Errorf("%d events are recorded, %v", len(events), err)
		}
		sound(t, l)
		if l.Moved() != "" {
			t.Errorf("a full disk is taken for damage: %s", l.Moved())
		}
		if err := r.w.Close(t.Context(), r.snapshot); err != nil {
			t.Error(err)
		}
	})
}

// TestTheLogStaysShort commits as fast as it can beside readers that are slow: the write-ahead log keeps under
// 8 MiB all the time.
func TestTheLogStaysShort(t *testing.T) {
	path := fastDir(t) + "/ledger.db"
	l := beginAt(t, path)
	days(t, l, 5*3600)
	other, err := OpenReader(path)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = other.Close() }()
	w := &slow{max: func() {
		days(t, l, 6000)
		if fi, err := os.Stat(path + "-wal"); err != nil || fi.Size() > 8<<20 {
			t.Errorf("the log has %d bytes, %v", fi.Size(), err)
		}
	}}
	if _, err := other.Export(w, time.Time{}, at(5*3600).Wall); err != nil {
		t.Fatal(err)
	}
	if w.writes < 4 {
		t.Fatalf("the reader took %d pieces", w.writes)
	}
	if err := l.checkpoint(t.Context()); err != nil {
		t.Fatal(err)
	}
	if fi, err := os.Stat(path + "-wal"); err != nil || fi.Size() != 0 {
		t.Errorf("after a checkpoint the log has %d bytes, %v", fi.Size(), err)
	}
}

// slow is a reader's outlet: the ledger grows by hours while it takes a piece.
type slow struct {
	max    func()
	writes int
}

func (s *slow) Write(b []byte) (int, error) {
	s.writes++
	s.max()
	return len(b), nil
}
