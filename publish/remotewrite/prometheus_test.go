package remotewrite

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"math"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"holdbell/publish/ledger"
	"holdbell/rules"
	"holdbell/sensor"
)

// prometheus starts Debian's with a window for old samples, and gives its address; empty window: as it is shipped.
func prometheus(t *testing.T, window string) string {
	t.Helper()
	server, err := exec.LookPath("prometheus")
	if err != nil {
		if os.Getenv("HOLDBELL_REQUIRE") == "1" {
			t.Fatal("the program prometheus is missing; install Debian's package prometheus")
		}
		t.Skip("the program prometheus is missing; install Debian's package prometheus")
	}
	dir := t.TempDir()
	config := "global: { scrape_interval: 1m }\n"
	if window != "" {
		config += "storage: { tsdb: { out_of_order_time_window: " + window + " } }\n"
	}
	file := filepath.Join(dir, "prometheus.yml")
	if err := os.WriteFile(file, []byte(config), 0o600); err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	at := l.Addr().String()
	l.Close()
	ctx, cancel := context.WithCancel(t.Context())
	run := exec.CommandContext(ctx, server, "--config.file="+file, "--storage.tsdb.path="+filepath.Join(dir, "tsdb"), "--web.listen-address="+at,
		"--web.enable-remote-write-receiver", "--log.level=error")
	if err := run.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cancel(); _ = run.Wait() })
	for deadline := time.Now().Add(time.Minute); ; time.Sleep(50 * time.Millisecond) {
		if res, err := http.Get("http://" + at + "/-/ready"); err == nil {
			res.Body.Close()
			if res.StatusCode == http.StatusOK {
				return "http://" + at
			}
		}
		if time.Now().After(deadline) {
			t.Fatal("the Prometheus does not get ready")
		}
	}
}

// between passes requests on, and notes how late live samples come.
type between struct {
	t        *testing.T
	to       string
	live     time.Time // samples from here on are live ones
	mu       sync.Mutex
	first    time.Time
	latest   time.Duration
	lives    int
	requests int
	bytes    int64
	answers  map[int]int
}

func (b *between) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	body, err := io.ReadAll(r.Body)
	if err != nil {
		return
	}
	arrived := time.Now()
	samples, err := decode(r.Header, body)
	if err != nil {
		b.t.Error(err)
	}
	req, err := http.NewRequestWithContext(r.Context(), http.MethodPost, b.to+"/api/v1/write", bytes.NewReader(body))
	if err != nil {
		b.t.Error(err)
		return
	}
	req.Header = r.Header
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		w.WriteHeader(http.StatusBadGateway)
		return
	}
	defer res.Body.Close()
	text, _ := io.ReadAll(res.Body)
	b.mu.Lock()
	b.requests++
	b.bytes += int64(len(body))
	b.answers[res.StatusCode]++
	if res.StatusCode <= 299 {
		if b.first.IsZero() {
			b.first = arrived
		}
		for _, g := range samples {
			if at := time.UnixMilli(g.at); !at.Before(b.live) && strings.HasPrefix(g.series, `__name__="holdbell_probe_`) {
				b.lives++
				b.latest = max(b.latest, time.Since(at))
			}
		}
	}
	b.mu.Unlock()
	w.WriteHeader(res.StatusCode)
	_, _ = w.Write(text)
}

// The kitchen of these tests has eight probes, one of which fails now and then.
const probesThere = 8

func reading(i, j int) sensor.Reading {
	if j == 3 && i%1000 < 17 {
		return sensor.Bad(sensor.Open)
	}
	return sensor.Reading{Temp: sensor.Temp(60_000 + 1000*j + int(900*math.Sin(float64(i)/300+float64(j))) + (i*7919+j*104729)%63)}
}

// house is a board with a real record, at work in real time.
type house struct {
	t      *testing.T
	ledger *ledger.Ledger
	writer *ledger.Writer
	recent Recent
	names  []string
	boot   time.Time
	n      int // sweeps so far
}

