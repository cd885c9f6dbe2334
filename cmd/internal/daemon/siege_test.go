package daemon

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/crypto/bcrypt"

	"holdbell/sensor"
)

// metronome is a source that reads each period by the real clock, and keeps how late it was asked.
type metronome struct {
	*line
	period time.Duration
	mu     sync.Mutex
	last   time.Time
	gaps   []time.Duration
}

func (m *metronome) Next(ctx context.Context) (sensor.Sweep, error) {
	m.mu.Lock()
	due := m.last.Add(m.period)
	m.mu.Unlock()
	select {
	case <-time.After(time.Until(due)):
	case <-ctx.Done():
		return sensor.Sweep{}, ctx.Err()
	}
	m.mu.Lock()
	now := time.Now()
	m.gaps = append(m.gaps, now.Sub(m.last))
	m.last = now
	m.mu.Unlock()
	m.line.play(1, 150)
	return m.line.Next(ctx)
}

// taken gives the gaps since the last call.
func (m *metronome) taken() []time.Duration {
	m.mu.Lock()
	defer m.mu.Unlock()
	g := m.gaps
	m.gaps = nil
	return g
}

// TestTenThousandWrongLogins: they are slowed, told once a minute, and move the watch by nothing.
func TestTenThousandWrongLogins(t *testing.T) {
	const guesses, hands = 10_000, 8
	secret := written(t, "token", kitchenToken)
	web := users(t, "cook", "pw", bcrypt.DefaultCost)
	for name, c := range map[string]struct{ config, right, wrong string }{
		"login": {fmt.Sprintf("web_config: %q", web), basic("cook", "pw"), "Basic "},
		"token": {fmt.Sprintf("marks_token_file: %q", secret), "Bearer " + kitchenToken, "Bearer "},
	} {
		t.Run(name, func(t *testing.T) {
			cfg := parsed(t, kitchen+fmt.Sprintf("publish:\n  http: { listen: \"127.0.0.1:0\", %s }\n", c.config))
			source := &metronome{line: newLine(noon(), 2, true), period: 200 * time.Millisecond, last: time.Now()}
			r := beginFeed(t, cfg, filepath.Join(t.TempDir(), "l.db"), func(sensor.Instant) *Feed { return &Feed{Source: source, Now: source.now} })
			s := served{strings.TrimPrefix(<-r.pages, "http://"), r.log}
			if code, _ := s.get(t, "Authorization", c.right); code != http.StatusOK {
				t.Fatalf("the right one: %d", code)
			}
			source.taken()
			begun := time.Now()
			var wg sync.WaitGroup
			var mu sync.Mutex
			codes := map[int]int{}
			for hand := range hands {
				wg.Go(func() {
					for i := range guesses / hands {
						said := c.wrong + fmt.Sprint("guess", hand, "-", i)
						if name == "login" {
							said = basic("cook", said)
						}
						code := guess(t, s.at, said)
						mu.Lock()
						codes[code]++
						mu.Unlock()
					}
				})
			}
			wg.Wait()
			took := time.Since(begun)
			gaps := source.taken()
			looked, refused := codes[http.StatusUnauthorized], codes[http.StatusTooManyRequests]
			// A pause doubles from a second on: what was looked at is logarithmic in the time it took.
			if most := freeTries + 12 + int(took/longestPause); looked+refused != guesses || looked < freeTries || looked > most {
				t.Errorf("of %d guesses %d were looked at, at most %d ought to be: %v", guesses, looked, most, codes)
			}
			worst := time.Duration(0)
			for _, g := range gaps {
				worst = max(worst, g)
			}
			if expected := int(took / source.period); len(gaps) < expected/2 || worst > 2*time.Second {
				t.Errorf("%d sweeps of %d in %v, the longest gap %v", len(gaps), expected, took, worst)
			}
			t.Logf("%d guesses in %v: %v; %d sweeps of 200 ms, longest gap %v", guesses, took.Round(time.Millisecond), codes, len(gaps), worst)
			if said := r.log.count(wrongLogin); said < 1 || said > 2+int(took/time.Minute) {
				t.Errorf("%d lines in the log for %v of guessing", said, took)
			}
			if name == "login" {
				if code, _ := s.get(t, "Authorization", c.right); code != http.StatusOK {
					t.Errorf("who was known before is shut out by the guesses of another: %d", code)
				}
			}
			r.end()
		})
	}
}

// guess sends one login and gives the answer's status.
func guess(t *testing.T, at, said string) int {
	r, err := http.NewRequest(http.MethodGet, "http://"+at+"/healthz", nil)
	if err != nil {
		t.Error(err)
		return 0
	}
	r.Header.Set("Authorization", said)
	resp, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Error(err)
		return 0
	}
	defer resp.Body.Close()
	if _, err := io.Copy(io.Discard, resp.Body); err != nil {
		t.Error(err)
	}
	return resp.StatusCode
}

// allocated is how many bytes something takes from the heap, whoever takes them.
func allocated(what func()) uint64 {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	what()
	runtime.ReadMemStats(&after)
	return after.TotalAlloc - before.TotalAlloc
}

// endless is the body of a sender that never stops.
type endless struct{ left atomic.Int64 }

func (e *endless) Read(b []byte) (int, error) {
	left := e.left.Load()
	if left <= 0 {
		return 0, io.EOF
	}
	n := min(int64(len(b)), left)
	e.left.Add(-n)
	for i := range b[:n] {
		b[i] = 'x'
	}
	return int(n), nil
}

// TestAGiBOfBody: what claims to be a GiB is refused after a few KiB, by the page, the form and the metrics.
func TestAGiBOfBody(t *testing.T) {
	cfg := parsed(t, kitchen+fmt.Sprintf("publish:\n  http: { listen: \"127.0.0.1:0\", marks_token_file: %q }\n", written(t, "token", kitchenToken)))
	r := begin(t, cfg, filepath.Join(t.TempDir(), "l.db"), always(newLine(noon(), 2, true).play(2, 150)))
	at := <-r.pages
	for path, want := range map[string]int{"/mark": http.StatusRequestEntityTooLarge, "/sign-in": http.StatusRequestEntityTooLarge,
		"/metrics": http.StatusNotFound, "/state": http.StatusMethodNotAllowed} {
		body := &endless{}
		body.left.Store(1 << 30)
		var code int
		used := allocated(func() {
			req, err := http.NewRequest(http.MethodPost, at+path, body)
			if err != nil {
				t.Fatal(err)
			}
			req.ContentLength = 1 << 30
			req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
			req.Header.Set("Authorization", "Bearer "+kitchenToken)
			resp, err := http.DefaultClient.Do(req)
			if err != nil {
				t.Errorf("%s: %v", path, err)
				return
			}
			resp.Body.Close()
			code = resp.StatusCode
		})
		if sent := 1<<30 - body.left.Load(); code != want || used > 4<<20 || sent > 16<<20 {
			t.Errorf("%s: %d after %d bytes, %d bytes allocated; want %d", path, code, sent, used, want)
		}
	}
	r.end()
}
