package mqtt

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"sync"
	"syscall"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"holdbell/publish"
)

// The figures of a connection. The broker takes us for dead after one and a half KeepAlive (MQTT 3.1.1,
// 3.1.2.10); we take it for dead PingTimeout after a ping.
const (
	keepAlive    = 30 * time.Second
	pingTimeout  = 10 * time.Second
	writeTimeout = 10 * time.Second
	// maxInFlight is how many publishes may wait for their acknowledgement.
	maxInFlight = 64
	qos         = 1
)

var (
	errLost   = errors.New("the connection was lost before the broker acknowledged")
	errSilent = errors.New("the broker does not acknowledge what it is sent")
)

// link is one connection, with a library client of its own: that one's session, message ids and store are
// never carried over. Where the library reconnects by itself, it completes tokens of messages that never
// arrived, and sends old retained states again after newer ones.
type link struct {
	mc     paho.Client
	broker *url.URL
	lost   chan struct{} // closed when the connection is gone
	why    error         // set before lost is closed
	once   sync.Once
	out    chan *message

	mu   sync.Mutex
	conn net.Conn
	// found are topics with a retained message of ours that the broker holds.
	found map[string]struct{}
	// looked is closed when the broker has told all that it holds.
	looked chan struct{}
	// told is the discovery message that the broker holds; again asks for it once more.
	told  []byte
	again bool
	// denied: somebody said offline of us while we were there.
	denied bool
	said   time.Time // when we last said that we are there
}

// message is one publish. token arrives when the library has taken it.
type message struct {
	topic    string
	payload  []byte
	retained bool
	token    chan paho.Token
}

// connect makes one attempt at one broker.
func (c *Client) connect(ctx context.Context, broker *url.URL) (*link, error) {
	secret, err := c.secret()
	if err != nil {
		return nil, err
	}
	tlsConfig, err := c.tls(broker.Hostname())
	if err != nil {
		return nil, err
	}
	l := &link{broker: broker, lost: make(chan struct{}), out: make(chan *message), found: map[string]struct{}{}, looked: make(chan struct{})}
	o := paho.NewClientOptions().AddBroker(broker.String()).SetClientID(c.o.ClientID).SetProtocolVersion(4).
		SetUsername(c.o.Username).SetPassword(secret).SetCleanSession(true).SetOrderMatters(false).
		SetAutoReconnect(false).SetConnectRetry(false).SetConnectTimeout(c.pace.dial).
		SetKeepAlive(keepAlive).SetPingTimeout(pingTimeout).SetWriteTimeout(writeTimeout).
		SetBinaryWill(c.topics.status(), []byte("offline"), qos, true)
	o.SetConnectionLostHandler(func(_ paho.Client, err error) { l.gone(err) })
	dialling, cancel := context.WithTimeout(ctx, c.pace.dial)
	defer cancel()
	o.SetCustomOpenConnectionFn(func(u *url.URL, _ paho.ClientOptions) (net.Conn, error) {
		conn, err := c.dial(dialling, u, tlsConfig)
		if err != nil {
			return nil, err
		}
		l.mu.Lock()
		l.conn = conn
		l.mu.Unlock()
		if err := ctx.Err(); err != nil {
			conn.Close()
			return nil, err
		}
		return newNarrow(conn, func(size int) {
			c.rare.Warn("a message at the broker is longer than any that is asked for; it was not read", "bytes", size, "most", maxPacket)
		}), nil
	})
	// The end of ctx cuts a greeting short; once the broker has greeted, the farewell is ours to make.
	stop := context.AfterFunc(ctx, l.cut)
	defer stop()
	l.mc = paho.NewClient(o)
	t := l.mc.Connect()
	<-t.Done()
	if err := t.Error(); err != nil {
		l.cut()
		return nil, err
	}
	go l.write()
	return l, nil
}

// dial opens the network connection.
func (c *Client) dial(ctx context.Context, u *url.URL, t *tls.Config) (net.Conn, error) {
	if c.o.Dial != nil {
		return c.o.Dial(ctx, u.Host)
	}
	switch u.Scheme {
	case "ws", "wss":
		return paho.NewWebsocket(u.String(), t, c.pace.dial, nil, nil)
	case "ssl", "tls", "mqtts":
		conn, err := (&tls.Dialer{Config: t}).DialContext(ctx, "tcp", u.Host)
		if err != nil {
			return nil, err
		}
		return prompt{conn, conn.(*tls.Conn).NetConn()}, nil
	}
	conn, err := new(net.Dialer).DialContext(ctx, "tcp", u.Host)
	if err != nil {
		return nil, err
	}
	return prompt{conn, conn}, nil
}

// prompt acknowledges what it reads at once. A broker that leaves Nagle's algorithm on, as mosquitto does
// by default, holds its second small packet back until then: 40 ms with Linux's delayed acknowledgement.
type prompt struct {
	net.Conn
	beneath net.Conn // the TCP connection
}

func (p prompt) Read(b []byte) (int, error) {
	n, err := p.Conn.Read(b)
	if tcp, ok := p.beneath.(*net.TCPConn); ok {
		if raw, err := tcp.SyscallConn(); err == nil {
			// The kernel forgets the option by itself (tcp(7), TCP_QUICKACK). Without it all is only slower.
			_ = raw.Control(func(fd uintptr) {
				_ = syscall.SetsockoptInt(int(fd), syscall.IPPROTO_TCP, syscall.TCP_QUICKACK, 1)
			})
		}
	}
	return n, err
}

