package daemon

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"

	"holdbell/configs"
	"holdbell/publish/mqtt"
	"holdbell/publish/phone"
	"holdbell/rules"
	"holdbell/sensor"
	"holdbell/sensor/its90"
	simulated "holdbell/sensor/kitchen"
	"holdbell/sensor/kitchen/chip"
)

// days is a whole daemon in a bubble, in which days pass in seconds: simulated chips behind the real drivers, the
// real record, the page, a broker and a phone service without a network, each of which comes and goes.
type days struct {
	*Daemon
	t      *testing.T
	broker *hub
	far    *service
	stop   context.CancelFunc
	ended  chan error
}

// beginDays starts one. It is called in a bubble; listen is a port that somebody has, so that nothing listens: a
// bubble's clock stands still while somebody waits for the network. The sweeps come each period: every second of a
// day costs a minute of a slow machine.
func beginDays(t *testing.T, period time.Duration, listen, record, address string) *days {
	t.Helper()
	cfg := parsed(t, fmt.Sprintf(`
site: days
period: %v
rules: { food_code: us-fda-2022 }
ledger: { keep_full: 24h }
probes:
  - { name: air,  chip: max31856, bus: SPI0.1, type: K, mains_hz: 60, offset: 0C }
  - { name: core, chip: max31855, bus: SPI0.0, type: K, offset: 0C }
stations:
  - { name: warmer, purpose: hot-holding, air: air, food: [core], setpoint: 150F, band: [140F, 165F] }
publish:
  http: { listen: %q }
  mqtt: { broker: "tcp://broker.example:1883" }
  phone: [ { url_file: %q, from: warning } ]
`, period, listen, address))
	quiet := slog.New(slog.DiscardHandler)
	d, err := New(cfg, Options{Open: daily, Ledger: record, Log: quiet})
	if err != nil {
		t.Fatal(err)
	}
	r := &days{Daemon: d, t: t, broker: &hub{t: t}, far: &service{}, ended: make(chan error, 1)}
	o := d.outputs.Load()
	options := o.mqttOptions(cfg.MQTT.Brokers)
	options.Dial = r.broker.dial
	if o.client, err = mqtt.New(options); err != nil {
		t.Fatal(err)
	}
	target, err := phone.New(phone.Options{Name: "phone", URLFile: address, From: rules.Warning, Site: cfg.Site, Now: d.desk.now,
		Zone: time.UTC, Budget: 1000, Log: quiet, Client: &http.Client{Transport: r.far}})
	if err != nil {
		t.Fatal(err)
	}
	o.phones = []*phone.Phone{target}
	ctx, cancel := context.WithCancel(t.Context())
	r.stop = cancel
	go func() { r.ended <- d.Run(ctx) }()
	return r
}

// end stops the daemon and its far ends.
func (r *days) end() {
	r.t.Helper()
	r.stop()
	if err := <-r.ended; err != nil {
		r.t.Errorf("the daemon ended with %v", err)
	}
	r.broker.listen(false)
	synctest.Wait()
}

