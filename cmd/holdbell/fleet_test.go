package main

import (
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"net"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	broker "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"

	"holdbell/publish/ledger"
	"holdbell/sensor"
)

// safeText is a log that several boards write.
type safeText struct {
	mu sync.Mutex
	b  strings.Builder
}

func (s *safeText) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

func (s *safeText) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}

// heard is what a listener at the fleet's broker was told last of each retained topic, and how many readings it got of
// each board.
type heard struct {
	mu       sync.Mutex
	last     map[string]string
	readings map[string]int
}

func (h *heard) of(topic string) string {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.last[topic]
}

func (h *heard) count(site string) int {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.readings[site]
}

// openDoor lets everybody in, to everything.
type openDoor struct{ broker.HookBase }

func (*openDoor) ID() string { return "open" }

func (*openDoor) Provides(b byte) bool {
	return b == broker.OnConnectAuthenticate || b == broker.OnACLCheck
}

func (*openDoor) OnConnectAuthenticate(*broker.Client, packets.Packet) bool { return true }

func (*openDoor) OnACLCheck(*broker.Client, string, bool) bool { return true }

// openBroker is a broker that lets everybody in, and a listener to all of it.
func openBroker(t *testing.T) (address string, h *heard) {
	t.Helper()
	s := broker.New(&broker.Options{Logger: slog.New(slog.DiscardHandler)})
	if err := s.AddHook(new(openDoor), nil); err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	if err := s.AddListener(listeners.NewNet("fleet", l)); err != nil {
		t.Fatal(err)
	}
	if err := s.Serve(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	h = &heard{last: map[string]string{}, readings: map[string]int{}}
	mc := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + l.Addr().String()).SetClientID("listener"))
	if token := mc.Connect(); token.Wait() && token.Error() != nil {
		t.Fatal(token.Error())
	}
	t.Cleanup(func() { mc.Disconnect(0) })
	token := mc.Subscribe("holdbell/#", 1, func(_ paho.Client, m paho.Message) {
		h.mu.Lock()
		defer h.mu.Unlock()
		h.last[m.Topic()] = string(m.Payload())
		if level := strings.Split(m.Topic(), "/"); len(level) == 4 && level[2] == "probe" {
			h.readings[level[1]]++
		}
	})
	if token.Wait() && token.Error() != nil {
		t.Fatal(token.Error())
	}
	return l.Addr().String(), h
}

// TestFiveBoards: at one broker each board has its own site, its own configuration and, apart from it, its own record.
// One that is stopped says so, and no other notices.
func TestFiveBoards(t *testing.T) {
	at, h := openBroker(t)
	dir := t.TempDir()
	f := &fleet{boards: 5, config: "shared.yaml", period: 200 * time.Millisecond, speed: 60}
	f.shared = []byte("publish:\n  mqtt: { broker: \"tcp://" + at + "\" }\n  phone: [ { url_file: /nowhere.url } ]\n")
	a := newAnnouncer(io.Discard, 0)
	close(a.known)
	log := &safeText{}
	ctx := t.Context()
	stops, ended := map[string]context.CancelFunc{}, map[string]chan error{}
	for i := 1; i <= f.boards; i++ {
		d, err := f.open(i, dir, a, slog.New(slog.NewTextHandler(log, nil)))
		if err != nil {
			t.Fatal(err)
		}
		own, cancel := context.WithCancel(ctx)
		done := make(chan error, 1)
		stops[siteOf(i)], ended[siteOf(i)] = cancel, done
		go func() { done <- d.Run(own) }()
	}
	end := func(site string) {
		t.Helper()
		stops[site]()
		select {
		case err := <-ended[site]:
			if err != nil {
				t.Errorf("%s ended with %v", site, err)
			}
		case <-time.After(time.Minute):
			t.Fatalf("%s does not stop", site)
		}
	}

	hashes := map[string]string{}
	for i := 1; i <= f.boards; i++ {
		site := siteOf(i)
		eventually(t, site+" at the broker", func() bool {
			return h.of("holdbell/"+site+"/status") == "online" && h.of("holdbell/"+site+"/status/config") != "" && h.count(site) > 16
		})
		var config struct{ Hash, Base string }
		if err := json.Unmarshal([]byte(h.of("holdbell/"+site+"/status/config")), &config); err != nil {
			t.Fatal(err)
		}
		if other, twice := hashes[config.Hash]; twice || config.Base == "" {
			t.Errorf("%s has the hash %q, as %q has, over the base %q", site, config.Hash, other, config.Base)
		}
		hashes[config.Hash] = site
	}

	end(siteOf(3))
	eventually(t, "the goodbye", func() bool { return h.of("holdbell/kitchen-003/status") == "offline" })
	for i := 1; i <= f.boards; i++ {
		site, before := siteOf(i), h.count(siteOf(i))
		if i == 3 {
			continue
		}
		eventually(t, site+" goes on", func() bool { return h.count(site) > before+16 })
		if got := h.of("holdbell/" + site + "/status"); got != "online" {
			t.Errorf("%s is %s", site, got)
		}
	}
	ids := map[string]bool{}
	for i := 1; i <= f.boards; i++ {
		if i != 3 {
			end(siteOf(i))
		}
		l := ledger.New(filepath.Join(dir, siteOf(i), "ledger.db"), ledger.Options{})
		if err := l.Reopen(); err != nil {
			t.Fatal(err)
		}
		if id := l.ID(); id == "" || ids[id] {
			t.Errorf("%s has the record %q", siteOf(i), id)
		}
		ids[l.ID()] = true
		sweeps := 0
		if err := l.Readings(ctx, time.Time{}, time.Now().AddDate(1, 0, 0), func(probes []string, _ *sensor.Sweep) bool {
			sweeps++
			return len(probes) == 8
		}); err != nil || sweeps < 3 {
			t.Errorf("%s has %d sweeps in its record: %v", siteOf(i), sweeps, err)
		}
		if err := l.Close(); err != nil {
			t.Error(err)
		}
	}
	if text := log.String(); strings.Contains(text, "level=ERROR") {
		t.Errorf("it was logged:\n%s", text)
	}
}

