package daemon

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"holdbell/configs"
	"holdbell/publish"
	"holdbell/publish/page"
	"holdbell/rules"
	"holdbell/sensor"
)

// line is a source that plays sweeps of virtual time, a second apart, as fast as they are asked for. It
// ends when they do, or waits for more.
type line struct {
	at     sensor.Instant
	probes int
	mu     sync.Mutex
	temps  []int // °F of each sweep, for all probes; a negative one is an open probe
	more   chan struct{}
	open   bool // waits at the end
	marks  []rules.Mark
	played int
	jump   func(sweep int, at *sensor.Instant) // moves the clock; nil never
}

func newLine(start sensor.Instant, probes int, open bool) *line {
	return &line{at: start, probes: probes, open: open, more: make(chan struct{}, 1)}
}

// play adds n sweeps at a temperature.
func (l *line) play(n, fahrenheit int) *line {
	l.mu.Lock()
	defer l.mu.Unlock()
	for range n {
		l.temps = append(l.temps, fahrenheit)
	}
	select {
	case l.more <- struct{}{}:
	default:
	}
	return l
}

func (l *line) Next(ctx context.Context) (sensor.Sweep, error) {
	for {
		l.mu.Lock()
		if len(l.temps) > 0 {
			break
		}
		l.mu.Unlock()
		if !l.open {
			return sensor.Sweep{}, io.EOF
		}
		select {
		case <-l.more:
		case <-ctx.Done():
			return sensor.Sweep{}, ctx.Err()
		}
	}
	defer l.mu.Unlock()
	f := l.temps[0]
	l.temps = l.temps[1:]
	l.at = l.at.Add(time.Second)
	l.played++
	if l.jump != nil {
		l.jump(l.played, &l.at)
	}
	s := sensor.Sweep{At: l.at}
	for range l.probes {
		if f < 0 {
			s.Readings = append(s.Readings, sensor.Bad(sensor.Open))
		} else {
			s.Readings = append(s.Readings, sensor.Reading{Temp: sensor.FahrenheitLimit(f)})
		}
	}
	return s, nil
}

// script gives the marks up to an instant.
func (l *line) script(until sensor.Instant) []rules.Mark {
	for i := range l.marks {
		if d, _ := l.marks[i].At.Sub(until); d > 0 {
			due := l.marks[:i:i]
			l.marks = l.marks[i:]
			return due
		}
	}
	due := l.marks
	l.marks = nil
	return due
}

func (l *line) now() sensor.Instant {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.at
}

func noon() sensor.Instant {
	return sensor.Instant{Wall: time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC), Mono: time.Hour, Boot: sensor.BootID{7}, Believed: true}
}

// ear is a Publisher that keeps what it is told, and wakes who waits for it.
type ear struct {
	mu     sync.Mutex
	events []rules.Event
	states int
	heard  chan struct{}
}

func newEar() *ear { return &ear{heard: make(chan struct{}, 1)} }

func (e *ear) Name() string { return "ear" }

func (e *ear) Show(*rules.State) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.states++
	e.wake()
}

func (e *ear) Deliver(_ context.Context, _ string, ev rules.Event) error {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.events = append(e.events, ev)
	e.wake()
	return nil
}

func (e *ear) wake() {
	select {
	case e.heard <- struct{}{}:
	default:
	}
}

// until waits for an event that fits.
func (e *ear) until(t *testing.T, what string, fits func(*rules.Event) bool) rules.Event {
	t.Helper()
	deadline := time.After(20 * time.Second)
	for {
		e.mu.Lock()
		for i := range e.events {
			if fits(&e.events[i]) {
				ev := e.events[i]
				e.mu.Unlock()
				return ev
			}
		}
		e.mu.Unlock()
		select {
		case <-e.heard:
		case <-deadline:
			t.Fatalf("no event in time: %s; heard %d", what, len(e.events))
		}
	}
}

// eventually looks at what nobody announces.
func eventually(t *testing.T, what string, holds func() bool) {
	t.Helper()
	look := time.NewTicker(5 * time.Millisecond)
	defer look.Stop()
	deadline := time.After(20 * time.Second)
	for !holds() {
		select {
		case <-look.C:
		case <-deadline:
			t.Fatalf("not in time: %s", what)
		}
	}
}

func raised(name rules.AlarmName) func(*rules.Event) bool {
	return func(ev *rules.Event) bool { return ev.Kind == rules.AlarmRaised && ev.Alarm == name }
}

// rig is a Daemon under test, at work.
type rig struct {
	*Daemon
	t      *testing.T
	ear    *ear
	log    *lines
	socket string
	pages  chan string
	// brokers are the addresses of the embedded ones.
	brokers chan string
	stop    context.CancelFunc
	ended   chan error
}

