package ledger

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"

	"holdbell/rules"
)

var errDisk = errors.New("the disk is on fire")

// gate is a Ledger whose commits can be held up and made to fail.
type gate struct {
	*Ledger
	mu      sync.Mutex
	shut    chan struct{} // commits wait until it is closed; nil: none does
	fail    error
	late    bool // the failure comes after the commit was made
	commits []time.Time
	batches []Batch
	reopens int
	left    int64 // free space on its disk; 0: ask the disk
}

func (g *gate) free(n int64) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.left = n
}

func (g *gate) room() (free, disk int64, err error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.left > 0 {
		return g.left, 1 << 41, nil
	}
	return g.Ledger.room()
}

func (g *gate) Reopen() error {
	g.reopens++ // by the committing goroutine alone
	return g.Ledger.Reopen()
}

func (g *gate) Commit(ctx context.Context, b Batch) error {
	g.mu.Lock()
	shut, fail, late := g.shut, g.fail, g.late
	g.commits = append(g.commits, time.Now())
	g.mu.Unlock()
	if shut != nil {
		<-shut
	}
	if fail != nil && !late {
		return fail
	}
	if err := g.Ledger.Commit(ctx, b); err != nil {
		return err
	}
	if fail != nil {
		return fail
	}
	g.mu.Lock()
	g.batches = append(g.batches, b)
	g.mu.Unlock()
	return nil
}

func (g *gate) stall() (open func()) {
	g.mu.Lock()
	defer g.mu.Unlock()
	shut := make(chan struct{})
	g.shut = shut
	return func() {
		g.mu.Lock()
		if g.shut == shut {
			g.shut = nil
		}
		g.mu.Unlock()
		close(shut)
	}
}

func (g *gate) failing(err error, late bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.fail, g.late = err, late
}

// rig is a Writer on a gate, and somebody who writes down what is told.
type rig struct {
	t      testing.TB
	g      *gate
	w      *Writer
	number int
	seq    int

	mu    sync.Mutex
	told  []rules.Event
	times []time.Time
	marks []string // ids of what was answered as durable
}

var quiet = slog.New(slog.NewTextHandler(io.Discard, nil))

func newRig(t testing.TB, l *Ledger, o WriterOptions) *rig {
	r := &rig{t: t, g: &gate{Ledger: l}, number: int(max(o.Resumed.Sweep, o.Resumed.LastSweep)), seq: int(o.Resumed.LastSeq)}
	o.Log = quiet
	o.Told = func(events []rules.Event) {
		r.mu.Lock()
		defer r.mu.Unlock()
		for _, ev := range events {
			r.told, r.times = append(r.told, ev), append(r.times, time.Now())
		}
	}
	r.w = newWriter(r.g, o)
	return r
}

// heard is what was told so far.
func (r *rig) heard() []rules.Event {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.told)
}

func (r *rig) snapshot() ([]byte, error) { return fmt.Appendf(nil, `{"sweep":%d}`, r.number), nil }

// round is one round of the loop, a second long, with so many events and with marks of these ids.
func (r *rig) round(events int, ids ...string) {
	r.add(Entry{}, events, ids...)
	time.Sleep(time.Second)
	synctest.Wait()
}

func (r *rig) add(e Entry, events int, ids ...string) {
	r.number++
	e.Probes, e.Input.Sweep, e.Snapshot = twoProbes, sweep(r.number, 2), r.snapshot
	for _, id := range ids {
		e.Input.Marks = append(e.Input.Marks, mark(r.number, id))
	}
	if events > 0 {
		e.Events = eventsFrom(r.seq+1, events)
		r.seq += events
	}
	e.Durable = func() {
		r.mu.Lock()
		defer r.mu.Unlock()
		r.marks = append(r.marks, ids...)
	}
	r.w.Add(e)
}

func (r *rig) rounds(n int) {
	for range n {
		r.round(0)
	}
}

func (r *rig) close() {
	r.t.Helper()
	if err := r.w.Close(context.Background(), r.snapshot); err != nil {
		r.t.Errorf("closing: %v", err)
	}
}

func (r *rig) recorded() uint64 { r.t.Helper(); return restore(r.t, r.g.Ledger).LastSweep }

