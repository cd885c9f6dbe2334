package ledger_test

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	mathrand "math/rand/v2"
	"net/url"
	"os"
	"path/filepath"
	"testing"
	"time"

	_ "modernc.org/sqlite"

	"holdbell/publish/ledger"
	"holdbell/rules"
	"holdbell/sensor"
)

// powerBatch is the n-th of batches that follow one another, from 1: ten sweeps, a mark, an event, a
// snapshot that says which.
func powerBatch(n uint64) ledger.Batch {
	first := (n-1)*10 + 1
	b := ledger.Batch{Layout: killProbes, FirstSweep: first, Snapshot: fmt.Appendf(nil, "%d", n), SnapshotSweep: first + 9}
	at := sensor.Instant{Wall: time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC), Mono: time.Minute, Believed: true}
	for i := range uint64(10) {
		b.Sweeps = append(b.Sweeps, sensor.Sweep{At: at.Add(time.Duration(first+i) * time.Second), Readings: killSweep(first + i)})
	}
	last := b.Sweeps[9].At
	b.Marks = []ledger.Marked{{Sweep: first + 9, Mark: rules.Mark{At: last, Kind: rules.MarkNote, Note: "looked", ID: fmt.Sprint("m", n)}}}
	b.Events = []rules.Event{{Seq: n, Kind: rules.MarkTaken, At: last, Since: last, Mark: b.Marks[0].Mark.ID, Text: "Example."}}
	return b
}

// whole opens a ledger after an accident and gives how many batches it holds, all of each or nothing.
func whole(t *testing.T, path string) uint64 {
	t.Helper()
	l, err := ledger.Open(path, ledger.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	if l.Moved() != "" {
		t.Fatalf("a power cut is taken for a damaged file: moved to %s", l.Moved())
	}
	r, err := l.Restore()
	if err != nil {
		t.Fatal(err)
	}
	n := r.LastSeq
	if r.LastSweep != n*10 || r.Sweep != n*10 || n > 0 && string(r.Snapshot) != fmt.Sprint(n) {
		t.Fatalf("%d events, sweeps to %d, snapshot %q after sweep %d: not whole batches", n, r.LastSweep, r.Snapshot, r.Sweep)
	}
	sweeps, marks := uint64(0), uint64(0)
	for in, err := range l.Inputs(0, nil) {
		if err != nil {
			t.Fatal(err)
		}
		sweeps++
		marks += uint64(len(in.Marks))
	}
	if sweeps != n*10 || marks != n {
		t.Fatalf("%d sweeps and %d marks in %d batches", sweeps, marks, n)
	}
	// It goes on from there.
	if err := l.Commit(t.Context(), powerBatch(n+1)); err != nil {
		t.Fatal(err)
	}
	return n
}

// snap copies the database and so much of its log as had reached the disk, as a power cut leaves them.
func snap(t *testing.T, path string, log func([]byte) []byte) string {
	t.Helper()
	to := filepath.Join(t.TempDir(), "ledger.db")
	// The log goes second: until a checkpoint, which these tests do not reach, the database does not change.
	for _, tail := range []string{"", "-wal"} {
		b, err := os.ReadFile(path + tail)
		if errors.Is(err, fs.ErrNotExist) && tail != "" {
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		if tail != "" {
			b = log(b)
		}
		if err := os.WriteFile(to+tail, b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return to
}

func TestAPowerCutLeavesWholeBatches(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	l, err := ledger.Open(path, ledger.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	chance := mathrand.New(mathrand.NewPCG(7, 7))
	const batches = 24
	sizes := []int64{0} // of the log once a batch was durable
	for n := range uint64(batches) {
		if err := l.Commit(t.Context(), powerBatch(n+1)); err != nil {
			t.Fatal(err)
		}
		fi, err := os.Stat(path + "-wal")
		if err != nil {
			t.Fatal(err)
		}
		sizes = append(sizes, fi.Size())
	}
	for range 60 {
		var cut int
		to := snap(t, path, func(log []byte) []byte {
			cut = chance.IntN(len(log) + 1)
			switch chance.IntN(3) {
			case 0: // the file has its length, and what was not yet written is zero
				clear(log[cut:])
				return log
			case 1: // or anything
				for i := cut; i < len(log); i++ {
					log[i] = byte(chance.Uint32())
				}
				return log
			}
			return log[:cut]
		})
		var durable uint64
		for n, size := range sizes {
			if size <= int64(cut) {
				durable = uint64(n)
			}
		}
		if got := whole(t, to); got != durable {
			t.Errorf("with %d bytes of the log %d batches are there, want %d", cut, got, durable)
		}
	}
}

func TestCopiedWhileItWrites(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	l, err := ledger.Open(path, ledger.Options{})
	if err != nil {
		t.Fatal(err)
	}
	const batches = 60 // the log stays short of a checkpoint
	committed := make(chan uint64, batches)
	failed := make(chan error, 1)
	go func() {
		defer close(committed)
		for n := range uint64(batches) {
			if err := l.Commit(context.Background(), powerBatch(n+1)); err != nil {
				failed <- err
				return
			}
			committed <- n + 1
		}
	}()
	copies := 0
	for n := range committed {
		if n%4 != 0 {
			continue
		}
		if got := whole(t, snap(t, path, func(log []byte) []byte { return log })); got < n {
			t.Errorf("a copy taken after batch %d was durable holds %d", n, got)
		}
		copies++
	}
	select {
	case err := <-failed:
		t.Fatal(err)
	default:
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if got := whole(t, path); got != batches || copies == 0 {
		t.Errorf("%d batches in the end, want %d; %d copies", got, batches, copies)
	}
}

// TestAHeldDatabaseIsToldAndThenRecorded locks the real database from outside for longer than a second.
func TestAHeldDatabaseIsToldAndThenRecorded(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	l, err := ledger.Open(path, ledger.Options{})
	if err != nil {
		t.Fatal(err)
	}
	told := make(chan []rules.Event, 8)
	w := ledger.NewWriter(l, ledger.WriterOptions{Told: func(events []rules.Event) { told <- events }})
	add := func(n uint64) chan struct{} {
		b := powerBatch(n)
		durable := make(chan struct{})
		w.Add(ledger.Entry{Probes: b.Layout, Input: rules.Input{Sweep: b.Sweeps[0]}, Events: b.Events,
			Snapshot: func() ([]byte, error) { return b.Snapshot, nil }, Durable: func() { close(durable) }})
		return durable
	}
	<-add(1)
	if got := <-told; len(got) != 1 || got[0].Unrecorded {
		t.Errorf("on a free database told was %+v", got)
	}
	other, err := sql.Open("sqlite", "file:"+url.PathEscape(path)+"?_txlock=immediate")
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	tx, err := other.BeginTx(t.Context(), nil)
	if err != nil {
		t.Fatal(err)
	}
	durable := add(2)
	if got := <-told; len(got) != 1 || got[0].Seq != 2 || !got[0].Unrecorded {
		t.Errorf("on a held database told was %+v", got)
	}
	select {
	case <-durable:
		t.Error("durable while another holds the database")
	default:
	}
	if err := tx.Rollback(); err != nil {
		t.Fatal(err)
	}
	<-durable
	if err := w.Flush(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	events, err := l.Events(t.Context(), 0, 9)
	if err != nil || len(events) != 2 || events[0].Unrecorded || !events[1].Unrecorded {
		t.Errorf("recorded: %+v, %v", events, err)
	}
	if err := w.Trouble(); err != nil {
		t.Errorf("the trouble stands: %v", err)
	}
	if err := w.Close(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
}
