package daemon

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"holdbell/publish/ledger"
	"holdbell/publish/page"
	"holdbell/rules"
	"holdbell/sensor"
)

// cpu is the processor time that this process has used.
func cpu(b *testing.B) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// A chart of eight probes over a day at a sweep a second, from the record to the answer.
func BenchmarkChartOfADay(b *testing.B) {
	l, err := ledger.Open(filepath.Join(b.TempDir(), "ledger.db"), ledger.Options{})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { l.Close() })
	probes := []string{"p1", "p2", "p3", "p4", "p5", "p6", "p7", "p8"}
	begin := noon()
	x := uint32(1)
	for n := 0; n < 86400; n += 60 {
		batch := ledger.Batch{Layout: probes, FirstSweep: uint64(n + 1)}
		for i := range 60 {
			s := sensor.Sweep{At: begin.Add(time.Duration(n+i) * time.Second), Readings: make([]sensor.Reading, len(probes))}
			for j := range s.Readings {
				x = x*1664525 + 1013904223
				s.Readings[j] = sensor.Reading{Temp: sensor.Temp(65000 + 1000*j + 250*int(x>>30))}
			}
			batch.Sweeps = append(batch.Sweeps, s)
		}
		if err := l.Commit(context.Background(), batch); err != nil {
			b.Fatal(err)
		}
	}
	st := &rules.State{Site: "bench", Units: rules.Fahrenheit, At: begin.Add(86400 * time.Second)}
	for _, name := range probes {
		st.Probes = append(st.Probes, rules.ProbeState{Name: name})
	}
	p, err := page.New(page.Options{Now: func() sensor.Instant { return st.At }, Readings: l.Readings})
	if err != nil {
		b.Fatal(err)
	}
	p.Show(st)
	h, n := p.Handler(), 0
	b.ReportAllocs()
	was := cpu(b)
	for b.Loop() {
		// Another width each time: none is answered from what was kept.
		n++
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, fmt.Sprintf("/chart.json?hours=24&columns=%d", 700+n%200), nil))
		if w.Code != http.StatusOK || w.Body.Len() < 20_000 {
			b.Fatal(w.Code, w.Body.Len())
		}
	}
	b.ReportMetric(float64((cpu(b)-was).Microseconds())/1000/float64(b.N), "cpu-ms/op")
}