// lines is a log that can be read while it is written.
type lines struct {
	mu   sync.Mutex
	b    bytes.Buffer
	more chan struct{}
}

func (l *lines) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	select {
	case l.more <- struct{}{}:
	default:
	}
	return l.b.Write(p)
}

func (l *lines) count(text string) int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return strings.Count(l.b.String(), text)
}

// until waits for a line with text.
func (l *lines) until(t *testing.T, text string) {
	t.Helper()
	deadline := time.After(20 * time.Second)
	for l.count(text) == 0 {
		select {
		case <-l.more:
		case <-deadline:
			t.Fatalf("%q was not logged in time", text)
		}
	}
}

func begin(t *testing.T, cfg *configs.Config, ledger string, source func(newest sensor.Instant) *line) *rig {
	t.Helper()
	return beginFeed(t, cfg, ledger, func(newest sensor.Instant) *Feed {
		l := source(newest)
		return &Feed{Source: l, Now: l.now, Script: l.script}
	})
}

func beginFeed(t *testing.T, cfg *configs.Config, ledger string, feed func(newest sensor.Instant) *Feed) *rig {
	t.Helper()
	// A socket's path has to be short, which a test's own folder is not.
	dir, err := os.MkdirTemp("", "hb")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	r := &rig{t: t, ear: newEar(), log: &lines{more: make(chan struct{}, 1)}, socket: filepath.Join(dir, "s"),
		pages: make(chan string, 4), brokers: make(chan string, 4), ended: make(chan error, 1)}
	r.Daemon, err = New(cfg, Options{
		Open:   func(_ *configs.Config, newest sensor.Instant) (*Feed, error) { return feed(newest), nil },
		Ledger: ledger, Socket: r.socket, Publishers: []publish.Publisher{r.ear}, Log: slog.New(slog.NewTextHandler(r.log, nil)),
		Listening: func(what string, at net.Addr) {
			if what == "page" {
				r.pages <- "http://" + at.String()
			} else {
				r.brokers <- at.String()
			}
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	r.stop = cancel
	go func() { r.ended <- r.Run(ctx) }()
	t.Cleanup(cancel)
	return r
}

// end stops the daemon and wants a clean stop.
func (r *rig) end() {
	r.t.Helper()
	r.stop()
	if err := <-r.ended; err != nil {
		r.t.Errorf("the daemon ended with %v", err)
	}
}

// onPort is the test kitchen with its page on a port.
func onPort(listen string) string {
	return kitchen + fmt.Sprintf("publish:\n  http: { listen: %q }\n", listen)
}

func always(l *line) func(sensor.Instant) *line { return func(sensor.Instant) *line { return l } }

func TestDaemonServesAndStops(t *testing.T) {
	source := newLine(noon(), 2, true).play(400, 150)
	r := begin(t, parsed(t, onPort("127.0.0.1:0")), filepath.Join(t.TempDir(), "l.db"), always(source))
	r.ear.until(t, "armed", func(ev *rules.Event) bool { return ev.Kind == rules.StationArmed })
	url := <-r.pages
	for path, want := range map[string]string{"/": "warmer", "/metrics": "holdbell_probe_up", "/healthz": "{", "/state": `"site":"test"`} {
		resp, err := http.Get(url + path)
		if err != nil {
			t.Fatal(err)
		}
		body, err := io.ReadAll(resp.Body)
		resp.Body.Close()
		if err != nil || resp.StatusCode != http.StatusOK || !strings.Contains(string(body), want) {
			t.Errorf("%s: %s, %v, %.200s", path, resp.Status, err, body)
		}
	}
	// A mark by the control socket enters with the next sweep, and is answered once durable.
	answer := make(chan error, 1)
	go func() {
		_, err := page.NewClient(r.socket).Mark(t.Context(), rules.MarkFields{Mark: "load", Lot: "ribs", Station: "warmer", Note: "food=pork", By: "A", ID: "m1"})
		answer <- err
	}()
	for done := false; !done; {
		select {
		case err := <-answer:
			if err != nil {
				t.Fatal(err)
			}
			done = true
		case <-r.ear.heard:
			source.play(1, 150)
		}
		source.play(1, 150)
	}
	r.end()
	if _, err := os.Stat(r.socket); err == nil {
		t.Error("the control socket was left behind")
	}
	if _, err := r.Mark(t.Context(), rules.Mark{Kind: rules.MarkNote}); err == nil {
		t.Error("a mark was taken after the end")
	}
}

// TestDaemonGoesOnAfterARestart: what stood, stands; a mark that was answered is known; the danger clock
// counts the time between by the gap rule.
func TestDaemonGoesOnAfterARestart(t *testing.T) {
	ledger := filepath.Join(t.TempDir(), "l.db")
	cfg := parsed(t, onPort("127.0.0.1:0"))
	source := newLine(noon(), 2, true).play(400, 150).play(100, 120)
	load := rules.Mark{At: noon().Add(10 * time.Second), Kind: rules.MarkLoad, Lot: "ribs", Station: "warmer", Food: "pork", By: "A", ID: "m1"}
	source.marks = []rules.Mark{load}
	r := begin(t, cfg, ledger, always(source))
	first := r.ear.until(t, "below the limit", raised(rules.BelowHotLimit))
	r.end()

	// Ten minutes later, without a reading between: longer than the allowance, so it counts whole.
	var again sensor.Instant
	r = begin(t, cfg, ledger, func(newest sensor.Instant) *line {
		again = newest
		source := newLine(newest.Add(10*time.Minute), 2, true).play(60, 120)
		source.marks = []rules.Mark{load}
		return source
	})
	if want := noon().Add(500 * time.Second); again != want {
		t.Errorf("the record ends at %v, want %v", again.Mono, want.Mono)
	}
	r.ear.until(t, "the restart", func(ev *rules.Event) bool { return ev.Kind == rules.Restarted })
	st, found := r.state.Load(), false
	if !standing(st, rules.BelowHotLimit) {
		t.Errorf("the alarm of event %d is lost", first.Seq)
	}
	for _, l := range st.Lots {
		found = found || l.Lot == "ribs"
		// A hundred seconds below 135 °F less half of the step down to it, the gap, and what came since.
		if l.Lot == "ribs" && (l.DangerZone < 11*time.Minute+30*time.Second || l.Unknown < 10*time.Minute) {
			t.Errorf("danger zone %v, unknown %v after a gap of ten minutes", l.DangerZone, l.Unknown)
		}
	}
	if !found {
		t.Error("the lot is lost")
	}
	if text, err := r.Mark(t.Context(), load); err != nil || text != alreadyRecorded {
		t.Errorf("a mark from before the restart is answered with %q, %v", text, err)
	}
	r.ear.mu.Lock()
	for i, ev := range r.ear.events {
		if i > 0 && ev.Seq != r.ear.events[i-1].Seq+1 {
			t.Errorf("event %d follows %d", ev.Seq, r.ear.events[i-1].Seq)
		}
	}
	r.ear.mu.Unlock()
	r.end()
}

// TestDaemonWithoutARecord: the ledger's folder cannot be had. That is said once, and the alarm comes all
// the same, marked as unrecorded.
func TestDaemonWithoutARecord(t *testing.T) {
	wall := filepath.Join(t.TempDir(), "wall")
	if err := os.WriteFile(wall, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	r := begin(t, parsed(t, onPort("127.0.0.1:0")), filepath.Join(wall, "l.db"),
		always(newLine(noon(), 2, true).play(400, 150).play(100, 120)))
	ev := r.ear.until(t, "below the limit", raised(rules.BelowHotLimit))
	if !ev.Unrecorded {
		t.Error("the alarm claims to be recorded")
	}
	r.ear.until(t, "record trouble", raised(rules.RecordTrouble))
	r.stop()
	if err := <-r.ended; err == nil {
		t.Error("readings were lost, and nothing is said of it")
	}
	if n := r.log.count("the record cannot be opened"); n != 1 {
		t.Errorf("said %d times that there is no record", n)
	}
}

// TestDaemonWithoutAPort: the page's port is another's, and the broker's too. The watch goes on.
func TestDaemonWithoutAPort(t *testing.T) {
	other, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	taken := other.Addr().String()
	text := onPort(taken) + fmt.Sprintf("  mqtt: { broker: embedded, listen: %q }\n", taken)
	r := begin(t, parsed(t, text), filepath.Join(t.TempDir(), "l.db"),
		always(newLine(noon(), 2, true).play(400, 150).play(100, 120)))
	r.ear.until(t, "below the limit", raised(rules.BelowHotLimit))
	r.log.until(t, "the page's port")
	r.log.until(t, "the MQTT broker's port")
	r.end()
	if n := r.log.count("the page's port"); n != 1 {
		t.Errorf("said %d times that the port is taken", n)
	}
}

// TestDaemonWithoutABroker: nobody listens where the broker should be.
func TestDaemonWithoutABroker(t *testing.T) {
	gone, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	gone.Close()
	text := onPort("127.0.0.1:0") + fmt.Sprintf("  mqtt: { broker: %q }\n", "tcp://"+gone.Addr().String())
	r := begin(t, parsed(t, text), filepath.Join(t.TempDir(), "l.db"),
		always(newLine(noon(), 2, true).play(400, 150).play(100, 120)))
	r.ear.until(t, "below the limit", raised(rules.BelowHotLimit))
	eventually(t, "events wait for the broker", func() bool { return r.outputs.Load().pending()["mqtt"] > 0 })
	r.end()
}

func TestDaemonTakesAConfigurationWholeOrNotAtAll(t *testing.T) {
	cfg := parsed(t, onPort("127.0.0.1:0"))
	source := newLine(noon(), 2, true).play(400, 150).play(100, 120)
	next := newLine(noon().Add(500*time.Second), 3, true)
	opened := 0
	r := begin(t, cfg, filepath.Join(t.TempDir(), "l.db"), func(sensor.Instant) *line {
		if opened++; opened > 1 {
			return next
		}
		return source
	})
	r.ear.until(t, "below the limit", raised(rules.BelowHotLimit))
	<-r.pages

	// Without the station in which a lot lies, the new one contradicts what is known.
	other := strings.ReplaceAll(kitchen, "warmer", "elsewhere")
	r.Reload(parsed(t, other+"publish:\n  http: { listen: \"127.0.0.1:0\" }\n"))
	source.play(1, 120)
	r.log.until(t, "the new configuration is not used")
	if st := r.state.Load(); st.Stations[0].Name != "warmer" || !standing(st, rules.BelowHotLimit) {
		t.Errorf("a refused configuration left its mark: %+v", st.Stations)
	}
	r.Reload(parsed(t, onPort("127.0.0.1:0")+"ledger: { path: /elsewhere/ledger.db }\n"))
	source.play(1, 120)
	r.log.until(t, "cannot change while the watch runs")

	// With a probe more, the lot and its alarm stay, and a page is there again.
	bigger := strings.Replace(onPort("127.0.0.1:0"), "stations:", "  - { name: more, chip: max31855, bus: SPI0.2, type: K, offset: 0C }\nstations:", 1)
	r.Reload(parsed(t, bigger))
	source.play(1, 120)
	r.log.until(t, "the new configuration is in force")
	next.play(5, 120)
	resp, err := http.Get(<-r.pages + "/state")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	var st struct {
		Probes map[string]json.RawMessage `json:"probes"`
		Alarms []struct{ Alarm rules.AlarmName }
	}
	for len(st.Probes) < 3 {
		select {
		case <-r.ear.heard:
		case <-time.After(20 * time.Second):
			t.Fatalf("the page shows %d probes", len(st.Probes))
		}
		next.play(1, 120)
		resp, err := http.Get(resp.Request.URL.String())
		if err != nil {
			t.Fatal(err)
		}
		if err := json.NewDecoder(resp.Body).Decode(&st); err != nil {
			t.Fatal(err)
		}
		resp.Body.Close()
	}
	found := false
	for _, a := range st.Alarms {
		found = found || a.Alarm == rules.BelowHotLimit
	}
	if !found {
		t.Errorf("the alarm is lost: %+v", st.Alarms)
	}
	r.ear.mu.Lock()
	seen := map[uint64]bool{}
	for _, ev := range r.ear.events {
		if seen[ev.Seq] {
			t.Errorf("event %d was told twice", ev.Seq)
		}
		seen[ev.Seq] = true
	}
	r.ear.mu.Unlock()
	r.end()
}

// TestDaemonRingsAPhone: from a core that falls below the limit to a push at the far end, which is down at
// first.
func TestDaemonRingsAPhone(t *testing.T) {
	rings := make(chan string, 16)
	attempts := 0
	far := http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if attempts++; attempts == 1 {
			w.WriteHeader(http.StatusServiceUnavailable)
			return
		}
		body, err := io.ReadAll(r.Body)
		if err != nil {
			t.Error(err)
		}
		rings <- string(body)
	})
	server := httptest.NewServer(far)
	defer server.Close()
	secret := filepath.Join(t.TempDir(), "phone.url")
	if err := os.WriteFile(secret, []byte(server.URL+"/canary-9d2f\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	text := onPort("127.0.0.1:0") + fmt.Sprintf("  phone: [ { url_file: %q, from: warning } ]\n", secret)
	r := begin(t, parsed(t, text), filepath.Join(t.TempDir(), "l.db"),
		always(newLine(noon(), 2, true).play(400, 150).play(100, 120)))
	select {
	case body := <-rings:
		if !strings.Contains(body, "warmer") || !strings.Contains(body, "135 °F") {
			t.Errorf("the phone shows %q", body)
		}
	case <-time.After(20 * time.Second):
		t.Error("no phone rang")
	}
	r.end()
	if r.log.count("canary-9d2f") != 0 {
		t.Error("the address, which is a secret, stands in the log")
	}
}