func newHouse(t *testing.T, boot time.Time) *house {
	t.Helper()
	l, err := ledger.Open(filepath.Join(t.TempDir(), "l.db"), ledger.Options{})
	if err != nil {
		t.Fatal(err)
	}
	h := &house{t: t, ledger: l, boot: boot.Truncate(time.Millisecond).UTC()}
	for j := range probesThere {
		h.names = append(h.names, fmt.Sprintf("probe-%d", j))
	}
	h.writer = ledger.NewWriter(l, ledger.WriterOptions{Log: slog.New(slog.DiscardHandler)})
	t.Cleanup(func() {
		if err := h.writer.Close(context.Background(), nil); err != nil {
			t.Error(err)
		}
	})
	return h
}

func (h *house) instant(at time.Time) sensor.Instant {
	at = at.Truncate(time.Millisecond).UTC()
	return sensor.Instant{Wall: at, Mono: at.Sub(h.boot), Boot: sensor.BootID{1}, Believed: true}
}

func (h *house) sweep(at time.Time, live bool) {
	s := sensor.Sweep{At: h.instant(at)}
	for j := range probesThere {
		s.Readings = append(s.Readings, reading(h.n, j))
	}
	h.n++
	h.writer.Add(ledger.Entry{Probes: h.names, Input: rules.Input{Sweep: s}})
	if live {
		h.recent.Add(h.names, s)
	}
}

func (h *house) flush() {
	h.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	if err := h.writer.Flush(ctx, nil); err != nil {
		h.t.Fatal(err)
	}
}

func (h *house) remote(url string, change func(*Options)) *Writer {
	h.t.Helper()
	o := Options{URL: url, Site: "test-kitchen", Version: "1", Gather: noFamilies, Record: h.ledger, Newest: h.writer.Newest, Recent: &h.recent,
		Now: func() sensor.Instant { return h.instant(time.Now()) }, Log: slog.New(slog.NewTextHandler(h.t.Output(), nil))}
	for j, name := range h.names {
		role := "food"
		if j == 0 {
			role = "air"
		}
		o.Probes = append(o.Probes, Probe{name, "warmer", role, func(r sensor.Reading) sensor.Reading { return r }})
	}
	change(&o)
	w, err := New(o)
	if err != nil {
		h.t.Fatal(err)
	}
	return w
}

// point is one sample that a Prometheus gives back.
type point struct {
	at    int64
	value float64
}

// ask gives what a Prometheus has of a family within an hour up to a time, by probe.
func askPrometheus(t *testing.T, at, family string, until time.Time) map[string][]point {
	t.Helper()
	q := url.Values{"query": {family + "[1h]"}, "time": {strconv.FormatFloat(float64(until.UnixMilli())/1000, 'f', 3, 64)}}
	res, err := http.Get(at + "/api/v1/query?" + q.Encode())
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	var a struct {
		Status, Error string
		Data          struct {
			Result []struct {
				Metric map[string]string
				Values [][2]any
			}
		}
	}
	if err := json.NewDecoder(res.Body).Decode(&a); err != nil || a.Status != "success" {
		t.Fatalf("%v %s", err, a.Error)
	}
	all := map[string][]point{}
	for _, r := range a.Data.Result {
		if r.Metric["job"] != "holdbell" || r.Metric["instance"] != "test-kitchen" || r.Metric["site"] != "test-kitchen" || all[r.Metric["probe"]] != nil {
			t.Errorf("a series %v", r.Metric)
		}
		var points []point
		for _, v := range r.Values {
			value, err := strconv.ParseFloat(v[1].(string), 64)
			if err != nil {
				t.Fatal(err)
			}
			points = append(points, point{int64(math.Round(v[0].(float64) * 1000)), value})
		}
		all[r.Metric["probe"]] = points
	}
	return all
}