// daily is a warmer in which something happens every day, as a feed of a second a second.
func daily(cfg *configs.Config, _ sensor.Instant) (*Feed, error) {
	const day = 24 * time.Hour
	k, err := simulated.New(simulated.Plan{
		Seed: 1, Room: 24, Stations: []simulated.Station{simulated.HoldingCabinet("warmer", 65.6)},
		Foods: []simulated.Food{{Name: "tray", Station: "warmer", Start: 63, Wrapped: true, Capacity: 4_000, Area: 0.1}},
		Probes: []simulated.Probe{
			{Name: "air", Chip: "max31856", Bus: "SPI0.1", Type: its90.K, At: simulated.Place{Station: "warmer"}, Lag: 20 * time.Second, Noise: 0.08},
			{Name: "core", Chip: "max31855", Bus: "SPI0.0", Type: its90.K, At: simulated.Place{Food: "tray"}, Lag: 8 * time.Second, Noise: 0.15},
		},
		Script: []simulated.Event{
			{At: 2 * time.Hour, Every: 6 * time.Hour, Do: simulated.Door{Station: "warmer", Open: true}},
			{At: 2*time.Hour + 5*time.Minute, Every: 6 * time.Hour, Do: simulated.Door{Station: "warmer"}},
			{At: 4 * time.Hour, Every: 4 * time.Hour, Do: simulated.Breaker{Station: "warmer", Tripped: true}},
			{At: 4*time.Hour + 45*time.Minute, Every: 4 * time.Hour, Do: simulated.Breaker{Station: "warmer"}},
			{At: 18 * time.Hour, Every: day, Do: simulated.Lead{Probe: "core", Is: chip.Open}},
			{At: 18*time.Hour + 8*time.Minute, Every: day, Do: simulated.Lead{Probe: "core", Is: chip.Intact}},
		},
	})
	if err != nil {
		return nil, err
	}
	probes, err := Probes(cfg, Places{Buses: k})
	if err != nil {
		return nil, err
	}
	drivers := make([]sensor.Probe, len(probes))
	for i := range probes {
		drivers[i] = probes[i].Probe
	}
	now := func() sensor.Instant {
		at := bubble()
		at.Boot = sensor.BootID{} // the kitchen's
		return at
	}
	begun := now()
	due := begun.Add(time.Hour)
	n := 0
	script := func(until sensor.Instant) []rules.Mark {
		if d, _ := due.Sub(until); d > 0 {
			return nil
		}
		n++
		lot := fmt.Sprint("tray-", (n+1)/2)
		m := rules.Mark{At: due, Kind: rules.MarkLoad, Lot: lot, Station: "warmer", Note: "food=beef probe=core", ID: fmt.Sprint("script-", n)}
		if n%2 == 0 {
			m = rules.Mark{At: due, Kind: rules.MarkClose, Lot: lot, Station: "warmer", ID: m.ID}
		}
		due = due.Add(5 * time.Hour)
		return []rules.Mark{m}
	}
	return &Feed{Source: &paced{k.Source(drivers, cfg.Period, begun), cfg.Period}, Now: now, Script: script}, nil
}

// paced holds a source of virtual time to the bubble's.
type paced struct {
	sensor.Source
	period time.Duration
}

func (p *paced) Next(ctx context.Context) (sensor.Sweep, error) {
	select {
	case <-time.After(p.period):
	case <-ctx.Done():
		return sensor.Sweep{}, ctx.Err()
	}
	return p.Source.Next(ctx)
}

// hub is a broker without a network. It keeps which events it has heard, and no more: it must not grow.
type hub struct {
	t *testing.T

	mu     sync.Mutex
	server *mochi.Server // nil: down
	door   *pipes
	upTo   uint64 // every event to here was heard
	again  int    // of these, so many came more than once
	old    int    // so many were more than a minute old when they came
}

// pipes is a listener whose connections are made by dial.
type pipes struct {
	conns chan net.Conn
	shut  chan struct{}
	once  sync.Once
}

func (p *pipes) Accept() (net.Conn, error) {
	select {
	case c := <-p.conns:
		return c, nil
	case <-p.shut:
		return nil, net.ErrClosed
	}
}
func (p *pipes) Close() error   { p.once.Do(func() { close(p.shut) }); return nil }
func (p *pipes) Addr() net.Addr { return &net.UnixAddr{Name: "pipe", Net: "pipe"} }

