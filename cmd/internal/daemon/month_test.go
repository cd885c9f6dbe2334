package daemon

import (
	"context"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"testing/synctest"
	"time"

	"holdbell/publish/ledger"
)

// daysShort is how many days TestAMonth lets pass, with a sweep each shortPeriod, unless HOLDBELL_DAYS says another
// number: then a sweep comes every second.
const (
	daysShort   = 2
	shortPeriod = 5 * time.Second
)

// TestAMonth lets days of a watch pass in a bubble, with a broker and a phone service that come and go and a browser that
// looks in: goroutines, open files and heap stay as they were, old readings are thinned, and in the end the
// record's numbers are dense and its chain fits.
func TestAMonth(t *testing.T) {
	n, period := daysShort, shortPeriod
	if text := os.Getenv("HOLDBELL_DAYS"); text != "" {
		var err error
		if n, err = strconv.Atoi(text); err != nil || n < daysShort {
			t.Fatalf("HOLDBELL_DAYS=%s: write how many days to let pass, %d at least", text, daysShort)
		}
		period = time.Second
	}
	begun := time.Now()
	listen, address := taken(t)
	path := filepath.Join(inMemory(t), "l.db")
	var events uint64
	synctest.Test(t, func(t *testing.T) {
		r := beginDays(t, period, listen, path, address)
		r.far.most = 16
		var all []figures
		for day := range n {
			for hour := range 24 {
				r.broker.listen((day*24+hour)%5 != 0)
				r.far.set((day*24+hour)%7 == 0)
				time.Sleep(time.Hour)
				r.visit()
				if hour%3 == 0 && (day > 0 || hour > 3) { // the first hours fill what is filled once
					all = append(all, measured(t))
				}
			}
		}
		r.broker.listen(true)
		r.far.set(false)
		time.Sleep(time.Hour)
		synctest.Wait()
		st := r.state.Load()
		events = st.Seq
		if want := uint64(time.Duration(n*24+1) * time.Hour / period); st.Sweeps != want {
			t.Errorf("%d sweeps in %d days and an hour", st.Sweeps, n)
		}
		for name, waiting := range r.outputs.Load().pending() {
			if waiting > 0 {
				t.Errorf("%d events still wait for %s", waiting, name)
			}
		}
		if r.broker.upTo != events || events < uint64(10*n) || r.far.n < n {
			t.Errorf("%d events, %d of them at the broker; %d messages at the phone", events, r.broker.upTo, r.far.n)
		}
		until, err := r.record.ledger.ThinnedUntil(t.Context())
		if old := bubble().Wall.Sub(until); err != nil || old < 24*time.Hour || old > 26*time.Hour {
			t.Errorf("readings are thinned until %v ago: %v", old, err)
		}
		const looks = 6 // at either end
		before, after := middle(all[:looks]), middle(all[len(all)-looks:])
		flat(t, before, after)
		t.Logf("%d days, %d sweeps, %d events, %d twice at the broker, %d messages: first %v; last %v", n, st.Sweeps, events, r.broker.again, r.far.n, before, after)
		r.end()
	})
	l, err := ledger.Open(path, ledger.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	dense(t, l, events)
	t.Logf("in %v", time.Since(begun).Round(time.Second))
}

// dense wants n events in a record, each once, and a chain that fits.
func dense(t *testing.T, l *ledger.Ledger, n uint64) {
	t.Helper()
	recorded, err := l.Events(t.Context(), 0, 1<<20)
	if err != nil || uint64(len(recorded)) < n {
		t.Errorf("%d events are recorded of %d: %v", len(recorded), n, err)
	}
	for i, ev := range recorded {
		if ev.Seq != uint64(i)+1 || ev.Unrecorded {
			t.Fatalf("event %d stands at place %d, unrecorded %v", ev.Seq, i+1, ev.Unrecorded)
		}
	}
	if v, err := l.Verify(context.Background(), ledger.VerifyOptions{}); err != nil || v.Break != nil {
		t.Errorf("the chain: %+v %v", v, err)
	}
}