// TestFleetRefuses: what many boards cannot share is told with what mends it.
func TestFleetRefuses(t *testing.T) {
	for shared, want := range map[string]string{
		"publish: { mqtt: { broker: embedded } }":                                "start one, and write broker: tcp://HOST:1883",
		"publish: { mqtt: { broker: \"tcp://10.0.0.5:1883\", client_id: one } }": "remove it, and one is made of each site",
		"probes: [ { name: own, chip: max31855, bus: SPI0.0, type: K } ]":        "probes own and warmer-core are both on SPI0.0",
		"rules: { hot_limit: 1F }":                                               "shared.yaml:1:",
		"base: more.yaml":                                                        "shared.yaml:1:1: a base has no base of its own",
	} {
		f := &fleet{boards: 2, config: "shared.yaml", period: time.Second, speed: 1, shared: []byte(shared)}
		if _, err := f.load(1); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s is told as %v, without %q", shared, err, want)
		}
	}
}

// TestFleetIsTheSame: board by board a fleet is the same one, however many there are beside it.
func TestFleetIsTheSame(t *testing.T) {
	few, many := &fleet{boards: 5, period: time.Second}, &fleet{boards: 500, period: time.Second}
	for i := 1; i <= 5; i++ {
		a, err := few.load(i)
		if err != nil {
			t.Fatal(err)
		}
		b, err := many.load(i)
		if err != nil {
			t.Fatal(err)
		}
		if a.Hash != b.Hash || a.Site != siteOf(i) || len(a.Probes) != 8 {
			t.Errorf("board %d is %s %s of 5 and %s %s of 500", i, a.Site, a.Hash, b.Site, b.Hash)
		}
	}
}

// TestFleetRingsNobody: a file that real boards share can be given to the simulated ones.
func TestFleetRingsNobody(t *testing.T) {
	f := &fleet{boards: 2, config: "shared.yaml", period: time.Second, shared: []byte(`
panel: { buzzer: 17 }
publish:
  mqtt: { broker: "tcp://10.0.0.5:1883" }
  phone: [ { url_file: /etc/holdbell/phone.url } ]
  heartbeat: { url_file: /etc/holdbell/heartbeat.url }
`)}
	cfg, err := f.load(1)
	if err != nil {
		t.Fatal(err)
	}
	if cfg.Phones != nil || cfg.Heartbeat != nil || cfg.Panel != nil || cfg.MQTT == nil {
		t.Errorf("phones %v, heartbeat %v, panel %v, broker %v", cfg.Phones, cfg.Heartbeat, cfg.Panel, cfg.MQTT)
	}
}