// bubble runs f with time of its own.
func bubble(t *testing.T, f func(t *testing.T, path string)) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "ledger.db")
	synctest.Test(t, func(t *testing.T) { f(t, path) })
}

func TestBlocksClose(t *testing.T) {
	bubble(t, func(t *testing.T, path string) {
		r := newRig(t, beginAt(t, path), WriterOptions{})
		expect := func(what string, want uint64) {
			t.Helper()
			if got := r.recorded(); got != want {
				t.Errorf("%s: recorded up to sweep %d, want %d", what, got, want)
			}
		}
		r.rounds(60)
		expect("after 59 s", 0)
		r.rounds(1)
		expect("after 60 s", 61)
		r.rounds(5)
		r.round(1)
		expect("with an event", 67)
		r.round(0, "m")
		expect("with a mark", 68)
		for i := range 11 {
			expect(fmt.Sprint("alarmed, after ", i), 68)
			r.add(Entry{Alarmed: true}, 0)
			time.Sleep(time.Second)
			synctest.Wait()
		}
		expect("alarmed, after 10 s", 79)
		r.rounds(3)
		r.close()
		must(t, r.g.Reopen())
		expect("closed", 82)
		if got := restore(t, r.g.Ledger); string(got.Snapshot) != `{"sweep":82}` || got.Sweep != 82 || got.LastSeq != 1 {
			t.Errorf("restored %+v", got)
		}
		if len(r.g.batches) != 5 {
			t.Errorf("%d commits", len(r.g.batches))
		}
		r.w.Add(Entry{Probes: twoProbes})
		must(t, r.w.Close(context.Background(), nil))
	})
}

// A configuration with other probes begins a block of its own.
func TestBlocksByLayout(t *testing.T) {
	bubble(t, func(t *testing.T, path string) {
		r := newRig(t, beginAt(t, path), WriterOptions{})
		r.rounds(5)
		r.w.Add(Entry{Probes: []string{"pit"}, Input: rules.Input{Sweep: sweep(6, 1)}})
		r.number++
		must(t, r.w.Flush(context.Background(), r.snapshot))
		if in := inputs(t, r.g.Ledger, 0, nil); len(in) != 6 || len(in[5].Sweep.Readings) != 1 {
			t.Errorf("recorded: %v", in)
		}
		r.close()
	})
}

// The law: an event is told once durable, or after a second and then marked; and recorded as marked later.
func TestStall(t *testing.T) {
	bubble(t, func(t *testing.T, path string) {
		r := newRig(t, beginAt(t, path), WriterOptions{})
		r.round(1)
		if len(r.heard()) != 1 || r.heard()[0].Unrecorded {
			t.Fatalf("a sound record tells %+v", r.heard())
		}
		open := r.g.stall()
		begun := time.Now()
		r.add(Entry{}, 2, "m")
		time.Sleep(time.Second - time.Nanosecond)
		synctest.Wait()
		if len(r.heard()) != 1 {
			t.Fatalf("told before a second has passed: %+v", r.heard()[1:])
		}
		time.Sleep(time.Nanosecond)
		synctest.Wait()
		if len(r.heard()) != 3 || !r.heard()[1].Unrecorded || !r.heard()[2].Unrecorded || r.times[2].Sub(begun) != time.Second {
			t.Fatalf("after a second: %+v at %v", r.heard()[1:], r.times[1:])
		}
		if len(r.marks) > 0 {
			t.Error("the mark was answered as durable")
		}
		r.rounds(4)
		if err := r.w.Trouble(); err != nil {
			t.Errorf("after 5 s: %v", err)
		}
		r.round(1)
		if err := r.w.Trouble(); !errors.Is(err, ErrStalled) {
			t.Errorf("after 6 s: %v", err)
		}
		open()
		synctest.Wait()
		if err := r.w.Trouble(); err != nil {
			t.Errorf("when it is over: %v", err)
		}
		if !slices.Equal(r.marks, []string{"m"}) {
			t.Errorf("answered: %v", r.marks)
		}
		got := events(t, r.g.Ledger)
		if len(got) != 4 || got[0].Unrecorded || !got[1].Unrecorded || !got[2].Unrecorded || !got[3].Unrecorded {
			t.Errorf("recorded: %+v", got)
		}
		same(t, "told", r.heard(), got)
		r.close()
	})
}

