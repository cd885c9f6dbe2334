package daemon

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// TestWellIsProgressAndAProbe: the outside monitor hears that all is well while what feeds the watchdog has come
// to pass lately and one probe reads, and at no other time.
func TestWellIsProgressAndAProbe(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		for _, period := range []time.Duration{time.Second, 20 * time.Second} {
			limit := max(stillAfter, 3*period)
			hangs := deaf{make(chan error)}
			g := newGuard(hangs)
			o := &outputs{}
			o.guards.Store(&[]*guard{g})
			d := &Daemon{made: time.Now(), notify: &notifier{alive: make(chan struct{}, 1), say: make(chan string, 8)}}
			d.outputs.Store(o)
			d.period.Store(int64(period))
			good, bad := sensor.Reading{Temp: 60_000}, sensor.Bad(sensor.Open)
			round := func(readings ...sensor.Reading) {
				st := &rules.State{}
				for _, r := range readings {
					st.Probes = append(st.Probes, rules.ProbeState{Reading: r})
				}
				d.state.Store(st)
				d.alive(st)
			}
			say := func(when string, want bool) {
				t.Helper()
				if d.well() != want {
					t.Errorf("period %v: %s it is %v that all is well", period, when, !want)
				}
			}
			say("before the first sweep", false)
			round(bad, good)
			say("with one probe of two", true)
			round(bad, bad)
			say("without a probe", false)
			round()
			say("without any probe at all", false)
			round(good)
			wait(limit)
			say("just within the patience", true)
			wait(time.Second)
			say("with a loop that stands still", false)
			round(good)
			say("with a loop that goes on", true)
			done := make(chan error)
			go func() { done <- g.Deliver(t.Context(), "", rules.Event{}) }()
			wait(stuckAfter + limit)
			round(good)
			say("with alarms that do not get out", false)
			hangs.let <- nil
			<-done
			round(good)
			say("with alarms that get out again", true)
		}
	})
}

// TestDaemonBeats: from a sweep to the monitor, to the metrics and the page; and a fault of every probe to its other
// address.
func TestDaemonBeats(t *testing.T) {
	const secret = "canary-beat-77"
	asked := make(chan string, 64)
	far := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { asked <- r.URL.Path }))
	defer far.Close()
	cfg := parsed(t, onPort("127.0.0.1:0")+fmt.Sprintf("  heartbeat: { url_file: %q, every: 10s, fail: /down }\n", written(t, "beat", far.URL+"/"+secret)))
	cfg.Heartbeat.Every = 20 * time.Millisecond
	source := newLine(noon(), 2, true).play(3, 150)
	r := begin(t, cfg, filepath.Join(t.TempDir(), "l.db"), always(source))
	hear := func(want string) {
		t.Helper()
		deadline := time.After(20 * time.Second)
		for {
			select {
			case path := <-asked:
				if path == want {
					return
				}
			case <-deadline:
				t.Fatalf("the monitor does not hear %s", want)
			}
		}
	}
	hear("/" + secret)
	url := <-r.pages
	eventually(t, "the metric", func() bool {
		return strings.Contains(body(t, url+"/metrics"), "\nholdbell_heartbeat_last_success_timestamp_seconds 1.7723664")
	})
	if text := body(t, url+"/board"); !strings.Contains(text, "heard by the outside monitor") || strings.Contains(text, secret) {
		t.Errorf("the page does not tell of the heartbeat, or tells its address:\n%s", text)
	}
	source.play(1, -1)
	hear("/" + secret + "/down")
	far.Close()
	eventually(t, "the page tells of the trouble", func() bool { return strings.Contains(body(t, url+"/board"), "the monitor cannot be reached") })
	r.end()
	if n := r.log.count("does not hear the heartbeat"); n != 1 || r.log.count(secret) != 0 {
		t.Errorf("said %d times that the monitor does not hear, the address %d times", n, r.log.count(secret))
	}
}

// body gives what is at an address of the page.
func body(t *testing.T, url string) string {
	t.Helper()
	_, text := get(t, url)
	return text
}
