package mqtt

import (
	"bytes"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/mochi-mqtt/server/v2/packets"

	"holdbell/publish/publishtest"
)

func secretFile(t *testing.T, text string) string {
	f := filepath.Join(t.TempDir(), "secret")
	must(t, os.WriteFile(f, []byte(text), 0o600))
	return f
}

func TestStartBrokerSaysWhatToMend(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	defer l.Close()
	user := User{Name: "kitchen", PasswordFile: secretFile(t, "x\n")}
	for name, tc := range map[string]struct {
		o    BrokerOptions
		want string
	}{
		"a taken port":      {BrokerOptions{Listen: l.Addr().String()}, "choose another port"},
		"every network":     {BrokerOptions{Listen: ":0"}, "add users with a password file, or listen on 127.0.0.1"},
		"another address":   {BrokerOptions{Listen: "192.0.2.1:1883"}, "add users"},
		"no such address":   {BrokerOptions{Listen: "192.0.2.1:1883", Users: []User{user}}, "cannot listen on 192.0.2.1:1883"},
		"no address":        {BrokerOptions{Listen: "1883"}, "no host and port"},
		"no password":       {BrokerOptions{Listen: "127.0.0.1:0", Users: []User{{Name: "a", PasswordFile: "/nowhere"}}}, `user "a" of the embedded broker`},
		"an empty password": {BrokerOptions{Listen: "127.0.0.1:0", Users: []User{{Name: "a", PasswordFile: secretFile(t, "\n")}}}, "is empty"},
		"no name":           {BrokerOptions{Listen: "127.0.0.1:0", Users: []User{{PasswordFile: user.PasswordFile}}}, "has no name"},
		"one name twice":    {BrokerOptions{Listen: "127.0.0.1:0", Users: []User{user, user}}, "rename one"},
	} {
		b, err := StartBroker(tc.o)
		if err == nil {
			b.Close()
		}
		if err == nil || !strings.Contains(err.Error(), tc.want) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestWithUsersTheNetworkMayCome(t *testing.T) {
	b, err := StartBroker(BrokerOptions{Listen: "0.0.0.0:0", Site: "s", Users: []User{{Name: "kitchen", PasswordFile: secretFile(t, "x")}}, Log: slog.New(slog.DiscardHandler)})
	must(t, err)
	defer b.Close()
	o := b.Own(options())
	if !strings.HasPrefix(o.Brokers[0], "tcp://127.0.0.1:") {
		t.Errorf("our own client goes to %s", o.Brokers)
	}
	c, _ := run(t, o)
	must(t, c.Deliver(t.Context(), "l", publishtest.Events(1)[0]))
	must(t, b.Close())
	must(t, b.Close())
}

// refusedLogin reports whether the broker turns a client away.
func refusedLogin(t *testing.T, o *paho.ClientOptions) bool {
	mc := paho.NewClient(o.SetProtocolVersion(4))
	tok := mc.Connect()
	if !tok.WaitTimeout(guardTime) {
		t.Fatal("the broker does not answer")
	}
	if tok.Error() == nil {
		mc.Disconnect(0)
	}
	return tok.Error() != nil
}

func TestWhoMayDoWhat(t *testing.T) {
	h := embedded(t, BrokerOptions{Commands: true, Users: []User{
		{Name: "cook", PasswordFile: secretFile(t, "pan\n"), Command: true}, {Name: "screen", PasswordFile: secretFile(t, "glass")}}})
	own := h.own(options())
	as := func(name, password string) *paho.ClientOptions {
		return paho.NewClientOptions().AddBroker("tcp://" + h.addr).SetUsername(name).SetPassword(password).SetAutoReconnect(false).SetProtocolVersion(4)
	}
	for name, o := range map[string]*paho.ClientOptions{
		"nobody":              as("", ""),
		"a wrong password":    as("cook", "pot"),
		"another's password":  as("screen", "pan"),
		"no password":         as("cook", ""),
		"an unknown name":     as("waiter", "pan"),
		"our own name":        as(own.Username, "pan"),
		"our own client's id": as("cook", "pan").SetClientID(own.ClientID),
	} {
		if !refusedLogin(t, o) {
			t.Errorf("%s is let in", name)
		}
	}
	reader := rawClient(t, as("screen", "glass"))
	seen := make(chan string, 100)
	done(t, reader.Subscribe("#", 1, func(_ paho.Client, m paho.Message) { seen <- m.Topic() + " " + string(m.Payload()) }))
	cook := rawClient(t, as("cook", "pan"))
	mark := site + "command/mark"
	done(t, cook.Publish(mark, 1, true, "of the cook"))
	for _, tc := range []struct{ name, password, topic string }{
		{"cook", "pan", site + "status"}, {"cook", "pan", site + "event"}, {"cook", "pan", site + "command/other"}, {"cook", "pan", mark + "/answer"},
		{"cook", "pan", "holdbell/other/command/mark"}, {"screen", "glass", mark}, {"screen", "glass", "anything"},
	} {
		// MQTT 3.1.1 has no answer to a publish that is not allowed: the broker ends the connection.
		lost := make(chan struct{})
		mc := rawClient(t, as(tc.name, tc.password).SetConnectionLostHandler(func(paho.Client, error) { close(lost) }))
		mc.Publish(tc.topic, 1, true, "forged")
		awaitEvent(t, lost, tc.name+" publishes to "+tc.topic)
	}
	// A will is a publish too.
	p := newProxy(t, h.addr)
	forger := as("screen", "glass").SetWill(site+"status", "offline", 1, true)
	forger.Servers = nil
	rawClient(t, forger.AddBroker("tcp://"+p.l.Addr().String()))
	p.cut(false)
	done(t, cook.Publish(mark, 1, false, "the last"))
	want := []string{mark + " of the cook", mark + " the last"}
	var got []string
	timer := time.NewTimer(guardTime)
	defer timer.Stop()
	for len(got) < len(want) {
		select {
		case m := <-seen:
			if !strings.HasPrefix(m, "$SYS/") {
				got = append(got, m)
			}
		case <-timer.C:
			t.Fatalf("received %q only", got)
		}
	}
	if strings.Join(got, ",") != strings.Join(want, ",") {
		t.Errorf("received %q, want %q", got, want)
	}
	// A mark is never kept, and the forger's will not either.
	s := &spy{t: t, more: make(chan struct{}, 1), mc: rawClient(t, as("screen", "glass"))}
	done(t, s.mc.Subscribe(site+"#", 1, func(_ paho.Client, m paho.Message) { t.Errorf("retained: %s %s", m.Topic(), m.Payload()) }))
	done(t, s.mc.Unsubscribe(site+"#"))
}

func awaitEvent(t *testing.T, c <-chan struct{}, what string) {
	t.Helper()
	timer := time.NewTimer(guardTime)
	defer timer.Stop()
	select {
	case <-c:
	case <-timer.C:
		t.Fatalf("%s: it never came", what)
	}
}

func TestAPacketOfOneMiBIsRefused(t *testing.T) {
	h := embedded(t, BrokerOptions{Commands: true})
	c, _ := run(t, h.own(options()))
	lost := make(chan struct{})
	mc := rawClient(t, paho.NewClientOptions().AddBroker("tcp://"+h.addr).SetConnectionLostHandler(func(paho.Client, error) { close(lost) }))
	tok := mc.Publish(site+"command/mark", 1, false, bytes.Repeat([]byte("x"), 1<<20))
	awaitEvent(t, lost, "the end of the connection")
	if tok.WaitTimeout(guardTime) && tok.Error() == nil {
		t.Error("the packet counts as delivered")
	}
	must(t, c.Deliver(t.Context(), "l", publishtest.Events(1)[0]))
}

func TestStrangersLeaveRoomForUs(t *testing.T) {
	h := embedded(t, BrokerOptions{})
	for range maxClients {
		rawClient(t, paho.NewClientOptions().AddBroker("tcp://"+h.addr))
	}
	if !refusedLogin(t, paho.NewClientOptions().AddBroker("tcp://"+h.addr)) {
		t.Errorf("the broker takes more than %d clients", maxClients)
	}
	c, _ := run(t, h.own(options()))
	must(t, c.Deliver(t.Context(), "l", publishtest.Events(1)[0]))
}

func TestConnectionsThatSayNothingAreBounded(t *testing.T) {
	h := embedded(t, BrokerOptions{})
	for range maxStrangers {
		conn, err := net.Dial("tcp", h.addr)
		must(t, err)
		defer conn.Close()
	}
	extra, err := net.Dial("tcp", h.addr)
	must(t, err)
	defer extra.Close()
	must(t, extra.SetReadDeadline(time.Now().Add(guardTime)))
	if _, err := extra.Read(make([]byte, 1)); err == nil || os.IsTimeout(err) {
		t.Errorf("one more than %d silent connections is not closed: %v", maxStrangers, err)
	}
}

func TestAClientThatReadsNothingIsCutOff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		near, far := net.Pipe()
		defer far.Close()
		v := &visitor{Conn: near, leave: func() {}}
		begun := time.Now()
		if _, err := v.Write([]byte("x")); !os.IsTimeout(err) || time.Since(begun) != drainTimeout {
			t.Errorf("writing gave %v after %v", err, time.Since(begun))
		}
	})
}