// Two rounds in one commit, one told before it began and one while it was under way: both are marked.
func TestToldDuringCommit(t *testing.T) {
	bubble(t, func(t *testing.T, path string) {
		r := newRig(t, beginAt(t, path), WriterOptions{})
		open := r.g.stall()
		r.add(Entry{}, 1)
		synctest.Wait()
		r.add(Entry{}, 1)
		time.Sleep(900 * time.Millisecond)
		r.add(Entry{}, 1)
		time.Sleep(200 * time.Millisecond)
		synctest.Wait()
		again := r.g.stall()
		open()
		synctest.Wait()
		if len(r.heard()) != 2 {
			t.Errorf("told before the second commit: %+v", r.heard())
		}
		time.Sleep(time.Second)
		synctest.Wait()
		again()
		must(t, r.w.Flush(context.Background(), r.snapshot))
		synctest.Wait()
		got := events(t, r.g.Ledger)
		if len(got) != 3 || !got[2].Unrecorded {
			t.Errorf("recorded: %+v", got)
		}
		same(t, "told", r.heard(), got)
		r.close()
	})
}

// Failed commits are tried again after a pause that doubles up to a minute.
func TestRetries(t *testing.T) {
	bubble(t, func(t *testing.T, path string) {
		r := newRig(t, beginAt(t, path), WriterOptions{})
		r.g.failing(errDisk, false)
		r.add(Entry{}, 1, "m")
		time.Sleep(5 * time.Minute)
		synctest.Wait()
		if err := r.w.Trouble(); !errors.Is(err, errDisk) {
			t.Errorf("trouble: %v", err)
		}
		want := []time.Duration{1, 2, 4, 8, 16, 32, 60, 60, 60}
		for i, at := range r.g.commits[1:] {
			if d := at.Sub(r.g.commits[i]); i >= len(want) || d != want[i]*time.Second {
				t.Errorf("pause %d: %v", i, d)
			}
		}
		if len(r.g.commits) != len(want)+1 {
			t.Errorf("%d tries", len(r.g.commits))
		}
		if r.g.reopens != 3 { // after three failures each
			t.Errorf("the file was opened again %d times", r.g.reopens)
		}
		r.g.failing(nil, false)
		time.Sleep(time.Minute)
		synctest.Wait()
		if err := r.w.Trouble(); err != nil {
			t.Errorf("fine again: %v", err)
		}
		if got := events(t, r.g.Ledger); len(got) != 1 || !got[0].Unrecorded || len(r.marks) != 1 {
			t.Errorf("recorded %+v, answered %v", got, r.marks)
		}
		r.close()
	})
}

// A commit that was made, though it seemed to fail, is not made twice.
func TestUnknownOutcome(t *testing.T) {
	bubble(t, func(t *testing.T, path string) {
		r := newRig(t, beginAt(t, path), WriterOptions{})
		r.g.failing(errDisk, true)
		r.round(1, "a")
		r.round(1, "b")
		r.rounds(70)
		r.g.failing(nil, false)
		must(t, r.w.Flush(context.Background(), r.snapshot))
		if got := events(t, r.g.Ledger); len(got) != 2 || !got[0].Unrecorded || !got[1].Unrecorded {
			t.Errorf("events: %+v", got)
		}
		if got := inputs(t, r.g.Ledger, 0, nil); len(got) != 72 || len(got[0].Marks) != 1 || len(got[1].Marks) != 1 {
			t.Errorf("%d inputs", len(got))
		}
		if r.g.Moved() != "" || !slices.Equal(r.marks, []string{"a", "b"}) {
			t.Errorf("moved to %q, answered %v", r.g.Moved(), r.marks)
		}
		r.close()
	})
}

