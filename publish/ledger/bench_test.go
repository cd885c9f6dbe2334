package ledger

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"holdbell/rules"
	"holdbell/rules/foodcode"
	"holdbell/sensor"
)

var eightProbes = []string{"p1", "p2", "p3", "p4", "p5", "p6", "p7", "p8"}

// noisy is a sweep of eight probes as chips give them: a quarter of a degree at a time, a few steps of noise.
func noisy(number int) sensor.Sweep {
	s := sensor.Sweep{At: at(number), Readings: make([]sensor.Reading, 8)}
	x := uint32(number) * 2654435761
	for i := range s.Readings {
		x = x*1664525 + 1013904223
		s.Readings[i] = sensor.Reading{Temp: sensor.Temp(65000 + 1000*i + 250*int(x>>30))}
	}
	return s
}

// One durable commit of a minute's block with its snapshot, and of an event.
func BenchmarkCommit(b *testing.B) {
	for _, kind := range []string{"block", "event"} {
		b.Run(kind, func(b *testing.B) {
			l := begin(b)
			snapshot := minute(b)
			n := 0
			for b.Loop() {
				batch := Batch{Layout: eightProbes, FirstSweep: uint64(60*n + 1), Snapshot: snapshot, SnapshotSweep: uint64(60*n + 60)}
				for i := range 60 {
					batch.Sweeps = append(batch.Sweeps, noisy(60*n+i+1))
				}
				if kind == "event" {
					batch.Sweeps, batch.Events = batch.Sweeps[:1], eventsFrom(n+1, 1)
				}
				n++
				if err := l.Commit(context.Background(), batch); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// minute gives the snapshot of an engine that has watched eight probes for an hour.
func minute(b testing.TB) []byte {
	b.Helper()
	e := engine(b)
	for i := range 3600 {
		e.Step(rules.Input{Sweep: noisy(i + 1)})
	}
	snapshot, err := e.Snapshot()
	must(b, err)
	return snapshot
}

func engine(b testing.TB) *rules.Engine {
	code, err := foodcode.Lookup(foodcode.USFDA2022)
	must(b, err)
	s := rules.Setup{Site: "test", Units: rules.Fahrenheit, GapAllowance: 5 * time.Minute, Code: code}
	for i, name := range eightProbes {
		s.Probes = append(s.Probes, rules.ProbeSetup{Name: name})
		if i%2 == 0 {
			s.Stations = append(s.Stations, rules.StationSetup{Name: fmt.Sprint("warmer-", i/2+1), Purpose: rules.HotHolding, Air: i, Food: []int{i + 1}})
		}
	}
	e, err := rules.New(s)
	must(b, err)
	return e
}

// written is what this process has handed to the kernel for writing, in bytes (proc_pid_io(5), wchar).
func written(b testing.TB) (n int64) {
	b.Helper()
	text, err := os.ReadFile("/proc/self/io")
	must(b, err)
	for line := range strings.Lines(string(text)) {
		if _, err := fmt.Sscanf(line, "wchar: %d", &n); err == nil {
			return n
		}
	}
	b.Fatal("the kernel does not count what is written")
	return 0
}

// Each turn is six hours of eight probes at 1 Hz, quiet, through engine and Writer. Bytes written count
// the log, the database and the copies; bytes kept are the file's growth.
func BenchmarkHours(b *testing.B) {
	const hours = 6
	path := filepath.Join(b.TempDir(), "ledger.db")
	l := beginAt(b, path)
	w := NewWriter(l, WriterOptions{CopyPath: path + ".copy", Log: quiet})
	e := engine(b)
	number, turns, events := 0, 0, 0
	size := func() int64 {
		st, err := os.Stat(path)
		must(b, err)
		return st.Size()
	}
	before, was := written(b), size()
	for b.Loop() {
		turns++
		for range hours * 3600 {
			number++
			in := rules.Input{Sweep: noisy(number)}
			out := e.Step(in)
			events += len(out)
			w.Add(Entry{Probes: eightProbes, Input: in, Events: out, Alarmed: e.Alarmed(), Snapshot: e.Snapshot})
			if number%60 == 1 {
				// As in life, a block is on the disk before the next one closes.
				must(b, w.Flush(context.Background(), nil))
			}
		}
	}
	must(b, w.Close(context.Background(), e.Snapshot))
	total := float64(turns * hours)
	b.ReportMetric(float64(written(b)-before)/total/1e6, "MB-written/h")
	b.ReportMetric(float64(size()-was)/total/1e6, "MB-kept/h")
	b.ReportMetric(float64(events)/total, "events/h")
	snapshot, err := e.Snapshot()
	must(b, err)
	packed, err := pack(snapshot)
	must(b, err)
	b.ReportMetric(float64(len(snapshot)), "B-snapshot")
	b.ReportMetric(float64(len(packed)), "B-packed")
}

// Each turn is two days of eight probes at 1 Hz in blocks of a minute, of which the first is thinned: what a day
// takes of the file, every reading kept and thinned, with its links of the chain.
func BenchmarkYear(b *testing.B) {
	var l *Ledger
	used := func() float64 {
		u, err := l.used(b.Context())
		must(b, err)
		return float64(u)
	}
	var whole, thinned float64
	for b.Loop() {
		l = beginAt(b, fastDir(b)+"/ledger.db")
		before, n := used(), 1
		for range 2 * 24 * 60 {
			batch := Batch{Layout: eightProbes, FirstSweep: uint64(n), SnapshotSweep: uint64(n + 59), Snapshot: []byte("x")}
			for i := range 60 {
				batch.Sweeps = append(batch.Sweeps, noisy(n+i))
			}
			commit(b, l, batch)
			n += 60
		}
		full := used()
		whole = (full - before) / 2
		thinAll(b, l, Keep{Full: 24 * time.Hour})
		thinned = whole - (full - used())
	}
	b.ReportMetric(whole/1e6, "MB/day-whole")
	b.ReportMetric(thinned/1e6, "MB/day-thinned")
	b.ReportMetric((14*whole+351*thinned)/1e6, "MB/year")
}

// Adding a quiet sweep is what the loop pays each second.
func BenchmarkAdd(b *testing.B) {
	w := NewWriter(begin(b), WriterOptions{Log: quiet})
	number := 0
	in := rules.Input{Sweep: noisy(1)}
	for b.Loop() {
		number++
		in.Sweep.At = at(number % 50)
		w.Add(Entry{Probes: eightProbes, Input: in})
	}
	must(b, w.Close(context.Background(), nil))
}

// Each turn is records verify over a chain of a million links, each with its event: what was recorded of some years.
func BenchmarkVerify(b *testing.B) {
	const links, step = 1_000_000, 5000
	l := beginAt(b, fastDir(b)+"/ledger.db")
	for n := 1; n < links; n += step {
		commit(b, l, Batch{Events: eventsFrom(n, min(step, links-n))}) // the first link is the record's own
	}
	for b.Loop() {
		v, err := l.Verify(b.Context(), VerifyOptions{})
		must(b, err)
		if v.Break != nil || v.Head.Links != links || v.Rows[linkEvent] != links-1 {
			b.Fatalf("%+v, break %+v", v, v.Break)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/links, "ns/link")
}