func TestAPanicInTheLibraryStaysAtItsClient(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	var book logbook
	d := &door{l: l, log: book.logger(), strangers: make(chan struct{}, 1), inside: map[*visitor]struct{}{}}
	released := make(chan struct{})
	served := make(chan struct{})
	go func() {
		defer close(served)
		d.Serve(func(_ string, c net.Conn) error {
			c.(*visitor).unlock = func() { close(released) }
			panic("a torn string")
		})
	}()
	conn, err := net.Dial("tcp", l.Addr().String())
	must(t, err)
	defer conn.Close()
	awaitEvent(t, released, "the lock")
	must(t, conn.SetReadDeadline(time.Now().Add(guardTime)))
	if _, err := conn.Read(make([]byte, 1)); err == nil || os.IsTimeout(err) {
		t.Errorf("the client is not cut off: %v", err)
	}
	d.Close(func(string) {})
	awaitEvent(t, served, "the end")
	if !strings.Contains(book.String(), "a torn string") {
		t.Errorf("nothing is logged:\n%s", book.String())
	}
}

// What is retained outlives a wall clock that is set forward, and a session does not outlive its day.
func TestRetainedMessagesOutliveTheClock(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newServer(slog.New(slog.DiscardHandler))
		must(t, s.Serve())
		pk := packets.Packet{ProtocolVersion: 5, FixedHeader: packets.FixedHeader{Type: packets.Publish, Retain: true},
			TopicName: site + "status", Payload: []byte("online"), Created: time.Now().Unix()}
		s.Topics.RetainMessage(pk)
		gone := s.NewClient(nil, "l", "gone", false)
		s.Clients.Add(gone)
		gone.Stop(packets.CodeDisconnect)
		time.Sleep(49 * time.Hour)
		if n := len(s.Topics.Messages(site + "#")); n != 1 {
			t.Errorf("%d messages are retained after two days, want 1", n)
		}
		if _, there := s.Clients.Get("gone"); there {
			t.Error("a session is kept for more than a day")
		}
		must(t, s.Close())
	})
}

func TestTheBrokersLogIsQuietAndHoldsNoPacket(t *testing.T) {
	var book logbook
	info := slog.New(quiet{slog.NewTextHandler(&book, &slog.HandlerOptions{Level: slog.LevelInfo})})
	info.Warn("loud")
	debug := slog.New(quiet{book.logger().Handler()})
	debug.With("listener", "mqtt").Error("bad", "pk", packets.Packet{Connect: packets.ConnectParams{Password: []byte("canary-7391")}}, "client", "x")
	if got := book.String(); strings.Contains(got, "loud") || strings.Contains(got, "pk=") ||
		!strings.Contains(got, `level=DEBUG msg="embedded broker: bad" listener=mqtt client=x`) {
		t.Errorf("the log says:\n%s", got)
	}
}