// With no ledger at all the watch goes on, and everything is recorded once there is one.
func TestNoLedger(t *testing.T) {
	bubble(t, func(t *testing.T, path string) {
		dir := filepath.Join(filepath.Dir(path), "later")
		path = filepath.Join(dir, "ledger.db")
		r := newRig(t, New(path, Options{}), WriterOptions{})
		if err := r.w.Trouble(); err == nil { // that it is not open, or already why
			t.Error("no trouble at once")
		}
		r.round(1, "m")
		r.rounds(100)
		if err := r.w.Trouble(); err == nil || !strings.Contains(err.Error(), dir) {
			t.Errorf("trouble: %v", err)
		}
		if len(r.heard()) != 1 || !r.heard()[0].Unrecorded || len(r.marks) > 0 {
			t.Errorf("told %+v, answered %v", r.heard(), r.marks)
		}
		must(t, os.Mkdir(dir, 0o700))
		r.rounds(61)
		if err := r.w.Trouble(); err != nil {
			t.Errorf("with a folder: %v", err)
		}
		if got := events(t, r.g.Ledger); len(got) != 1 || len(r.marks) != 1 {
			t.Errorf("recorded %+v, answered %v", got, r.marks)
		}
		r.close()
		sound(t, beginAt(t, path))
	})
}

// A ledger that appears with another history is kept as it is, beside a new one.
func TestAnothersHistory(t *testing.T) {
	for name, from := range map[string]Restored{"from nothing": {}, "from another ledger's copy": {Ledger: someID, Sweep: 5000, LastSeq: 100}} {
		t.Run(name, func(t *testing.T) { anothersHistory(t, from) })
	}
}

func anothersHistory(t *testing.T, from Restored) {
	bubble(t, func(t *testing.T, path string) {
		filled(t, path)
		r := newRig(t, New(path, Options{}), WriterOptions{Resumed: from})
		r.round(1)
		if !strings.HasPrefix(r.g.Moved(), path+".earlier-") {
			t.Fatalf("moved to %q", r.g.Moved())
		}
		if err := r.w.Trouble(); err == nil || !strings.Contains(err.Error(), r.g.Moved()) {
			t.Errorf("trouble: %v", err)
		}
		r.rounds(60)
		if err := r.w.Trouble(); err != nil {
			t.Errorf("a minute later: %v", err)
		}
		if got := events(t, r.g.Ledger); len(got) != 1 {
			t.Errorf("recorded %+v", got)
		}
		r.close()
		old := beginAt(t, r.g.Moved())
		if got := restore(t, old); got.LastSweep != 1200 {
			t.Errorf("what was moved aside: %+v", got)
		}
	})
}

// The same ledger, opened late, is gone on with.
func TestSameHistory(t *testing.T) {
	bubble(t, func(t *testing.T, path string) {
		filled(t, path)
		l := beginAt(t, path)
		before := restore(t, l)
		must(t, l.Close())
		r := newRig(t, New(path, Options{}), WriterOptions{Resumed: *before})
		r.round(1)
		if got := restore(t, r.g.Ledger); got.LastSweep != 1201 || got.LastSeq != before.LastSeq+1 || got.Ledger != before.Ledger {
			t.Errorf("restored %+v", got)
		}
		r.close()
	})
}

// A ledger that proves to be damaged while the watch runs is moved aside, and nothing that waits is lost.
func TestDamageWhileWriting(t *testing.T) {
	bubble(t, func(t *testing.T, path string) {
		r := newRig(t, beginAt(t, path), WriterOptions{})
		r.round(1)
		first := r.g.ID()
		r.g.broken.Store(brokenAfter)
		r.g.failing(errDamaged, false)
		r.add(Entry{}, 1, "m")
		time.Sleep(time.Second / 2)
		synctest.Wait()
		r.g.failing(nil, false)
		r.rounds(2)
		if !strings.HasPrefix(r.g.Moved(), path+".corrupt-") || r.g.ID() == first {
			t.Errorf("moved to %q", r.g.Moved())
		}
		if err := r.w.Trouble(); err == nil || !strings.Contains(err.Error(), r.g.Moved()) {
			t.Errorf("trouble: %v", err)
		}
		if got := events(t, r.g.Ledger); len(got) != 1 || got[0].Seq != 2 || len(r.marks) != 1 {
			t.Errorf("recorded %+v, answered %v", got, r.marks)
		}
		r.close()
	})
}

