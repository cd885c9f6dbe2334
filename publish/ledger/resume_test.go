package ledger

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"pgregory.net/rapid"

	"holdbell/rules"
	"holdbell/rules/foodcode"
	"holdbell/sensor"
)

func kitchen(t testing.TB) rules.Setup {
	code, err := foodcode.Lookup(foodcode.USFDA2022)
	if err != nil {
		t.Fatal(err)
	}
	return rules.Setup{Site: "test", Units: rules.Fahrenheit, GapAllowance: 5 * time.Minute, Code: code,
		Probes: []rules.ProbeSetup{{Name: "air"}, {Name: "core"}, {Name: "pit"}},
		Stations: []rules.StationSetup{
			{Name: "warmer", Purpose: rules.HotHolding, Air: 0, Food: []int{1}},
			{Name: "pit", Purpose: rules.Cooking, Air: 2},
		}}
}

func names(s rules.Setup) []string {
	var all []string
	for _, p := range s.Probes {
		all = append(all, p.Name)
	}
	return all
}

// day draws sweeps with faults, gaps, restarts of the board, marks and notices.
func day(t *rapid.T, s rules.Setup) []rules.Input {
	temps := []int{64000, 63000, 130000}
	at := sensor.Instant{Wall: time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC), Mono: time.Hour, Boot: sensor.BootID{1}, Believed: true}
	var all []rules.Input
	for i := range rapid.IntRange(3, 200).Draw(t, "sweeps") {
		at = at.Add(time.Duration(rapid.SampledFrom([]int{1, 1, 1, 10, 10, 30, 60, 240, 301, 2000}).Draw(t, "step")) * time.Second)
		if rapid.IntRange(0, 60).Draw(t, "power") == 0 {
			at.Boot[0]++
			at.Mono = time.Minute
			at.Believed = rapid.Bool().Draw(t, "believed")
		}
		in := rules.Input{Sweep: sensor.Sweep{At: at}}
		for p := range s.Probes {
			temps[p] += rapid.IntRange(-4000, 3900).Draw(t, "move")
			r := sensor.Reading{Temp: sensor.Temp(temps[p])}
			if rapid.IntRange(0, 12).Draw(t, "fault") == 0 {
				r = sensor.Bad(sensor.Open)
			}
			in.Sweep.Readings = append(in.Sweep.Readings, r)
		}
		if rapid.IntRange(0, 5).Draw(t, "mark") == 0 {
			v := sensor.Temp(temps[1])
			in.Marks = append(in.Marks, rules.Mark{At: at.Add(-time.Second / 2), ID: fmt.Sprint("m", i), Temp: &v, By: "R. Oduya",
				Kind:    rapid.SampledFrom(rules.MarkKinds()).Draw(t, "kind"),
				Lot:     rapid.SampledFrom([]string{"", "a", "b"}).Draw(t, "lot"),
				Station: rapid.SampledFrom([]string{"warmer", "pit"}).Draw(t, "station")})
		}
		if rapid.IntRange(0, 20).Draw(t, "notice") == 0 {
			in.Notices = append(in.Notices, rules.Notice{At: at, Kind: rapid.SampledFrom([]rules.NoticeKind{rules.LedgerTrouble, rules.LedgerFine}).Draw(t, "trouble")})
		}
		all = append(all, in)
	}
	return all
}

// A restart that restores the snapshot and feeds what was recorded after it gives the engine that stopped.
// Snapshots fail at times here, so that there is something to feed.
func TestRestoreEquivalence(t *testing.T) {
	t.Parallel()
	s := kitchen(t)
	dir, n, fed := fastDir(t), 0, 0
	rapid.Check(t, func(t *rapid.T) {
		n++
		path := filepath.Join(dir, fmt.Sprint(n, ".db"))
		l, err := Open(path, Options{})
		if err != nil {
			t.Fatal(err)
		}
		e, err := rules.New(s)
		if err != nil {
			t.Fatal(err)
		}
		var decided []rules.Event
		w := NewWriter(l, WriterOptions{})
		snapshots := rapid.IntRange(0, 40).Draw(t, "snapshots")
		inputs := day(t, s)
		for _, in := range inputs {
			events := e.Step(in)
			decided = append(decided, events...)
			snapshot := e.Snapshot
			if snapshots--; snapshots < 0 {
				snapshot = nil
			}
			w.Add(Entry{Probes: names(s), Input: in, Events: events, Alarmed: e.Alarmed(), Snapshot: snapshot})
		}
		if err := w.Close(context.Background(), nil); err != nil {
			t.Fatal(err)
		}

		if l, err = Open(path, Options{}); err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		r, err := Resume(l, "")
		if err != nil {
			t.Fatal(err)
		}
		again, err := rules.New(s)
		if r.Snapshot != nil {
			again, err = rules.Restore(s, r.Snapshot)
		}
		if err != nil {
			t.Fatal(err)
		}
		for in, err := range l.Inputs(r.Sweep, names(s)) {
			if err != nil {
				t.Fatal(err)
			}
			again.Step(in)
			fed++
		}
		want, _ := e.Snapshot()
		got, _ := again.Snapshot()
		if !bytes.Equal(got, want) {
			t.Fatalf("after the restart\n%s\nwant\n%s", got, want)
		}
		if r.LastSweep != uint64(len(inputs)) || r.LastSeq != uint64(len(decided)) || r.Newest != inputs[len(inputs)-1].Sweep.At {
			t.Fatalf("%d sweeps and %d events, restored %+v", len(inputs), len(decided), r)
		}
		recorded, err := l.Events(context.Background(), 0, 1<<20)
		if err != nil {
			t.Fatal(err)
		}
		for i := range recorded {
			recorded[i].Unrecorded = false // a slow disk may have made it so
		}
		g, _ := json.Marshal(recorded)
		if w, _ := json.Marshal(append([]rules.Event(nil), decided...)); !bytes.Equal(g, w) {
			t.Fatalf("recorded\n%s\nwant\n%s", g, w)
		}
	})
	if fed == 0 {
		t.Error("no recorded sweep was ever fed")
	}
}

