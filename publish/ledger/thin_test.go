package ledger

import (
	"bytes"
	"errors"
	"reflect"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"holdbell/sensor"
	"holdbell/sensor/recording"
)

// TestThinRowsKeepWhatMatters holds rows to the sweeps that they stand for: none is lost or counted twice, every
// fault is where it was, the extremes are exact, the mean is near, and no row is longer than ten seconds.
func TestThinRowsKeepWhatMatters(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		probes := rapid.IntRange(1, 5).Draw(t, "probes")
		sweeps := drawSweeps(t, probes)
		if len(sweeps) == 0 {
			return
		}
		apart := rapid.IntRange(0, len(sweeps)-1).Draw(t, "apart")
		rows := thin(sweeps, func(i int) bool { return i == apart })
		data, err := encodeThin(rows)
		if err != nil {
			t.Fatal(err)
		}
		again, err := decodeThin(data)
		if err != nil || !reflect.DeepEqual(again, rows) {
			t.Fatalf("decoded %v, %+v\nwant %+v", err, again, rows)
		}
		at := 0
		for i := range rows {
			r := &rows[i]
			of := sweeps[at : at+r.count]
			if (at == apart || at < apart && apart < at+r.count) && r.count != 1 {
				t.Fatalf("sweep %d is not apart", apart)
			}
			at += r.count
			if r.first != of[0].At || r.last != of[len(of)-1].At || r.last.Mono-r.first.Mono >= thinRow && r.count > 1 {
				t.Fatalf("row %d is from %v to %v", i, r.first, r.last)
			}
			read := r.appendSweeps(nil)
			if len(read) != min(3, r.count) || read[0].At != r.first || read[len(read)-1].At != r.last {
				t.Fatalf("row %d is read as %+v", i, read)
			}
			for j := range r.stats {
				holdStat(t, &r.stats[j], of, read, j)
			}
		}
		if at != len(sweeps) {
			t.Fatalf("rows of %d sweeps, want %d", at, len(sweeps))
		}
	})
}

func holdStat(t *rapid.T, s *stat, of, read []sensor.Sweep, probe int) {
	low, high, total := of[0].Readings[probe].Temp, of[0].Readings[probe].Temp, int64(0)
	for _, sw := range of {
		if r := sw.Readings[probe]; r.Fault != s.fault {
			t.Fatalf("probe %d: fault %v in a row of %v", probe, r.Fault, s.fault)
		} else {
			low, high, total = min(low, r.Temp), max(high, r.Temp), total+int64(r.Temp)
		}
	}
	seen := map[sensor.Temp]bool{}
	for _, sw := range read {
		if sw.Readings[probe].Fault != s.fault {
			t.Fatalf("probe %d is read as %v, want %v", probe, sw.Readings[probe], s.fault)
		}
		seen[sw.Readings[probe].Temp] = true
	}
	if s.fault != sensor.None {
		return
	}
	if s.low != low || s.high != high || !seen[low] || !seen[high] {
		t.Fatalf("probe %d: %d to %d, read as %v, want %d to %d", probe, s.low, s.high, seen, low, high)
	}
	near := (int64(high)-int64(low))/(2*meanSteps) + 2
	if off := int64(s.mean()) - total/int64(len(of)); off > near || off < -near {
		t.Fatalf("probe %d: mean %d, want %d within %d", probe, s.mean(), total/int64(len(of)), near)
	}
}

func TestThinnedDamageIsSeen(t *testing.T) {
	b, err := encodeThin(thin(sweepsFrom(1, 60, 3), func(int) bool { return false }))
	if err != nil {
		t.Fatal(err)
	}
	for n := range b {
		if _, err := decodeThin(b[:n]); !errors.Is(err, errBlock) {
			t.Fatalf("the first %d of %d bytes: %v", n, len(b), err)
		}
	}
	for i := range b {
		c := bytes.Clone(b)
		c[i] ^= 0x41
		if got, err := decodeThin(c); err == nil && reflect.DeepEqual(got, must1(decodeThin(b))) {
			continue // a bit that deflate does not look at
		} else if !errors.Is(err, errBlock) {
			t.Fatalf("byte %d of %d: %v", i, len(b), err)
		}
	}
}

func must1[T any](v T, _ error) T { return v }

func FuzzDecodeThin(f *testing.F) {
	for n := 1; n < 40; n += 13 {
		b, err := encodeThin(thin(sweepsFrom(1, n, 3), func(i int) bool { return i%17 == 3 }))
		if err != nil {
			f.Fatal(err)
		}
		body, err := unpack(b[1:])
		if err != nil {
			f.Fatal(err)
		}
		f.Add(body)
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		packed, err := pack(body)
		if err != nil {
			t.Skip()
		}
		rows, err := decodeThin(append([]byte{thinFormat}, packed...))
		if err != nil || len(rows) == 0 {
			return
		}
		for i := range rows {
			if n := len(rows[i].appendSweeps(nil)); n != len(rows[i].places()) {
				t.Fatalf("%d sweeps", n)
			}
		}
	})
}

// TestExportSaysWhatIsThinned reads an exported span back: the thinned part is marked, and holds every probe's
// lowest and highest reading.
func TestExportSaysWhatIsThinned(t *testing.T) {
	l := begin(t)
	days(t, l, 7200)
	if n := thinAll(t, l, Keep{Full: 30 * time.Minute}); n == 0 {
		t.Fatal("nothing was thinned")
	}
	var csv strings.Builder
	if skipped, err := l.Export(&csv, time.Time{}, time.Time{}); err != nil || skipped != 0 {
		t.Fatal(skipped, err)
	}
	text := csv.String()
	a, b := strings.Index(text, "\n# thinned: "), strings.Index(text, "\n# every reading\n")
	if a < 0 || b < a || strings.Count(text, "\n# ") != 2 {
		t.Errorf("the remarks stand at %d and %d", a, b)
	}
	rec, err := recording.Open(strings.NewReader(text), "export", nil)
	if err != nil {
		t.Fatal(err)
	}
	rows := 0
	for {
		if _, err := rec.Next(t.Context()); err != nil {
			break
		}
		rows++
	}
	if rows < 3600 || rows > 5900 {
		t.Errorf("%d rows of 7200 sweeps", rows)
	}
}