// Blocks go into one commit only where the record reads the same as in two.
func TestMerge(t *testing.T) {
	block := func(first, count int) *parcel {
		return &parcel{batch: Batch{Layout: twoProbes, FirstSweep: uint64(first), Sweeps: sweepsFrom(first, count, 2)}}
	}
	other := block(11, 5)
	other.batch.Layout = []string{"core", "air"}
	many := block(11, 1)
	many.told = []*telling{{events: eventsFrom(1, mergedItems+1)}}
	for name, c := range map[string]struct {
		a, b  *parcel
		want  bool
		first uint64
		count int
	}{
		"that follow":          {block(1, 10), block(11, 5), true, 1, 15},
		"with a gap":           {block(1, 10), block(12, 5), false, 1, 10},
		"of another layout":    {block(1, 10), other, false, 1, 10},
		"after a dropped one":  {block(1, 0), block(11, 5), true, 11, 5},
		"before a dropped one": {block(1, 10), block(11, 0), true, 1, 10},
		"too long together":    {block(1, mergedSweeps), block(mergedSweeps+1, 1), false, 1, mergedSweeps},
		"with too many events": {block(1, 10), many, false, 1, 10},
	} {
		got := c.a.merge(c.b)
		if b := c.a.batch; got != c.want || b.FirstSweep != c.first || len(b.Sweeps) != c.count {
			t.Errorf("%s: %v, %d sweeps from %d", name, got, len(b.Sweeps), b.FirstSweep)
		}
	}
}

// What waits is bounded: the oldest readings go, are counted, and take no event and no mark with them.
func TestBound(t *testing.T) {
	bubble(t, func(t *testing.T, path string) {
		r := newRig(t, beginAt(t, path), WriterOptions{})
		r.g.failing(errDisk, false)
		for i := range 4 * 3600 {
			r.number++
			if i%600 == 0 {
				r.number--
				r.add(Entry{}, 1, fmt.Sprint("m", i))
			} else {
				r.w.Add(Entry{Probes: twoProbes, Input: rules.Input{Sweep: sweep(r.number, 2)}, Snapshot: r.snapshot})
			}
			time.Sleep(time.Second)
		}
		dropped := r.w.Dropped()
		if dropped.Sweeps < 2*3600-600 || dropped.Sweeps > 2*3600+600 || dropped.Items != 0 {
			t.Errorf("dropped %+v", dropped)
		}
		r.g.failing(nil, false)
		must(t, r.w.Flush(context.Background(), r.snapshot))
		got := inputs(t, r.g.Ledger, 0, nil)
		if uint64(len(got))+dropped.Sweeps != 4*3600 {
			t.Errorf("%d sweeps recorded, %d dropped", len(got), dropped.Sweeps)
		}
		marks := 0
		for _, in := range got {
			marks += len(in.Marks)
		}
		if ev := events(t, r.g.Ledger); len(ev) != 24 || len(r.marks) != 24 || marks != 24 {
			t.Errorf("%d events and %d marks recorded, %d answered", len(ev), marks, len(r.marks))
		}
		if last := restore(t, r.g.Ledger); last.Sweep != 4*3600 {
			t.Errorf("the snapshot is of sweep %d", last.Sweep)
		}
		r.close()
	})
}

// At the very end marks and events are bounded too, and counted.
func TestBoundItems(t *testing.T) {
	bubble(t, func(t *testing.T, path string) {
		r := newRig(t, beginAt(t, path), WriterOptions{})
		r.g.failing(errDisk, false)
		for range 200 {
			r.round(50)
		}
		dropped := r.w.Dropped()
		if n := 200*50 - dropped.Items; n > maxItems+50 || n < maxItems-100 {
			t.Errorf("%d items wait", n)
		}
		if len(r.heard()) != 200*50 {
			t.Errorf("%d told", len(r.heard()))
		}
		r.g.failing(nil, false)
		must(t, r.w.Flush(context.Background(), r.snapshot))
		if ev := events(t, r.g.Ledger); uint64(len(ev))+dropped.Items != 200*50 {
			t.Errorf("%d events recorded, %+v dropped", len(ev), dropped)
		}
		r.close()
	})
}