func (h *hub) dial(ctx context.Context, _ string) (net.Conn, error) {
	h.mu.Lock()
	door := h.door
	h.mu.Unlock()
	if door == nil {
		return nil, errors.New("connection refused")
	}
	here, there := net.Pipe()
	select {
	case door.conns <- there:
		return here, nil
	case <-door.shut:
		return nil, errors.New("connection refused")
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// welcome lets everybody in.
type welcome struct{ mochi.HookBase }

func (*welcome) ID() string { return "welcome" }
func (*welcome) Provides(b byte) bool {
	return b == mochi.OnConnectAuthenticate || b == mochi.OnACLCheck
}
func (*welcome) OnConnectAuthenticate(*mochi.Client, packets.Packet) bool { return true }
func (*welcome) OnACLCheck(*mochi.Client, string, bool) bool              { return true }

// listen brings the broker up, or down.
func (h *hub) listen(up bool) {
	h.t.Helper()
	h.mu.Lock()
	server := h.server
	h.server, h.door = nil, nil
	h.mu.Unlock()
	if server != nil {
		_ = server.Close() // always nil
	}
	if !up {
		return
	}
	door := &pipes{conns: make(chan net.Conn), shut: make(chan struct{})}
	server = mochi.New(&mochi.Options{InlineClient: true, SysTopicResendInterval: 3600, Logger: slog.New(slog.DiscardHandler)})
	for _, err := range []error{
		server.AddHook(new(welcome), nil),
		server.Subscribe("holdbell/days/event", 1, h.hear),
		server.AddListener(listeners.NewNet("pipes", door)),
		server.Serve(),
	} {
		if err != nil {
			h.t.Fatalf("the test's broker: %v", err)
		}
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	h.server, h.door = server, door
}

func (h *hub) hear(_ *mochi.Client, _ packets.Subscription, pk packets.Packet) {
	var ev struct {
		Seq uint64
		At  time.Time
	}
	if err := json.Unmarshal(pk.Payload, &ev); err != nil {
		h.t.Errorf("an event's message %q: %v", pk.Payload, err)
		return
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	switch {
	case ev.Seq > h.upTo+1:
		h.t.Errorf("event %d came after %d", ev.Seq, h.upTo)
	case ev.Seq <= h.upTo:
		h.again++
		return
	}
	h.upTo = ev.Seq
	if time.Since(ev.At) > time.Minute {
		h.old++
	}
}

// service is a phone service without a network.
type service struct {
	mu   sync.Mutex
	down bool
	got  []message
	most int // of messages that are kept; 0: all
	n    int
}

type message struct {
	at   time.Time
	seq  uint64
	body string
}

func (s *service) set(down bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.down = down
}

func (s *service) RoundTrip(r *http.Request) (*http.Response, error) {
	body, err := io.ReadAll(r.Body)
	if err != nil {
		return nil, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.down {
		return nil, errors.New("the network is down")
	}
	_, text, _ := strings.Cut(r.Header.Get("Idempotency-Key"), "-")
	seq, err := strconv.ParseUint(text, 10, 64)
	if err != nil {
		return nil, err
	}
	s.n++
	if s.most > 0 && len(s.got) == s.most {
		s.got = s.got[1:]
	}
	s.got = append(s.got, message{time.Now(), seq, string(body)})
	return &http.Response{StatusCode: http.StatusOK, Header: http.Header{}, Body: io.NopCloser(strings.NewReader("{}"))}, nil
}

// visit asks for every page, as a browser would.
func (r *days) visit() {
	r.t.Helper()
	for _, path := range []string{"/", "/board", "/alarms", "/record", "/state", "/metrics", "/healthz"} {
		w := &counted{header: http.Header{}}
		q := httptest.NewRequestWithContext(r.t.Context(), http.MethodGet, path, nil)
		q.RemoteAddr, q.Host = "127.0.0.1:4000", "localhost"
		r.outputs.Load().handler.ServeHTTP(w, q)
		if w.code != 0 && w.code != http.StatusOK || w.n == 0 {
			r.t.Errorf("%s gives %d with %d bytes", path, w.code, w.n)
		}
	}
}

// counted is a browser that only counts.
type counted struct {
	header  http.Header
	code, n int
}

func (c *counted) Header() http.Header         { return c.header }
func (c *counted) WriteHeader(code int)        { c.code = code }
func (c *counted) Write(b []byte) (int, error) { c.n += len(b); return len(b), nil }

// figures are what must stay flat.
type figures struct{ goroutines, handles, heap int }

func (f figures) String() string {
	return fmt.Sprintf("%d goroutines, %d handles, %d kB of heap", f.goroutines, f.handles, f.heap/1024)
}

func measured(t *testing.T) figures {
	t.Helper()
	synctest.Wait()
	runtime.GC()
	runtime.GC() // what a pool held goes with the second
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	handles, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Fatal(err)
	}
	return figures{runtime.NumGoroutine(), len(handles), int(m.HeapAlloc)}
}

// middle gives the middle of each figure.
func middle(all []figures) figures {
	of := func(f func(figures) int) int {
		by := slices.SortedFunc(slices.Values(all), func(a, b figures) int { return cmp.Compare(f(a), f(b)) })
		return f(by[len(by)/2])
	}
	return figures{of(func(f figures) int { return f.goroutines }), of(func(f figures) int { return f.handles }), of(func(f figures) int { return f.heap })}
}

// flat holds later figures to earlier ones.
func flat(t *testing.T, before, after figures) {
	t.Helper()
	if after.goroutines > before.goroutines+2 || after.handles > before.handles || after.heap > before.heap+1<<20 {
		t.Errorf("before: %v; after: %v", before, after)
	}
}

// taken is a port that somebody has until the test ends, and a file with a phone's address.
func taken(t *testing.T) (listen, address string) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	return l.Addr().String(), written(t, "phone", "https://far.example/topic\n")
}

// inMemory is a folder in memory where there is one: ten thousands of commits prove nothing of the disk.
func inMemory(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("/dev/shm", "holdbell")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}
