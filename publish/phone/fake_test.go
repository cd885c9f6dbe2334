package phone

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"holdbell/publish/publishtest"
	"holdbell/rules"
	"holdbell/sensor"
)

// canary stands where a secret stands in an address. It may show up in no error and no log.
const canary = "Canary-7f3a"

// call is one request as the far end got it.
type call struct {
	method, path, body string
	header             http.Header
}

// far is a far end without a network: a round tripper that answers as it is told, in a synctest bubble too.
type far struct {
	mu     sync.Mutex
	calls  []call
	answer func(n int, r *http.Request) (*http.Response, error) // n counts from 1; nil: 200
}

func (f *far) RoundTrip(r *http.Request) (*http.Response, error) {
	body, err := io.ReadAll(r.Body)
	if err != nil {
		return nil, err
	}
	f.mu.Lock()
	f.calls = append(f.calls, call{r.Method, r.URL.Path, string(body), r.Header.Clone()})
	n, answer := len(f.calls), f.answer
	f.mu.Unlock()
	if answer == nil {
		return reply(200, nil), nil
	}
	return answer(n, r)
}

func (f *far) got() []call {
	f.mu.Lock()
	defer f.mu.Unlock()
	return append([]call(nil), f.calls...)
}

func (f *far) titles() (all []string) {
	for _, c := range f.got() {
		all = append(all, c.header.Get("Title"))
	}
	return all
}

func reply(code int, header map[string]string) *http.Response {
	res := &http.Response{StatusCode: code, Header: http.Header{}, Body: io.NopCloser(strings.NewReader("answer"))}
	for k, v := range header {
		res.Header.Set(k, v)
	}
	return res
}

// answers gives the codes in turn, the last one for good.
func answers(codes ...int) func(int, *http.Request) (*http.Response, error) {
	return func(n int, _ *http.Request) (*http.Response, error) {
		return reply(codes[min(n, len(codes))-1], nil), nil
	}
}

// kitchenClock is the clock of a board that was switched on an hour before noon, and runs with time.Now.
type kitchenClock struct{ began time.Time }

func newClock() *kitchenClock { return &kitchenClock{time.Now()} }

func (c *kitchenClock) now() sensor.Instant {
	return sensor.Instant{Wall: time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC), Mono: time.Hour, Believed: true}.Add(time.Since(c.began))
}