// compare holds a Prometheus to have exactly what the record has, and gives how many temperatures that are.
func (h *house) compare(t *testing.T, at string) (temperatures int) {
	t.Helper()
	type kept struct{ temperatures, ups map[int64]float64 }
	want := map[string]kept{}
	for _, name := range h.names {
		want[name] = kept{map[int64]float64{}, map[int64]float64{}}
	}
	var from, to time.Time
	err := h.ledger.Readings(t.Context(), time.Time{}, time.Time{}, func(probes []string, s *sensor.Sweep) bool {
		if from.IsZero() {
			from = s.At.Wall
		}
		to = s.At.Wall
		for j, r := range s.Readings {
			k := want[probes[j]]
			k.ups[to.UnixMilli()] = 0
			if r.Valid() {
				k.ups[to.UnixMilli()] = 1
				k.temperatures[to.UnixMilli()] = r.Temp.Celsius()
			}
		}
		return true
	})
	if err != nil {
		t.Fatal(err)
	}
	for until := from.Add(time.Hour - time.Millisecond); until.Before(to.Add(time.Hour)); until = until.Add(time.Hour) {
		begin := until.Add(time.Millisecond - time.Hour).UnixMilli()
		for family, of := range map[string]func(kept) map[int64]float64{
			Temperature: func(k kept) map[int64]float64 { return k.temperatures }, Up: func(k kept) map[int64]float64 { return k.ups },
		} {
			for name, points := range askPrometheus(t, at, family, until) {
				left := of(want[name])
				for i, p := range points {
					if i > 0 && p.at <= points[i-1].at {
						t.Fatalf("%s of %s is there twice at %d", family, name, p.at)
					}
					if p.at < begin {
						continue // of the hour before
					}
					if v, ok := left[p.at]; !ok || v != p.value {
						t.Fatalf("%s of %s at %d is %v, and %v (%v) in the record", family, name, p.at, p.value, v, ok)
					}
					delete(left, p.at)
					if family == Temperature {
						temperatures++
					}
				}
			}
		}
	}
	for name, k := range want {
		if len(k.temperatures)+len(k.ups) > 0 {
			t.Errorf("%s: %d temperatures and %d others are missing", name, len(k.temperatures), len(k.ups))
		}
	}
	return temperatures
}

// TestAnOutageInAPrometheus: a board with eight probes was cut off for an hour, or for HOLDBELL_OUTAGE, and a real
// Prometheus is there again. It ends with every sample of the record, once; live readings get through meanwhile.
func TestAnOutageInAPrometheus(t *testing.T) {
	outage, rate := time.Hour, 20_000
	if s := os.Getenv("HOLDBELL_OUTAGE"); s != "" {
		d, err := time.ParseDuration(s)
		if err != nil || d < time.Minute {
			t.Fatalf("HOLDBELL_OUTAGE=%s is no duration of a minute or more; write 24h", s)
		}
		outage, rate = d, DefaultBacklogRate
	}
	far := &between{t: t, to: prometheus(t, fmt.Sprintf("%ds", int((outage+2*time.Hour).Seconds()))), answers: map[int]int{}}
	door := httptest.NewServer(far)
	t.Cleanup(door.Close)

	back := time.Now()
	h := newHouse(t, back.Add(-outage-time.Hour))
	for at := back.Add(-outage); at.Before(back); at = at.Add(time.Second) {
		if h.sweep(at, false); h.n%3600 == 0 {
			h.flush()
		}
	}
	h.flush()
	missed := h.n
	if err := h.ledger.SetCursor(t.Context(), Name, 0); err != nil {
		t.Fatal(err)
	}
	far.live = time.Now()
	t.Logf("%d sweeps of %d probes recorded in %v", h.n, probesThere, far.live.Sub(back).Round(time.Millisecond))
	w := h.remote(door.URL, func(o *Options) { o.BacklogRate = rate })
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() {
		defer close(done)
		w.Run(ctx)
	}()
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	begun := time.Now()
	limit := 2*time.Minute + 2*outage*2*probesThere/time.Duration(rate)
	var through time.Duration
	for settled := 0; settled < 3; {
		h.sweep(<-tick.C, true)
		late := w.oldest.Load()
		if f := w.Figures(); f.Sent >= uint64(missed)*(2*probesThere-1) && late == nil && f.Backlog < 10*time.Second {
			if through == 0 {
				through = time.Since(begun)
			}
			settled++
		}
		if time.Since(begun) > limit {
			t.Fatalf("after %v: %+v", limit, w.Figures())
		}
	}
	h.flush()
	cancel()
	<-done
	f := w.Figures()
	n := h.compare(t, far.to)
	t.Logf("an outage of %v, %d sweeps: %d temperatures are there once each; %d samples sent in %v at a rate of %d, %d requests, %d bytes, answers %v; of %d live samples the latest came %v late",
		outage, missed, n, f.Sent, through.Round(time.Second), rate, far.requests, far.bytes, far.answers, far.lives, far.latest.Round(time.Millisecond))
	// A machine that does much else can hold anything up: the bound is for whoever measures.
	if os.Getenv("HOLDBELL_OUTAGE") != "" && far.latest > 10*time.Second || far.lives < 2*probesThere*int(through.Seconds()/2) {
		t.Errorf("of %d live samples the latest came %v late", far.lives, far.latest)
	}
	if f.Refused > 0 || f.Gone > 0 || f.Undated > 0 {
		t.Errorf("%+v", f)
	}
}

