package ledger

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

var noon = time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)

// at is the instant of the sweep with this number, one a second.
func at(number int) sensor.Instant {
	d := time.Duration(number) * time.Second
	return sensor.Instant{Wall: noon.Add(d), Mono: 5*time.Minute + d, Boot: sensor.BootID{7}, Believed: true}
}

// sweep is a made-up sweep of n probes.
func sweep(number, n int) sensor.Sweep {
	s := sensor.Sweep{At: at(number), Readings: make([]sensor.Reading, n)}
	for i := range s.Readings {
		s.Readings[i] = sensor.Reading{Temp: sensor.Temp(65000 + 10*i + number%7)}
	}
	if number%11 == 0 {
		s.Readings[0] = sensor.Bad(sensor.Open)
	}
	return s
}

func sweepsFrom(first, count, n int) []sensor.Sweep {
	var all []sensor.Sweep
	for i := range count {
		all = append(all, sweep(first+i, n))
	}
	return all
}

func event(seq int) rules.Event {
	t := sensor.Temp(56123)
	return rules.Event{Seq: uint64(seq), Kind: rules.AlarmRaised, At: at(seq), Since: at(seq - 1), Alarm: rules.BelowHotLimit,
		Station: "warmer", Lot: "ribs", Probe: "core", Priority: rules.Critical, State: rules.Unacknowledged, Verdict: rules.Act,
		Temp: &t, Basis: "x", Text: fmt.Sprintf("Event %d: “ribs” at 133 °F.", seq)}
}

func eventsFrom(first, count int) []rules.Event {
	var all []rules.Event
	for i := range count {
		all = append(all, event(first+i))
	}
	return all
}

func mark(number int, id string) rules.Mark {
	t := sensor.Temp(74000)
	return rules.Mark{At: at(number), Kind: rules.MarkCheck, Lot: "ribs", Note: "C=74 ok", By: "R. Oduya", ID: id, Temp: &t}
}

// begin opens a new ledger that is checked when the test ends.
func begin(t testing.TB) *Ledger {
	t.Helper()
	return beginAt(t, filepath.Join(t.TempDir(), "ledger.db"))
}

func beginAt(t testing.TB, path string) *Ledger {
	t.Helper()
	l, err := Open(path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if !l.opened() {
			if err := l.Reopen(); err != nil {
				t.Fatalf("opening again for the check: %v", err)
			}
		}
		sound(t, l)
		if err := l.Close(); err != nil {
			t.Errorf("closing: %v", err)
		}
	})
	return l
}

// sound holds what must be true of every ledger at any time.
func sound(t testing.TB, l *Ledger) {
	t.Helper()
	c, err := l.conns()
	if err != nil {
		t.Fatal(err)
	}
	var says string
	if err := c.reader.QueryRow(`PRAGMA integrity_check`).Scan(&says); err != nil || says != "ok" {
		t.Errorf("integrity check: %s, %v", says, err)
	}
	var last uint64
	for b, err := range l.blocks(bounds(time.Time{}, time.Time{})) {
		if err != nil {
			t.Fatalf("a block: %v", err)
		}
		if b.first <= last {
			t.Errorf("block %d begins within the one that ends at %d", b.first, last)
		}
		last = b.last()
	}
	for seq, all := uint64(0), true; all; {
		events, err := l.Events(context.Background(), seq, 1000)
		if err != nil {
			t.Fatalf("events: %v", err)
		}
		for _, ev := range events {
			if ev.Seq <= seq {
				t.Errorf("event %d after %d", ev.Seq, seq)
			}
			seq = ev.Seq
		}
		all = len(events) > 0
	}
	for in, err := range l.Inputs(0, nil) {
		if err != nil || len(in.Sweep.Readings) == 0 {
			t.Fatalf("inputs: %v %v", in, err)
		}
	}
}

// fastRoot is in memory.
const fastRoot = "/dev/shm"

// fastDir is a folder in memory where there is one. Tests that commit thousands of times prove nothing of
// the disk.
func fastDir(t testing.TB) string {
	t.Helper()
	dir, err := os.MkdirTemp(fastRoot, "holdbell")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	return dir
}

func commit(t testing.TB, l *Ledger, b Batch) {
	t.Helper()
	if err := l.Commit(context.Background(), b); err != nil {
		t.Fatal(err)
	}
}

// same compares by the JSON that goes to the disk.
func same(t testing.TB, what string, got, want any) {
	t.Helper()
	g, err := json.Marshal(got)
	if err != nil {
		t.Fatal(err)
	}
	w, err := json.Marshal(want)
	if err != nil {
		t.Fatal(err)
	}
	if string(g) != string(w) {
		t.Errorf("%s:\n%s\nwant\n%s", what, g, w)
	}
}

