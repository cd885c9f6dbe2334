package mqtt

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"holdbell/sensor"
)

// guardTime ends a wait that would hang. No figure of speed is asserted with it.
const guardTime = 30 * time.Second

// host is a broker under test, which can be stopped and started again at its address.
type host struct {
	addr        string
	stop, start func()
	// own turns options into those of the daemon's own client.
	own func(Options) Options
}

// brokers runs f on each kind of broker.
func brokers(t *testing.T, f func(t *testing.T, h *host)) {
	t.Run("mosquitto", func(t *testing.T) { f(t, mosquitto(t, "allow_anonymous true\n")) })
	t.Run("embedded", func(t *testing.T) { f(t, embedded(t, BrokerOptions{Commands: true})) })
}

// mosquitto starts Debian's broker. more stands in its configuration.
func mosquitto(t testing.TB, more string) *host {
	path, err := exec.LookPath("mosquitto")
	if err != nil {
		path, err = exec.LookPath("/usr/sbin/mosquitto")
	}
	if err != nil {
		if os.Getenv("HOLDBELL_REQUIRE") == "1" {
			t.Fatal("the program mosquitto is missing; install Debian's package mosquitto")
		}
		t.Skip("the program mosquitto is missing; install Debian's package mosquitto")
	}
	me, err := user.Current()
	must(t, err)
	h := &host{addr: freePort(t)}
	h.own = func(o Options) Options {
		o.Brokers = []string{"tcp://" + h.addr}
		return o
	}
	_, port, _ := net.SplitHostPort(h.addr)
	conf := filepath.Join(t.TempDir(), "mosquitto.conf")
	must(t, os.WriteFile(conf, []byte("user "+me.Username+"\npersistence false\nset_tcp_nodelay true\nlistener "+port+" 127.0.0.1\n"+more), 0o600))
	var cmd *exec.Cmd
	h.stop = func() {
		if cmd != nil {
			cmd.Process.Kill()
			cmd.Wait()
			cmd = nil
		}
	}
	h.start = func() {
		cmd = exec.Command(path, "-c", conf)
		must(t, cmd.Start())
		awaitPort(t, h.addr)
	}
	h.start()
	t.Cleanup(func() { h.stop() })
	return h
}

// embedded starts our own.
func embedded(t testing.TB, o BrokerOptions) *host {
	o.Site, o.Log = "demo-kitchen", slog.New(slog.DiscardHandler)
	o.Listen = freePort(t)
	var b *Broker
	h := &host{addr: o.Listen}
	h.own = func(c Options) Options { return b.Own(c) }
	// The client under test outlives the broker, so the secret has to stay.
	own := newLogin()
	h.stop = func() {
		if b != nil {
			must(t, b.Close())
			b = nil
		}
	}
	h.start = func() {
		var err error
		b, err = startBroker(o, own)
		must(t, err)
	}
	h.start()
	t.Cleanup(func() { h.stop() })
	return h
}

func freePort(t testing.TB) string {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	defer l.Close()
	return l.Addr().String()
}

func awaitPort(t testing.TB, addr string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), guardTime)
	defer cancel()
	for {
		conn, err := net.Dial("tcp", addr)
		if err == nil {
			conn.Close()
			return
		}
		if ctx.Err() != nil {
			t.Fatalf("nobody listens at %s: %v", addr, err)
		}
		pause(ctx, 5*time.Millisecond)
	}
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// quick is a pace for tests.
func quick() pace {
	return pace{loss: time.Millisecond, first: 5 * time.Millisecond, max: 50 * time.Millisecond,
		dial: 5 * time.Second, ack: 10 * time.Second, leave: 2 * time.Second, rebirth: time.Millisecond, online: time.Second, settle: 3 * time.Second}
}

// logbook collects log lines.
type logbook struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (l *logbook) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(b)
}

func (l *logbook) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

func (l *logbook) logger() *slog.Logger {
	return slog.New(slog.NewTextHandler(l, &slog.HandlerOptions{Level: slog.LevelDebug}))
}

func clock() sensor.Instant {
	return sensor.Instant{Wall: time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC), Mono: 2 * time.Hour, Believed: true}
}

// options are those of a client in the tests, without a broker.
func options() Options {
	return Options{Site: "demo-kitchen", Log: slog.New(slog.DiscardHandler), Now: clock}
}

// run starts a client. stop ends it cleanly, and may be called more than once.
func run(t testing.TB, o Options) (c *Client, stop func()) {
	c, err := New(o)
	must(t, err)
	c.pace = quick()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		c.Run(ctx)
	}()
	stop = sync.OnceFunc(func() { cancel(); <-done })
	t.Cleanup(stop)
	return c, stop
}

// got is one message as a spy received it.
type got struct {
	topic, payload string
	retained       bool
}

// spy is a subscriber to everything.
type spy struct {
	t    testing.TB
	mc   paho.Client
	mu   sync.Mutex
	all  []got
	more chan struct{}
}