// Which memory is the better one to go on from.
func TestResume(t *testing.T) {
	open := func(path string) *Ledger {
		l, err := Open(path, Options{})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { l.Close() })
		return l
	}
	layout := []string{"air"}
	batch := Batch{Layout: layout, FirstSweep: 1, Sweeps: []sensor.Sweep{{Readings: make([]sensor.Reading, 1)}},
		Events: []rules.Event{{Seq: 1}}, Snapshot: []byte("ledger's"), SnapshotSweep: 1}
	const other = "00112233445566778899aabbccddeeff"
	for name, c := range map[string]struct {
		open, filled bool
		id           string // of the copy; "" for the ledger's own, "-" for no copy
		sweep        uint64
		want         string
		wantSweep    uint64
		wantSeq      uint64
	}{
		"no ledger and no copy":               {false, false, "-", 0, "", 0, 0},
		"no ledger":                           {false, false, other, 9, "copy's", 9, 5},
		"a new ledger and no copy":            {true, false, "-", 0, "", 0, 0},
		"a new ledger in place of a lost one": {true, false, other, 9, "copy's", 9, 5},
		"a ledger and no copy":                {true, true, "-", 0, "ledger's", 1, 1},
		"a ledger and an older copy":          {true, true, "", 1, "ledger's", 1, 1},
		"a ledger that lost its end":          {true, true, "", 9, "copy's", 9, 5},
		"a ledger and another's copy":         {true, true, other, 9, "ledger's", 1, 1},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			l := New(filepath.Join(dir, "none", "ledger.db"), Options{})
			if c.open {
				l = open(filepath.Join(dir, "ledger.db"))
			}
			if c.filled {
				if err := l.Commit(context.Background(), batch); err != nil {
					t.Fatal(err)
				}
			}
			copyPath := filepath.Join(dir, "copy")
			wantID := l.ID()
			if c.id != "-" {
				saved := Copy{Ledger: c.id, Sweep: c.sweep, LastSeq: 5, Snapshot: []byte("copy's")}
				if c.id == "" {
					saved.Ledger = l.ID()
				}
				if err := SaveCopy(copyPath, saved); err != nil {
					t.Fatal(err)
				}
				if !c.open {
					wantID = saved.Ledger
				}
			}
			r, err := Resume(l, copyPath)
			if r == nil || (err != nil) != (c.id == "-") {
				t.Fatalf("%+v, %v", r, err)
			}
			if string(r.Snapshot) != c.want || r.Sweep != c.wantSweep || r.LastSeq != c.wantSeq || r.Ledger != wantID {
				t.Errorf("%+v", r)
			}
		})
	}
}

// A ledger that does not answer is opened again; one that never does gives way to the copy, and the error says so.
func TestResumeLooksAgain(t *testing.T) {
	bubble(t, func(t *testing.T, path string) {
		dir := filepath.Join(filepath.Dir(path), "record")
		must(t, os.Mkdir(dir, 0o700))
		path, copyPath := filepath.Join(dir, "ledger.db"), filepath.Join(filepath.Dir(dir), "copy")
		l, err := Open(path, Options{})
		must(t, err)
		commit(t, l, Batch{Layout: twoProbes, FirstSweep: 1, Sweeps: sweepsFrom(1, 9, 2), Events: eventsFrom(1, 2), Snapshot: []byte("ledger's"), SnapshotSweep: 9})
		must(t, SaveCopy(copyPath, Copy{Ledger: l.ID(), Sweep: 5, LastSeq: 1, Snapshot: []byte("copy's")}))
		deaf := func() { must(t, l.c.Load().reader.Close()) }
		deaf()
		if r, err := Resume(l, copyPath); err != nil || string(r.Snapshot) != "ledger's" || r.LastSeq != 2 {
			t.Errorf("after a disk that did not answer once: %+v, %v", r, err)
		}
		deaf()
		must(t, os.Rename(dir, dir+"-gone"))
		if r, err := Resume(l, copyPath); r == nil || string(r.Snapshot) != "copy's" || r.LastSeq != 1 || r.Ledger != l.ID() {
			t.Errorf("without a disk: %+v, %v", r, err)
		}
		must(t, os.Rename(dir+"-gone", dir))
		must(t, l.Close())
		sound(t, beginAt(t, path))
	})
}