func events(t testing.TB, l *Ledger) []rules.Event {
	t.Helper()
	all, err := l.Events(context.Background(), 0, 1<<20)
	if err != nil {
		t.Fatal(err)
	}
	return all
}

func inputs(t testing.TB, l *Ledger, after uint64, layout []string) []rules.Input {
	t.Helper()
	var all []rules.Input
	for in, err := range l.Inputs(after, layout) {
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, in)
	}
	return all
}

func restore(t testing.TB, l *Ledger) *Restored {
	t.Helper()
	r, err := l.Restore()
	if err != nil {
		t.Fatal(err)
	}
	return r
}

var twoProbes = []string{"air", "core"}

func TestCommitRoundTrip(t *testing.T) {
	l := begin(t)
	if r := restore(t, l); r.Snapshot != nil || r.LastSweep != 0 || r.LastSeq != 0 || !r.Newest.IsZero() || len(r.Ledger) != 32 || r.Ledger != l.ID() {
		t.Errorf("a new ledger restores %+v", r)
	}
	sweeps := sweepsFrom(1, 90, 2)
	commit(t, l, Batch{Layout: twoProbes, FirstSweep: 1, Sweeps: sweeps[:60],
		Marks:   []Marked{{10, mark(10, "a")}, {10, mark(10, "b")}, {60, mark(60, "")}},
		Notices: []Noticed{{60, rules.Notice{At: at(60), Kind: rules.LedgerFine}}},
		Events:  eventsFrom(1, 3), Snapshot: []byte(`{"x":1}`), SnapshotSweep: 60})
	commit(t, l, Batch{Layout: twoProbes, FirstSweep: 61, Sweeps: sweeps[60:], Events: eventsFrom(4, 1)})
	if err := l.Reopen(); err != nil {
		t.Fatal(err)
	}
	r := restore(t, l)
	if string(r.Snapshot) != `{"x":1}` || r.Sweep != 60 || r.LastSeq != 4 || r.LastSweep != 90 || r.Newest != sweeps[89].At {
		t.Errorf("restored %+v", r)
	}
	same(t, "events", events(t, l), eventsFrom(1, 4))
	want := make([]rules.Input, 90)
	for i := range want {
		want[i].Sweep = sweeps[i]
	}
	want[9].Marks = []rules.Mark{mark(10, "a"), mark(10, "b")}
	want[59].Marks = []rules.Mark{mark(60, "")}
	want[59].Notices = []rules.Notice{{At: at(60), Kind: rules.LedgerFine}}
	for _, after := range []int{0, 9, 10, 59, 60, 61, 89, 90, 500} {
		same(t, fmt.Sprint("inputs after ", after), inputs(t, l, uint64(after), twoProbes), append([]rules.Input(nil), want[min(after, 90):]...))
	}
	for id, want := range map[string]bool{"a": true, "b": true, "c": false, "": false} {
		if got, err := l.HasMark(context.Background(), id); err != nil || got != want {
			t.Errorf("HasMark(%q) = %v, %v", id, got, err)
		}
	}
	if some, err := l.Events(context.Background(), 1, 2); err != nil || len(some) != 2 || some[0].Seq != 2 {
		t.Errorf("two events after 1: %v, %v", some, err)
	}
}

// A commit whose caller never learned of it is sent again; the same numbers with another content are another
// daemon's.
func TestCommitTwice(t *testing.T) {
	l := begin(t)
	first := Batch{Layout: twoProbes, FirstSweep: 1, Sweeps: sweepsFrom(1, 5, 2), Marks: []Marked{{3, mark(3, "m")}},
		Events: eventsFrom(1, 2), Snapshot: []byte("s"), SnapshotSweep: 5}
	commit(t, l, first)
	again := first
	again.Events = eventsFrom(1, 2)
	again.Events[1].Unrecorded = true // told while the first try was on its way
	commit(t, l, again)
	got := events(t, l)
	if len(got) != 2 || got[0].Unrecorded || !got[1].Unrecorded {
		t.Errorf("after the second try: %+v", got)
	}
	if in := inputs(t, l, 0, nil); len(in) != 5 || len(in[2].Marks) != 1 {
		t.Errorf("after the second try: %d sweeps", len(in))
	}
	for name, b := range map[string]Batch{
		"sweeps": {Layout: twoProbes, FirstSweep: 5, Sweeps: sweepsFrom(5, 2, 2)},
		"events": {Events: eventsFrom(2, 1), Snapshot: []byte("other")},
		"both":   {Layout: twoProbes, FirstSweep: 1, Sweeps: sweepsFrom(2, 5, 2), Events: eventsFrom(1, 2)},
	} {
		if err := l.Commit(context.Background(), b); err == nil {
			t.Errorf("%s again: no error", name)
		} else if !errors.Is(err, ErrConflict) {
			t.Errorf("%s again: %v", name, err)
		}
	}
	same(t, "events after what was refused", events(t, l), got)
	commit(t, l, Batch{Unrecorded: []uint64{1, 99}})
	if got := events(t, l); !got[0].Unrecorded {
		t.Error("event 1 is not marked as told before it was recorded")
	}
}