// A Prometheus takes what its window lets in, and nothing that is old as it is shipped: what it refuses is counted and
// told, and live readings go on.
func TestAPrometheusWithTooSmallAWindow(t *testing.T) {
	for name, c := range map[string]struct {
		window string
		in     time.Duration // how much of the backlog it lets in
	}{"none": {"", 0}, "ten minutes": {"10m", 10 * time.Minute}} {
		t.Run(name, func(t *testing.T) {
			far := &between{t: t, to: prometheus(t, c.window), answers: map[int]int{}}
			door := httptest.NewServer(far)
			t.Cleanup(door.Close)
			back := time.Now()
			h := newHouse(t, back.Add(-6*time.Hour))
			for at := back.Add(-40 * time.Minute); at.Before(back); at = at.Add(time.Second) {
				h.sweep(at, false)
			}
			h.flush()
			missed := h.n
			if err := h.ledger.SetCursor(t.Context(), Name, 0); err != nil {
				t.Fatal(err)
			}
			w := h.remote(door.URL, func(o *Options) { o.BacklogRate = 20_000 })
			ctx, cancel := context.WithCancel(t.Context())
			done := make(chan struct{})
			go func() {
				defer close(done)
				w.Run(ctx)
			}()
			tick := time.NewTicker(200 * time.Millisecond)
			defer tick.Stop()
			for begun := time.Now(); ; {
				h.sweep(<-tick.C, true)
				f := w.Figures()
				if late := w.oldest.Load(); f.Sent > 0 && f.TooOld+f.Sent >= uint64(missed)*(2*probesThere-1) && late == nil {
					break
				}
				if time.Since(begun) > 2*time.Minute {
					t.Fatalf("%+v", f)
				}
			}
			h.flush()
			cancel()
			<-done
			f := w.Figures()
			text, trouble := f.Words()
			if !trouble || !strings.Contains(text, window) || f.Refused != f.TooOld || f.TooOld == 0 {
				t.Errorf("%+v: %q", f, text)
			}
			if far.requests > 250 {
				t.Errorf("%d requests", far.requests)
			}
			for name, points := range askPrometheus(t, far.to, Up, time.Now()) {
				live, old := h.n-missed, 0
				for _, p := range points {
					if p.at < back.UnixMilli() {
						old++
					}
				}
				// The bound moves on with every live sweep meanwhile.
				if want := int(c.in.Seconds()); len(points)-old != live || old > want || old < want*9/10 {
					t.Errorf("%s has %d live samples, want %d, and %d old ones, want %d at most", name, len(points)-old, live, old, want)
				}
			}
			t.Logf("%d samples too old in %d requests, answers %v; %q", f.TooOld, far.requests, far.answers, text)
		})
	}
}