// addressIn writes an address into a file of its own.
func addressIn(t *testing.T, address string) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "phone.url")
	if err := os.WriteFile(file, []byte(address+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

// journal is a log that can be read.
type journal struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (j *journal) Write(b []byte) (int, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.b.Write(b)
}

func (j *journal) String() string {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.b.String()
}

func (j *journal) logger() *slog.Logger { return slog.New(slog.NewTextHandler(j, nil)) }

// phoneTo gives a phone with this address whose far end is f (nil: the network). change may be nil.
func phoneTo(t *testing.T, address string, f *far, change func(*Options)) *Phone {
	t.Helper()
	o := Options{Name: "phone", URLFile: addressIn(t, address), From: rules.Warning, Site: "demo-kitchen",
		Now: newClock().now, Zone: time.UTC, Log: slog.New(slog.DiscardHandler)}
	if f != nil {
		o.Client = &http.Client{Transport: f}
	}
	if change != nil {
		change(&o)
	}
	p, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// event is one of this moment.
func event(p *Phone, seq uint64, kind rules.EventKind, priority rules.Priority) rules.Event {
	now := p.o.Now()
	return rules.Event{Seq: seq, Kind: kind, At: now, Since: now.Add(-time.Minute), Alarm: rules.BelowHotLimit,
		Station: "warmer", Lot: "brisket", Priority: priority, State: rules.Unacknowledged,
		Text: "brisket in warmer has been under 135 °F for 12 min. Reheat it to 165 °F for 15 s within 1 h 48 min, or discard it."}
}

// must delivers an event that has to arrive or not to ring.
func must(t *testing.T, p *Phone, ev rules.Event) {
	t.Helper()
	if err := p.Deliver(t.Context(), "led", ev); err != nil {
		t.Fatalf("event %d: %v", ev.Seq, err)
	}
}

// server is a far end on the network that keeps the suite's events.
type server struct {
	mu     sync.Mutex
	got    []publishtest.Key
	calls  []call
	broken chan struct{} // closed by mend; nil while all is well
	refuse map[uint64]bool
	fault  string // what broken means: "status", "cut" or "silent"
	key    func(c call) (publishtest.Key, error)
}

func (s *server) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	body, _ := io.ReadAll(r.Body)
	c := call{r.Method, r.URL.RequestURI(), string(body), r.Header}
	s.mu.Lock()
	broken := s.broken
	s.mu.Unlock()
	if broken != nil {
		switch s.fault {
		case "cut":
			panic(http.ErrAbortHandler)
		case "silent":
			<-broken
		}
		http.Error(w, "down", http.StatusInternalServerError)
		return
	}
	key, err := s.key(c)
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case err != nil:
		http.Error(w, err.Error(), http.StatusInternalServerError)
	case s.refuse[key.Seq]:
		http.Error(w, "no", http.StatusUnprocessableEntity)
	default:
		s.got = append(s.got, key)
		s.calls = append(s.calls, c)
		fmt.Fprintln(w, "{}")
	}
}

func (s *server) rig(t *testing.T, address func(host string) string) publishtest.Rig {
	s.refuse = map[uint64]bool{}
	h := httptest.NewServer(s)
	mend := func() {
		s.mu.Lock()
		defer s.mu.Unlock()
		if s.broken != nil {
			close(s.broken)
			s.broken = nil
		}
	}
	t.Cleanup(func() { mend(); h.Close() })
	events := publishtest.Events(1)
	p := phoneTo(t, address(strings.TrimPrefix(h.URL, "http://")), nil, func(o *Options) {
		o.Now = func() sensor.Instant { return events[0].At.Add(time.Hour) }
	})
	return publishtest.Rig{Publisher: p,
		Received: func() []publishtest.Key {
			s.mu.Lock()
			defer s.mu.Unlock()
			return append([]publishtest.Key(nil), s.got...)
		},
		Break: func() {
			s.mu.Lock()
			defer s.mu.Unlock()
			if s.broken == nil {
				s.broken = make(chan struct{})
			}
		},
		Mend: mend,
		Refuse: func(seq uint64) {
			s.mu.Lock()
			defer s.mu.Unlock()
			s.refuse[seq] = true
		}}
}

// headerKey reads the key that our own two forms carry.
func headerKey(c call) (publishtest.Key, error) {
	ledger, seq, _ := strings.Cut(c.header.Get("Idempotency-Key"), "-")
	n, err := strconv.ParseUint(seq, 10, 64)
	return publishtest.Key{Ledger: ledger, Seq: n}, err
}

// hookKey reads it from the JSON, and holds it against the header.
func hookKey(c call) (publishtest.Key, error) {
	var h Hook
	if err := json.Unmarshal([]byte(c.body), &h); err != nil {
		return publishtest.Key{}, err
	}
	key := publishtest.Key{Ledger: h.Ledger, Seq: h.Seq}
	if other, err := headerKey(c); err != nil || other != key {
		return key, fmt.Errorf("the header says %v (%v), the body %v", other, err, key)
	}
	return key, nil
}

// textKey reads the number from the sentence: a service's message carries no key.
func textKey(c call) (publishtest.Key, error) {
	m := regexp.MustCompile(`Example (\d+):`).FindStringSubmatch(c.body)
	if m == nil {
		return publishtest.Key{}, fmt.Errorf("no example in %q", c.body)
	}
	n, err := strconv.ParseUint(m[1], 10, 64)
	return publishtest.Key{Ledger: "0123456789abcdef0123456789abcdef", Seq: n}, err
}

func TestConformance(t *testing.T) {
	for name, c := range map[string]struct {
		fault   string
		key     func(call) (publishtest.Key, error)
		address func(host string) string
	}{
		"push, cut off":        {"cut", headerKey, func(h string) string { return "http://" + h + "/topic" }},
		"webhook, in trouble":  {"status", hookKey, func(h string) string { return "json+http://" + h + "/hook" }},
		"service, not a sound": {"silent", textKey, func(h string) string { return "gotify://" + h + "/Aabcdefghijklmn?disabletls=yes" }},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			publishtest.Run(t, func(t *testing.T) publishtest.Rig {
				return (&server{fault: c.fault, key: c.key}).rig(t, c.address)
			})
		})
	}
}

// within is a context for the real network, far longer than anything takes.
func within(t *testing.T) context.Context {
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	t.Cleanup(cancel)
	return ctx
}

// stoppedClock stands still.
func stoppedClock(at sensor.Instant) func() sensor.Instant {
	return func() sensor.Instant { return at }
}

// noCursors keeps nothing.
type noCursors struct{}

func (noCursors) ID() string                                           { return "led" }
func (noCursors) Cursor(context.Context, string) (uint64, bool, error) { return 0, false, nil }
func (noCursors) SetCursor(context.Context, string, uint64) error      { return nil }