// Write implements net.Conn. A broker that does not take our certificate says why and hangs up (RFC 8446, 4.4.2.4 and 6.2);
// where that overtakes what we write, it is still there to be read.
func (p prompt) Write(b []byte) (int, error) {
	n, err := p.Conn.Write(b)
	if t, ok := p.Conn.(*tls.Conn); ok && err != nil {
		if e := t.SetReadDeadline(time.Now().Add(lastWord)); e == nil {
			if _, e := t.Read(make([]byte, 1)); isAlert(e) {
				err = e
			}
		}
	}
	return n, err
}

// secret reads the password. It stands in no error and no log.
func (c *Client) secret() (string, error) {
	if c.o.password != "" || c.o.PasswordFile == "" {
		return c.o.password, nil
	}
	return readSecret(c.o.PasswordFile)
}

func readSecret(file string) (string, error) {
	s, err := publish.ReadSecret(file)
	if errors.Is(err, publish.ErrNoSecret) {
		return "", fmt.Errorf("the password file %s is empty; write the password into it", file)
	}
	if err != nil {
		return "", fmt.Errorf("the password file: %w", err)
	}
	return s, nil
}

func (c *Client) tls(host string) (*tls.Config, error) {
	t := &tls.Config{MinVersion: tls.VersionTLS12, ServerName: host}
	if c.o.CAFile != "" {
		pem, err := os.ReadFile(c.o.CAFile)
		if err != nil {
			return nil, fmt.Errorf("the authority's file: %w", err)
		}
		t.RootCAs = x509.NewCertPool()
		if !t.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("%s holds no certificate in PEM form; give the authority's certificate", c.o.CAFile)
		}
	}
	if c.o.CertFile != "" {
		key, err := publish.SecretPath(c.o.KeyFile)
		if err != nil {
			return nil, fmt.Errorf("the client's key: %w", err)
		}
		pair, err := tls.LoadX509KeyPair(c.o.CertFile, key)
		if err != nil {
			return nil, fmt.Errorf("the client's certificate: %w", err)
		}
		t.Certificates = []tls.Certificate{pair}
		c.noteEnd(func(e *ends) { e.board = pair.Leaf.NotAfter })
	}
	t.VerifyConnection = func(s tls.ConnectionState) error {
		c.noteEnd(func(e *ends) { e.broker = s.PeerCertificates[0].NotAfter })
		return nil
	}
	return t, nil
}

// write hands messages to the library in order. It alone may hang there, for up to writeTimeout, when the
// connection breaks beneath it.
func (l *link) write() {
	var flying []paho.Token
	for {
		select {
		case <-l.lost:
			return
		case m := <-l.out:
			for len(flying) >= maxInFlight {
				select {
				case <-flying[0].Done():
					flying = flying[1:]
				case <-l.lost:
					return
				}
			}
			t := l.mc.Publish(m.topic, qos, m.retained, m.payload)
			m.token <- t
			flying = append(flying, t)
		}
	}
}

// hand gives m to the writer.
func (l *link) hand(ctx context.Context, m *message) error {
	m.token = make(chan paho.Token, 1)
	select {
	case l.out <- m:
		return nil
	case <-l.lost:
		return errLost
	case <-ctx.Done():
		return ctx.Err()
	}
}

// await waits for the acknowledgement of what hand was given.
func (l *link) await(ctx context.Context, m *message) error {
	var t paho.Token
	select {
	case t = <-m.token:
	case <-l.lost:
		return errLost
	case <-ctx.Done():
		return ctx.Err()
	}
	select {
	case <-t.Done():
	case <-l.lost:
		return errLost
	case <-ctx.Done():
		return ctx.Err()
	}
	// A token that completed around the loss of its connection proves nothing.
	if !l.stands() {
		return errLost
	}
	return t.Error()
}

func (l *link) publish(ctx context.Context, m message) error {
	if err := l.hand(ctx, &m); err != nil {
		return err
	}
	return l.await(ctx, &m)
}

// gone marks the connection as lost.
func (l *link) gone(why error) {
	l.once.Do(func() {
		l.why = why
		close(l.lost)
	})
}

// stands reports whether the connection was not lost.
func (l *link) stands() bool {
	select {
	case <-l.lost:
		return false
	default:
		return l.mc.IsConnectionOpen()
	}
}

// cut ends the connection without a farewell; the broker then publishes the will.
func (l *link) cut() {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.conn != nil {
		l.conn.Close()
	}
}

// note keeps the topic of a retained message that the broker holds.
func (l *link) note(topic string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if len(l.found) < maxFound {
		l.found[topic] = struct{}{}
	}
}

// taken gives the topics noted since the last call.
func (l *link) taken() map[string]struct{} {
	l.mu.Lock()
	defer l.mu.Unlock()
	if len(l.found) == 0 {
		return nil
	}
	f := l.found
	l.found = map[string]struct{}{}
	return f
}

// deny notes that somebody said offline of us.
func (l *link) deny() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.denied = true
}

// isMute reports whether it is time to say that we are there: we have not for so long, or somebody said otherwise.
func (l *link) isMute(after time.Duration) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.denied || time.Since(l.said) >= after
}

// hasLooked reports whether the broker has told all that it holds, or will not.
func (l *link) hasLooked() bool {
	select {
	case <-l.looked:
		return true
	default:
		return false
	}
}

// described gives the discovery message that the broker holds, and whether it is wanted once more.
func (l *link) described() ([]byte, bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.told, l.again
}

func (l *link) describes(payload []byte) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.told, l.again = payload, false
}

func (l *link) askAgain() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.again = true
}
