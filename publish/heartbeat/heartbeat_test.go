package heartbeat

import (
	"bytes"
	"context"
	"errors"
	"io"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"holdbell/sensor"
)

const canary = "canary-52c1"

// monitor is the far end, without a network.
type monitor struct {
	paths  []string
	answer func(*http.Request) (int, error) // nil: 200
}

func (m *monitor) RoundTrip(r *http.Request) (*http.Response, error) {
	m.paths = append(m.paths, r.URL.Path)
	code := http.StatusOK
	if m.answer != nil {
		var err error
		if code, err = m.answer(r); err != nil {
			return nil, err
		}
	}
	return &http.Response{StatusCode: code, Header: http.Header{"Location": {"https://elsewhere.example/"}}, Body: io.NopCloser(strings.NewReader("ok"))}, nil
}

func beating(t *testing.T, m *monitor, o Options) (h *Heartbeat, log *bytes.Buffer, end func()) {
	t.Helper()
	log = new(bytes.Buffer)
	o.URLFile = filepath.Join(t.TempDir(), "url")
	if err := os.WriteFile(o.URLFile, []byte("https://monitor.example/"+canary+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	o.Now = now
	o.Log, o.Client = slog.New(slog.NewTextHandler(log, nil)), &http.Client{Transport: m}
	h, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() {
		defer close(done)
		h.Run(ctx)
	}()
	return h, log, func() { stop(); <-done }
}

// now is the clock inside a bubble.
func now() sensor.Instant {
	at := time.Now().UTC().Round(0)
	return sensor.Instant{Wall: at, Mono: at.Sub(time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)), Believed: true}
}

func pass(d time.Duration) { time.Sleep(d); synctest.Wait() }

// TestBeatsWhileAllIsWell, and says /fail, or nothing, while it is not.
func TestBeatsWhileAllIsWell(t *testing.T) {
	for _, fail := range []string{"", "/fail"} {
		synctest.Test(t, func(t *testing.T) {
			m := &monitor{}
			var ill atomic.Bool
			h, _, end := beating(t, m, Options{Fail: fail, Well: func() bool { return !ill.Load() }})
			pass(firstAfter - time.Second)
			if len(m.paths) != 0 || !h.LastSuccess().IsZero() {
				t.Errorf("a start is told before it had the time for a sweep: %q", m.paths)
			}
			begun := now()
			pass(3 * time.Minute)
			good := h.LastSuccess()
			if good != begun.Add(time.Second+2*time.Minute) {
				t.Errorf("the last success was at %v, begun at %v", good, begun)
			}
			ill.Store(true)
			pass(2 * time.Minute)
			if h.LastSuccess() != good {
				t.Error("a beat that says fail counts as a success")
			}
			ill.Store(false)
			pass(time.Minute)
			end()
			want := []string{"/" + canary, "/" + canary, "/" + canary}
			if fail != "" {
				want = append(want, "/"+canary+"/fail", "/"+canary+"/fail")
			}
			if want = append(want, "/"+canary); !slices.Equal(m.paths, want) {
				t.Errorf("with %q: %q, want %q", fail, m.paths, want)
			}
		})
	}
}

// TestTroubleIsLoggedOnceAndTellsNoSecret: an answer that is none, a refusal, a redirect, silence.
func TestTroubleIsLoggedOnceAndTellsNoSecret(t *testing.T) {
	for name, answer := range map[string]func(*http.Request) (int, error){
		"unreachable": func(r *http.Request) (int, error) { return 0, errors.New("no route to " + r.URL.String()) },
		"refused":     func(*http.Request) (int, error) { return http.StatusForbidden, nil },
		"redirected":  func(*http.Request) (int, error) { return http.StatusFound, nil },
		"silent": func(r *http.Request) (int, error) {
			<-r.Context().Done()
			return 0, r.Context().Err()
		},
	} {
		synctest.Test(t, func(t *testing.T) {
			m := &monitor{answer: answer}
			h, log, end := beating(t, m, Options{Well: func() bool { return true }})
			pass(firstAfter + 10*time.Minute + deadline)
			tried := len(m.paths)
			if why := h.Trouble(); why == "" || strings.Contains(why, canary) || strings.Contains(why, "monitor.example") {
				t.Errorf("%s: the trouble is %q", name, why)
			}
			m.answer = nil
			pass(time.Minute)
			end()
			if tried != 11 || !strings.HasSuffix(m.paths[tried-1], canary) {
				t.Errorf("%s: tried %d times in 10 min, %q", name, tried, m.paths)
			}
			if text := log.String(); strings.Count(text, "level=WARN") != 1 || strings.Count(text, "hears the heartbeat again") != 1 ||
				strings.Contains(text, canary) || strings.Contains(text, "monitor.example") {
				t.Errorf("%s: the log says %s", name, text)
			}
			if h.LastSuccess().IsZero() || h.Trouble() != "" {
				t.Errorf("%s: no success in the end: %q", name, h.Trouble())
			}
		})
	}
}

// TestAnEndWithinABeat: a stop does not wait for a monitor that does not answer, and tells no trouble.
func TestAnEndWithinABeat(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := &monitor{answer: func(r *http.Request) (int, error) { <-r.Context().Done(); return 0, r.Context().Err() }}
		h, log, end := beating(t, m, Options{Well: func() bool { return true }})
		pass(firstAfter + time.Second)
		begun := time.Now()
		end()
		if took := time.Since(begun); len(m.paths) != 1 || took != 0 || log.Len() != 0 || h.Trouble() != "" {
			t.Errorf("%d beats; it ended after %v; the log says %q, the trouble %q", len(m.paths), took, log, h.Trouble())
		}
	})
}

func TestAddressFile(t *testing.T) {
	well := func() bool { return true }
	for text, want := range map[string]string{"": "is empty", canary: "write one line", "ftp://h/" + canary: "write one line", "https:///" + canary: "write one line",
		"https://%zz/" + canary: "write one line", canary + strings.Repeat("x", 5000): "more than"} {
		h, err := New(Options{URLFile: filepath.Join(t.TempDir(), "url"), Well: well, Now: now})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := h.address(); err == nil || !strings.Contains(err.Error(), "no such file") {
			t.Errorf("without a file: %v", err)
		}
		if err := os.WriteFile(h.o.URLFile, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := h.address(); err == nil || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), canary) {
			t.Errorf("%q gives %v", text, err)
		}
	}
	for want, o := range map[string]Options{"set URLFile": {}, "set Well": {URLFile: "f"}, "set Now": {URLFile: "f", Well: well}, "such as /fail": {URLFile: "f", Fail: "fail", Well: well, Now: now}} {
		if _, err := New(o); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%+v gives %v", o, err)
		}
	}
}
