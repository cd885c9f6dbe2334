package daemon

import (
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/golang/snappy"
	"google.golang.org/protobuf/encoding/protowire"

	"holdbell/publish/ledger"
	"holdbell/publish/remotewrite"
	"holdbell/sensor"
)

// scribe is a receiver of remote write that notes the times of each series, by its labels' text, stale markers apart.
type scribe struct {
	mu     sync.Mutex
	times  map[string]map[uint64]int
	ended  map[string]int
	status int // of every answer; 0: 204
}

func (s *scribe) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	packed, err := io.ReadAll(r.Body)
	if err != nil {
		return
	}
	raw, err := snappy.Decode(nil, packed)
	if err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.status != 0 {
		w.WriteHeader(s.status)
		return
	}
	w.Header()["Date"] = nil // it would be of today, and the kitchen's clock is not
	w.WriteHeader(http.StatusNoContent)
	for _, series := range parts(raw, 1) {
		var b strings.Builder
		for _, l := range parts(series, 1) {
			fmt.Fprintf(&b, "%s=%s,", parts(l, 1)[0], parts(l, 2)[0])
		}
		name := b.String()
		for _, smp := range parts(series, 2) {
			value, n := protowire.ConsumeFixed64(smp[1:])
			at, _ := protowire.ConsumeVarint(smp[1+n+1:])
			if s.times[name] == nil {
				s.times[name] = map[uint64]int{}
			}
			if value == 0x7ff0000000000002 {
				s.ended[name]++
			} else {
				s.times[name][at]++
			}
		}
	}
}

// parts gives the values of one field of a message, all of whose fields have a length.
func parts(b []byte, want protowire.Number) (all [][]byte) {
	for len(b) > 0 {
		num, _, n := protowire.ConsumeTag(b)
		value, m := protowire.ConsumeBytes(b[n:])
		if num == want {
			all = append(all, value)
		}
		b = b[n+m:]
	}
	return all
}

func (s *scribe) set(status int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.status = status
}

// count gives how many times a series has, how many of them came twice, and how often it ended.
func (s *scribe) count(name string) (times, twice, ended int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, n := range s.times[name] {
		times++
		if n > 1 {
			twice++
		}
	}
	return times, twice, s.ended[name]
}

// TestRemoteWrite: from the sweeps to a receiver, to the metrics and the page, over a reload and a restart: every sweep
// once, and the cursor at its end.
func TestRemoteWrite(t *testing.T) {
	far := &scribe{times: map[string]map[uint64]int{}, ended: map[string]int{}}
	server := httptest.NewServer(far)
	t.Cleanup(server.Close)
	text := onPort("127.0.0.1:0") + fmt.Sprintf("  remote_write: { url: %q, jitter: 0s }\n", server.URL+"/api/v1/write")
	path := filepath.Join(t.TempDir(), "l.db")
	source := newLine(noon(), 2, true).play(100, 150)
	r := begin(t, parsed(t, text), path, always(source))
	url := <-r.pages
	const up = "__name__=holdbell_probe_up,instance=test-kitchen,job=holdbell,probe=air,site=test-kitchen,"
	site := parsed(t, text).Site
	name := strings.ReplaceAll(up, "test-kitchen", site)
	all := func(n int) func() bool {
		return func() bool { times, _, _ := far.count(name); return times == n }
	}
	eventually(t, "a hundred sweeps", all(100))
	if text := body(t, url+"/board"); !strings.Contains(text, "Remote write") || !strings.Contains(text, "the receiver takes the readings") {
		t.Errorf("the page does not tell of the receiver:\n%s", text)
	}
	if text := body(t, url+"/metrics"); !strings.Contains(text, `holdbell_remote_write_samples_total{result="sent"}`) || !strings.Contains(text, "\nholdbell_remote_write_failing 0\n") {
		t.Error("the metrics do not tell of the receiver")
	}
	far.mu.Lock()
	alarms := 0
	for series := range far.times {
		if strings.Contains(series, "holdbell_build_info") || strings.Contains(series, "holdbell_sweep_duration_seconds_bucket") {
			alarms++
		}
		if strings.Contains(series, "go_") || strings.Contains(series, "process_") {
			t.Errorf("%s went out", series)
		}
	}
	far.mu.Unlock()
	if alarms < 5 {
		t.Errorf("%d series of the other families went out", alarms)
	}
	// The same again, as a reload.
	r.Reload(parsed(t, text))
	source.play(30, 150)
	<-r.pages
	source.play(20, 150)
	eventually(t, "fifty more", all(150))
	far.set(http.StatusUnauthorized)
	source.play(20, 150)
	r.log.until(t, "refuses the login")
	r.end()

	far.set(0)
	r = begin(t, parsed(t, text), path, func(newest sensor.Instant) *line {
		source = newLine(newest.Add(time.Second), 2, true).play(50, 150)
		return source
	})
	eventually(t, "all of them", all(220))
	r.end()
	times, twice, ended := far.count(name)
	// A stop, of a reload or the daemon, that finds the receiver there ends the series.
	if times != 220 || twice > 0 || ended != 2 {
		t.Errorf("%d sweeps are there, %d of them twice, and the series ended %d times", times, twice, ended)
	}
	l, err := ledger.Open(path, ledger.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	if seq, found, err := l.Cursor(t.Context(), remotewrite.Name); seq != 220 || !found || err != nil {
		t.Errorf("the cursor is %d, %v, %v", seq, found, err)
	}
}