func newSpy(t testing.TB, addr string) *spy {
	return spyAs(t, paho.NewClientOptions().AddBroker("tcp://"+addr), "#")
}

// spyAs is a subscriber who logs in.
func spyAs(t testing.TB, o *paho.ClientOptions, filter string) *spy {
	s := &spy{t: t, more: make(chan struct{}, 1)}
	s.mc = rawClient(t, o.SetOrderMatters(true))
	take := func(_ paho.Client, m paho.Message) {
		s.mu.Lock()
		s.all = append(s.all, got{m.Topic(), string(m.Payload()), m.Retained()})
		s.mu.Unlock()
		select {
		case s.more <- struct{}{}:
		default:
		}
	}
	// A cluster refuses a subscription while it has no leader; who wants to read asks again.
	for until := time.Now().Add(guardTime); ; {
		tok := s.mc.Subscribe(filter, 1, take).(*paho.SubscribeToken)
		done(t, tok)
		if tok.Result()[filter] != refused {
			break
		}
		if time.Now().After(until) {
			t.Fatalf("the broker refuses the subscription to %s", filter)
		}
		pause(t.Context(), 100*time.Millisecond)
	}
	return s
}

// rawClient is a client of the library, without ours.
func rawClient(t testing.TB, o *paho.ClientOptions) paho.Client {
	mc := paho.NewClient(o.SetAutoReconnect(false).SetProtocolVersion(4))
	done(t, mc.Connect())
	t.Cleanup(func() { mc.Disconnect(100) })
	return mc
}

func done(t testing.TB, tok paho.Token) {
	t.Helper()
	if !tok.WaitTimeout(guardTime) {
		t.Fatal("the broker does not answer")
	}
	must(t, tok.Error())
}

func (s *spy) messages() []got {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.all)
}

// until waits until is holds for what was received.
func (s *spy) until(what string, is func([]got) bool) []got {
	s.t.Helper()
	if !s.within(guardTime, is) {
		s.t.Fatalf("never came: %s\nreceived %s", what, listing(s.messages()))
	}
	return s.messages()
}

// within waits for what is told of the messages, and reports whether it came in time.
func (s *spy) within(d time.Duration, is func([]got) bool) bool {
	timer := time.NewTimer(d)
	defer timer.Stop()
	for {
		if is(s.messages()) {
			return true
		}
		select {
		case <-s.more:
		case <-timer.C:
			return false
		}
	}
}

func listing(all []got) string {
	var b strings.Builder
	for _, m := range all {
		fmt.Fprintf(&b, "\n  %s %q retained=%v", m.topic, m.payload, m.retained)
	}
	return b.String()
}

// has waits for a topic's newest payload to be this one.
func (s *spy) has(topic, payload string) {
	s.t.Helper()
	s.until(topic+" "+payload, func(all []got) bool {
		p, ok := newest(all, topic)
		return ok && p == payload
	})
}

// begins is has for the start of a payload.
func (s *spy) begins(topic, start string) string {
	s.t.Helper()
	all := s.until(topic+" "+start, func(all []got) bool {
		p, ok := newest(all, topic)
		return ok && strings.HasPrefix(p, start)
	})
	p, _ := newest(all, topic)
	return p
}

func newest(all []got, topic string) (string, bool) {
	for _, m := range slices.Backward(all) {
		if m.topic == topic {
			return m.payload, true
		}
	}
	return "", false
}

// proxy stands between a client and a broker.
type proxy struct {
	l      net.Listener
	target string

	mu    sync.Mutex
	down  bool
	conns []net.Conn
}

func newProxy(t testing.TB, target string) *proxy {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	p := &proxy{l: l, target: target}
	go p.serve()
	t.Cleanup(func() { l.Close(); p.cut(true) })
	return p
}

func (p *proxy) serve() {
	for {
		in, err := p.l.Accept()
		if err != nil {
			return
		}
		p.mu.Lock()
		p.pass(in)
		p.mu.Unlock()
	}
}

func (p *proxy) pass(in net.Conn) {
	if p.down {
		in.Close()
		return
	}
	out, err := net.Dial("tcp", p.target)
	if err != nil {
		in.Close()
		return
	}
	p.conns = append(p.conns, in, out)
	go func() { io.Copy(out, in); out.Close() }()
	go func() { io.Copy(in, out); in.Close() }()
}

// cut kills every connection without a farewell, and with down lets none through.
func (p *proxy) cut(down bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.down = down
	for _, c := range p.conns {
		if tcp, ok := c.(*net.TCPConn); ok {
			tcp.SetLinger(0)
		}
		c.Close()
	}
	p.conns = nil
}

func (p *proxy) mend() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.down = false
}

// through sends the client through the proxy.
func (p *proxy) through(o Options) Options {
	o.Brokers = []string{"tcp://" + p.l.Addr().String()}
	return o
}
