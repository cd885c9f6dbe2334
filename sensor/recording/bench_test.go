package recording

import (
	"bytes"
	"errors"
	"io"
	"math/rand/v2"
	"testing"
	"time"

	"holdbell/sensor"
)

// day is a recording of eight probes with one decimal, as the ledger exports it.
func day(tb testing.TB, rows int, relative bool) []byte {
	tb.Helper()
	var file bytes.Buffer
	probes := []string{"a", "b", "c", "d", "e", "f", "g", "h"}
	w, err := NewWriter(&file, probes, relative)
	if err != nil {
		tb.Fatal(err)
	}
	random := rand.New(rand.NewPCG(1, 2))
	at := sensor.Instant{Wall: time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC)}
	s := sensor.Sweep{At: at, Readings: make([]sensor.Reading, len(probes))}
	for range rows {
		for i := range s.Readings {
			s.Readings[i] = sensor.Reading{Temp: sensor.Temp(60_000 + 250*random.IntN(80))}
			if random.IntN(200) == 0 {
				s.Readings[i] = sensor.Bad(sensor.Open)
			}
		}
		if err := w.Write(s); err != nil {
			tb.Fatal(err)
		}
		s.At = s.At.Add(time.Second)
	}
	if err := w.Flush(); err != nil {
		tb.Fatal(err)
	}
	return file.Bytes()
}

func BenchmarkNext(b *testing.B) {
	for name, relative := range map[string]bool{"seconds": true, "rfc3339": false} {
		b.Run(name, func(b *testing.B) {
			const rows = 10_000
			file := day(b, rows, relative)
			b.SetBytes(int64(len(file)))
			b.ReportAllocs()
			for b.Loop() {
				rec, err := Open(bytes.NewReader(file), "day.csv", nil)
				if err != nil {
					b.Fatal(err)
				}
				n := 0
				for ; ; n++ {
					if _, err := rec.Next(b.Context()); err != nil {
						if !errors.Is(err, io.EOF) {
							b.Fatal(err)
						}
						break
					}
				}
				if n != rows {
					b.Fatal(n, "rows")
				}
			}
			b.ReportMetric(float64(rows*8)*float64(b.N)/b.Elapsed().Seconds(), "readings/s")
		})
	}
}

// TestNoAllocation: a row of numbers and fault words costs no memory.
func TestNoAllocation(t *testing.T) {
	for _, relative := range []bool{true, false} {
		rec, err := Open(bytes.NewReader(day(t, 2000, relative)), "day.csv", nil)
		if err != nil {
			t.Fatal(err)
		}
		ctx := t.Context()
		n := testing.AllocsPerRun(1500, func() {
			if _, err := rec.Next(ctx); err != nil {
				t.Fatal(err)
			}
		})
		if n != 0 {
			t.Errorf("%v allocations a row, relative %v", n, relative)
		}
	}
}
