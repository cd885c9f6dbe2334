package page

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"runtime"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// stream is the connection of an open page: what arrives is put together as its script does, and not kept.
type stream struct {
	viewer
	header   http.Header
	messages int
	wrong    error
}

func (s *stream) Header() http.Header { return s.header }
func (s *stream) WriteHeader(int)     {}
func (s *stream) Flush()              {}
func (s *stream) Write(b []byte) (int, error) {
	var m message
	if err := json.Unmarshal([]byte(strings.TrimPrefix(string(b), "data: ")), &m); err != nil && s.wrong == nil {
		s.wrong = err
	}
	s.take(m)
	s.messages++
	return len(b), nil
}

// A page that is left open is told each second, and the board keeps nothing of it: its memory after twenty
// minutes is what it is at the end, and the page shows what one shows that is opened then. An hour of the
// page's own time, or a week with HOLDBELL_WEEK=1.
func TestAPageLeftOpen(t *testing.T) {
	last := time.Hour
	if os.Getenv("HOLDBELL_WEEK") == "1" {
		last = 7 * 24 * time.Hour
	}
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		st := rich()
		st.Lots, st.Stations, st.Probes, st.Alarms = st.Lots[:1], st.Stations[:1], st.Probes[:1], st.Alarms[:1]
		p := kitchen(t, st, noon, noMark)
		p.opt.Now = func() sensor.Instant { return noon.Add(time.Since(began)) }
		ctx, leave := context.WithCancel(t.Context())
		s := &stream{viewer: viewer{regions: map[string][]part{}}, header: http.Header{}}
		left := make(chan struct{})
		go func() {
			defer close(left)
			p.serveLive(s, httptest.NewRequestWithContext(ctx, http.MethodGet, liveURL(look{view: "rail"}), nil))
		}()
		heap := func() int64 {
			runtime.GC()
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			return int64(m.HeapAlloc)
		}
		early, seq := int64(0), st.Seq
		for gone := time.Duration(0); gone < last; gone += time.Second {
			if gone == 20*time.Minute {
				synctest.Wait()
				early = heap()
			}
			next := *st
			next.At, next.Lots = p.opt.Now(), slices.Clone(st.Lots)
			next.Lots[0].Temp = at(150 + float64(gone/time.Second%70)/10)
			if gone%(10*time.Minute) == 0 {
				seq++
				ev := rules.Event{Seq: seq, Kind: rules.VerdictChanged, At: next.At, Text: fmt.Sprintf("Event after %v.", gone)}
				if err := p.Deliver(ctx, "ledger", ev); err != nil {
					t.Fatal(err)
				}
			}
			next.Seq = seq
			p.Show(&next)
			time.Sleep(time.Second)
		}
		synctest.Wait()
		late := heap()
		t.Logf("%d messages in %v; the heap was %d KiB after 20 min and is %d KiB", s.messages, last, early>>10, late>>10)
		if late > early+1<<20 {
			t.Errorf("the heap has grown from %d to %d KiB", early>>10, late>>10)
		}
		if want := int(last / time.Second); s.wrong != nil || s.messages < want || s.messages > 3*want {
			t.Errorf("%d messages in %v: %v", s.messages, last, s.wrong)
		}
		f, err := p.draw(look{view: "rail", marks: true}, p.opt.Now())
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range f.regions {
			if r.id == "lots" || r.id == "events" {
				if got := s.regions[r.id]; !slices.Equal(got, r.parts) {
					t.Errorf("region %s is\n%v\nwant\n%v", r.id, got, r.parts)
				}
			}
		}
		leave()
		<-left
		if n := len(p.hub.wakes) + len(p.hub.memos); n != 0 {
			t.Errorf("%d things are kept of a page that was closed", n)
		}
	})
}
