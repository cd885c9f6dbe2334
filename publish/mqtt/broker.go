package mqtt

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"sync"
	"syscall"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
)

// The limits of the embedded broker. Without them the library's are, in effect, none.
const (
	maxPacket     = 64 << 10 // bytes
	maxClients    = 64       // beside our own
	maxSessions   = 4 * maxClients
	maxInflight   = 256
	maxWrites     = 1024 // messages that wait for one client
	sessionExpiry = 24 * time.Hour
	// sysInterval in seconds: each report of the broker on itself stops the whole program for a moment.
	sysInterval = 3600
	// greetTimeout is how long a connection may take to say who it is.
	greetTimeout = 10 * time.Second
	// drainTimeout is how long a client may leave what is sent to it lying; then it is cut off.
	drainTimeout = 5 * time.Second
	// maxStrangers is how many connections may stand there without having said it.
	maxStrangers = 32
)

// User may read everything, and with Command may send marks too.
type User struct {
	Name         string
	PasswordFile string // read once, at the start
	Command      bool
}

// BrokerOptions are what the embedded broker needs to know.
type BrokerOptions struct {
	Listen string // host:port, port 0 for a free one; default 127.0.0.1:1883
	Prefix string // default "holdbell"
	Site   string
	// Users are who may log in. Without any, the broker listens on this machine's own loopback address
	// alone and asks nobody for a login.
	Users []User
	// Commands lets marks through: from users with Command, and from anyone where there are no users.
	Commands bool
	// Feeds are topics of others, such as their readings: whoever may log in may publish to them.
	Feeds []string
	Log   *slog.Logger // default slog.Default()
}

// Broker is a small MQTT broker inside the daemon. It stores nothing: what is retained there, the Client
// publishes anew.
type Broker struct {
	server *mochi.Server
	guard  *guard
	addr   net.Addr
	close  func() error
}

// StartBroker listens and serves until Close.
func StartBroker(o BrokerOptions) (*Broker, error) { return startBroker(o, newLogin()) }

func startBroker(o BrokerOptions, own login) (*Broker, error) {
	if o.Listen == "" {
		o.Listen = "127.0.0.1:1883"
	}
	if o.Prefix == "" {
		o.Prefix = "holdbell"
	}
	if o.Log == nil {
		o.Log = slog.Default()
	}
	if err := checkPrefix(o.Prefix); err != nil {
		return nil, err
	}
	if len(o.Users) == 0 {
		if err := loopbackOnly(o.Listen); err != nil {
			return nil, err
		}
	}
	g, err := newGuard(o, own)
	if err != nil {
		return nil, err
	}
	l, err := net.Listen("tcp", o.Listen)
	switch {
	case errors.Is(err, syscall.EADDRINUSE):
		return nil, fmt.Errorf("the port of the embedded broker is taken: %s; stop the other program (often another broker on 1883), or choose another port with listen: %w", o.Listen, err)
	case err != nil:
		return nil, fmt.Errorf("the embedded broker cannot listen on %s: %w", o.Listen, err)
	}
	s := newServer(o.Log)
	g.server = s
	door := &door{l: l, log: o.Log, strangers: make(chan struct{}, maxStrangers), inside: map[*visitor]struct{}{}}
	b := &Broker{server: s, guard: g, addr: l.Addr(), close: sync.OnceValue(func() error { return s.Close() })}
	err = s.AddHook(g, nil)
	if err == nil {
		err = s.AddListener(door)
	}
	if err == nil {
		err = s.Serve()
	}
	if err != nil {
		l.Close()
		return nil, fmt.Errorf("the embedded broker: %w", err)
	}
	return b, nil
}

// newServer gives the library's server with our limits, and nobody to listen to yet.
func newServer(log *slog.Logger) *mochi.Server {
	c := mochi.NewDefaultServerCapabilities()
	c.MaximumClients = maxClients + 1 // the guard keeps one place for our own
	// Above zero the library drops retained messages by the wall clock, all at once when that is stepped.
	c.MaximumMessageExpiryInterval = 0
	c.MaximumClientWritesPending = maxWrites
	c.MaximumSessionExpiryInterval = uint32(sessionExpiry / time.Second)
	c.MaximumPacketSize = maxPacket
	c.MaximumInflight = maxInflight
	return mochi.New(&mochi.Options{Capabilities: c, Logger: slog.New(quiet{log.Handler()}), SysTopicResendInterval: sysInterval})
}

// Addr is where the broker listens.
func (b *Broker) Addr() net.Addr { return b.addr }

// Close ends every connection and stops listening. It may be called more than once.
func (b *Broker) Close() error { return b.close() }

// Own gives o as the daemon's own client at this broker needs it: with the address, and a login that is
// made anew at each start and known to nobody else.
func (b *Broker) Own(o Options) Options {
	host, port, _ := net.SplitHostPort(b.addr.String())
	if ip := net.ParseIP(host); ip.IsUnspecified() {
		host = "127.0.0.1"
	}
	o.Brokers = []string{"tcp://" + net.JoinHostPort(host, port)}
	o.ClientID, o.Username, o.password = b.guard.own.name, b.guard.own.name, b.guard.own.password
	o.PasswordFile, o.CAFile, o.CertFile, o.KeyFile = "", "", "", ""
	return o
}

// loopbackOnly refuses an address that other machines can reach.
func loopbackOnly(listen string) error {
	host, _, err := net.SplitHostPort(listen)
	if err != nil {
		return fmt.Errorf("%q is no host and port; write 127.0.0.1:1883", listen)
	}
	if ip := net.ParseIP(host); host == "localhost" || ip.IsLoopback() {
		return nil
	}
	return fmt.Errorf("the embedded broker would let anyone on the network read at %s; add users with a password file, or listen on 127.0.0.1", listen)
}

// login is a name and its password.
type login struct{ name, password string }

func newLogin() login { return login{"holdbell-" + rand.Text(), rand.Text()} }

// quiet passes the library's log on at debug, without the packets: they can hold a password.
type quiet struct{ slog.Handler }

func (q quiet) Enabled(ctx context.Context, _ slog.Level) bool {
	return q.Handler.Enabled(ctx, slog.LevelDebug)
}

func (q quiet) Handle(ctx context.Context, r slog.Record) error {
	out := slog.NewRecord(r.Time, slog.LevelDebug, "embedded broker: "+r.Message, r.PC)
	r.Attrs(func(a slog.Attr) bool {
		switch a.Key {
		case "pk", "packet", "will":
		default:
			out.AddAttrs(a)
		}
		return true
	})
	return q.Handler.Handle(ctx, out)
}

func (q quiet) WithAttrs(attrs []slog.Attr) slog.Handler { return quiet{q.Handler.WithAttrs(attrs)} }
func (q quiet) WithGroup(name string) slog.Handler       { return quiet{q.Handler.WithGroup(name)} }