func TestCommitRefuses(t *testing.T) {
	l := begin(t)
	bad := sensor.Sweep{At: at(1), Readings: []sensor.Reading{{Fault: sensor.NumFaults}, {}}}
	for name, sweeps := range map[string][]sensor.Sweep{"three readings": sweepsFrom(1, 1, 3), "an unknown fault": {bad}} {
		if err := l.Commit(context.Background(), Batch{Layout: twoProbes, FirstSweep: 1, Sweeps: sweeps}); err == nil {
			t.Errorf("%s of two probes: no error", name)
		}
	}
	if r := restore(t, l); r.LastSweep != 0 {
		t.Errorf("something was recorded: %+v", r)
	}
}

// Probes come, go and change places; readings follow their names.
func TestInputsLayouts(t *testing.T) {
	l := begin(t)
	commit(t, l, Batch{Layout: twoProbes, FirstSweep: 1, Sweeps: sweepsFrom(1, 3, 2)})
	commit(t, l, Batch{Layout: []string{"core", "pit", "air"}, FirstSweep: 4, Sweeps: sweepsFrom(4, 2, 3)})
	commit(t, l, Batch{Layout: twoProbes, FirstSweep: 6, Sweeps: sweepsFrom(6, 1, 2)})
	got := inputs(t, l, 1, []string{"air", "pit"})
	if len(got) != 5 {
		t.Fatalf("%d inputs", len(got))
	}
	old, mid := sweep(2, 2), sweep(5, 3)
	same(t, "before the change", got[0].Sweep.Readings, []sensor.Reading{old.Readings[0], sensor.Bad(sensor.Stale)})
	same(t, "after it", got[3].Sweep.Readings, []sensor.Reading{mid.Readings[2], mid.Readings[1]})
	var n int
	if err := l.read(func(db *sql.DB) error { return db.QueryRow(`SELECT count(*) FROM layouts`).Scan(&n) }); err != nil || n != 2 {
		t.Errorf("%d layouts, %v", n, err)
	}
}

// Sweeps that had to be dropped take nothing of what people said with them.
func TestInputsOfLostSweeps(t *testing.T) {
	l := begin(t)
	commit(t, l, Batch{Layout: twoProbes, FirstSweep: 1, Sweeps: sweepsFrom(1, 3, 2)})
	commit(t, l, Batch{Layout: twoProbes, FirstSweep: 10, Sweeps: sweepsFrom(10, 3, 2),
		Marks: []Marked{{5, mark(5, "lost")}, {10, mark(10, "own")}}})
	got := inputs(t, l, 0, nil)
	if len(got) != 6 || len(got[3].Marks) != 2 || got[3].Marks[0].ID != "lost" || got[3].Marks[1].ID != "own" {
		t.Errorf("inputs: %+v", got)
	}
}

func TestCursors(t *testing.T) {
	l := begin(t)
	ctx := context.Background()
	if seq, found, err := l.Cursor(ctx, "phone"); seq != 0 || found || err != nil {
		t.Errorf("a new publisher: %d %v %v", seq, found, err)
	}
	for _, seq := range []uint64{7, 9, 8} {
		if err := l.SetCursor(ctx, "phone", seq); err != nil {
			t.Fatal(err)
		}
		if err := l.SetCursor(ctx, "mqtt", 2*seq); err != nil {
			t.Fatal(err)
		}
	}
	if err := l.Reopen(); err != nil {
		t.Fatal(err)
	}
	if seq, found, err := l.Cursor(ctx, "phone"); seq != 8 || !found || err != nil {
		t.Errorf("phone: %d %v %v", seq, found, err)
	}
	if seq, found, err := l.Cursor(ctx, "mqtt"); seq != 16 || !found || err != nil {
		t.Errorf("mqtt: %d %v %v", seq, found, err)
	}
}

// TestFleeting: a record that is thrown away waits for no disk, and any other one does.
func TestFleeting(t *testing.T) {
	for fleeting, want := range map[bool]int{true: 0, false: 2} { // OFF and FULL, as SQLite numbers them
		l := New(filepath.Join(t.TempDir(), "l.db"), Options{Fleeting: fleeting})
		if err := l.Reopen(); err != nil {
			t.Fatal(err)
		}
		c, err := l.conns()
		if err != nil {
			t.Fatal(err)
		}
		got := -1
		if err := c.writer.QueryRow("PRAGMA synchronous").Scan(&got); err != nil || got != want {
			t.Errorf("fleeting %v: synchronous is %d, %v, want %d", fleeting, got, err, want)
		}
		if err := l.Close(); err != nil {
			t.Error(err)
		}
	}
}