// Close does not outlast its deadline, however the disk behaves, and says what is lost.
func TestCloseDeadline(t *testing.T) {
	bubble(t, func(t *testing.T, path string) {
		r := newRig(t, beginAt(t, path), WriterOptions{})
		open := r.g.stall()
		r.round(1)
		ctx, cancel := context.WithTimeout(context.Background(), 3*time.Second)
		defer cancel()
		begun := time.Now()
		if err := r.w.Close(ctx, r.snapshot); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("closing over a stall: %v", err)
		}
		if d := time.Since(begun); d != 3*time.Second {
			t.Errorf("it took %v", d)
		}
		open()
		synctest.Wait()
		if r.g.opened() {
			t.Error("the ledger is still open")
		}
	})
	bubble(t, func(t *testing.T, path string) {
		r := newRig(t, beginAt(t, path), WriterOptions{})
		r.g.failing(errDisk, false)
		r.rounds(5)
		r.add(Entry{}, 2, "m")
		err := r.w.Close(context.Background(), r.snapshot)
		if !errors.Is(err, errDisk) || !strings.Contains(err.Error(), "6 sweeps and 3 marks, notices and events are not recorded") {
			t.Errorf("closing on a broken disk: %v", err)
		}
		if len(r.heard()) != 2 || !r.heard()[1].Unrecorded {
			t.Errorf("told %+v", r.heard())
		}
	})
}

func TestFlushDeadline(t *testing.T) {
	bubble(t, func(t *testing.T, path string) {
		r := newRig(t, beginAt(t, path), WriterOptions{})
		must(t, r.w.Flush(context.Background(), nil)) // nothing waits
		open := r.g.stall()
		r.rounds(3)
		ctx, cancel := context.WithTimeout(context.Background(), time.Second)
		defer cancel()
		if err := r.w.Flush(ctx, r.snapshot); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("%v", err)
		}
		open()
		r.close()
	})
}

// Whatever the disk does: every event is told once, in order, a second after it was decided at the latest;
// what was answered is recorded; and what was told unrecorded says so in the record.
func TestWriterLaws(t *testing.T) {
	t.Parallel()
	dir := fastDir(t)
	n := 0
	rapid.Check(t, func(rt *rapid.T) {
		n++
		path := filepath.Join(dir, fmt.Sprint(n, ".db"))
		moods := rapid.SliceOfN(rapid.SampledFrom([]string{"fine", "fine", "fails", "fails late", "stalls"}), 1, 6).Draw(rt, "moods")
		lengths := rapid.SliceOfN(rapid.SampledFrom([]int{1, 2, 5, 20, 70}), len(moods), len(moods)).Draw(rt, "rounds")
		happen := rapid.SliceOfN(rapid.SampledFrom([]int{0, 0, 0, 0, 1, 2, 3}), 64, 64).Draw(rt, "happen")
		synctest.Test(t, func(t *testing.T) {
			l, err := Open(path, Options{})
			must(t, err)
			r := newRig(t, l, WriterOptions{})
			var decided []time.Time
			for i, mood := range moods {
				open := func() {}
				switch mood {
				case "fails":
					r.g.failing(errDisk, false)
				case "fails late":
					r.g.failing(errDisk, true)
				case "stalls":
					open = r.g.stall()
				}
				for range lengths[i] {
					h := happen[r.number%len(happen)]
					for range min(h, 2) {
						decided = append(decided, time.Now())
					}
					var ids []string
					if h == 3 {
						ids = []string{fmt.Sprint("m", r.number)}
					}
					r.round(min(h, 2), ids...)
				}
				r.g.failing(nil, false)
				open()
			}
			must(t, r.w.Flush(context.Background(), r.snapshot))
			synctest.Wait()
			got := events(t, l)
			same(t, "told and recorded", r.heard(), got)
			for i, ev := range r.heard() {
				if ev.Seq != uint64(i+1) || r.times[i].Sub(decided[i]) > time.Second {
					t.Errorf("event %d told as number %d after %v", ev.Seq, i+1, r.times[i].Sub(decided[i]))
				}
			}
			in := inputs(t, l, 0, nil)
			var ids []string
			for _, x := range in {
				for _, m := range x.Marks {
					ids = append(ids, m.ID)
				}
			}
			if len(in) != r.number || !slices.Equal(ids, r.marks) {
				t.Errorf("%d of %d sweeps, marks %v, answered %v", len(in), r.number, ids, r.marks)
			}
			must(t, r.w.Close(context.Background(), r.snapshot))
			beginAt(t, path) // and its checks
		})
		if t.Failed() {
			rt.Fatalf("see above")
		}
	})
}
