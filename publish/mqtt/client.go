package mqtt

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"os"
	"slices"
	"strings"
	"sync"
	"time"

	"holdbell/publish"
	"holdbell/rules"
	"holdbell/sensor"
)

// Options are what a Client needs to know. Brokers, Site and Now are required.
type Options struct {
	// Brokers are tcp://, mqtt://, ssl://, tls://, mqtts://, ws:// or wss://, with a port: one, or those of one
	// cluster. Each board goes through them in an order of its own.
	Brokers []string
	Prefix  string // default "holdbell"
	Site    string
	// ClientID is the name at the broker; by default one is derived from the machine's id, prefix and site.
	ClientID     string
	Username     string
	PasswordFile string // read at each connect, so a new password needs no restart
	CAFile       string // PEM; default the system's authorities
	CertFile     string // PEM of the client's certificate, with KeyFile
	KeyFile      string

	// Commands lets people send marks through the broker; each goes to Mark, which gives the answer.
	Commands bool
	Mark     func(ctx context.Context, m rules.Mark) (string, error)

	// Feeds are topics of others' readings. Each message goes to Feed, which must not wait; one that the
	// broker kept from before does not: nobody knows how old it is.
	Feeds []string
	Feed  func(topic string, payload []byte)

	// Head gives the newest link of the record's chain, for a second party to keep; it must not wait. nil, or
	// without a ledger: nothing is published.
	Head func() Head

	// Config is the configuration in force; without a hash nothing is published of it.
	Config publish.Config

	// Discovery is the prefix of a home-automation dashboard's discovery topics; empty: none are sent.
	Discovery string
	Period    time.Duration // of a sweep; a dashboard takes no slower topic for dead
	Version   string        // of the daemon

	Log *slog.Logger // default slog.Default()
	Now func() sensor.Instant
	// Dial opens the connection to the broker at host:port; default: over the network, as Brokers say.
	Dial func(ctx context.Context, address string) (net.Conn, error)

	password string // of the embedded broker; set by Broker.Own
}

// pace is how the client waits; a field of Client so that tests need not.
type pace struct {
	// Of these, each wait is anything from nothing to the whole, by chance.
	start time.Duration // before the first try of all
	loss  time.Duration // before the first try after a connection was lost
	first time.Duration // after all brokers failed for the first time, doubled after each further one
	max   time.Duration

	dial  time.Duration // for the network and the broker's greeting
	ack   time.Duration // for an acknowledgement of what is retained; then the connection is given up
	leave time.Duration // for the farewell
	// rebirth bounds the wait before a dashboard's start is answered.
	rebirth time.Duration
	online  time.Duration // between one word that we are there and the next
	settle  time.Duration // after which a cluster is looked at again
}

func steadyPace() pace {
	return pace{start: spread, loss: spread, first: 5 * time.Second, max: time.Minute, dial: 10 * time.Second,
		ack: 20 * time.Second, leave: 2 * time.Second, rebirth: rebirthSpread,
		online: time.Minute, settle: time.Minute}
}

// Client is the publisher. It is safe for concurrent use.
type Client struct {
	rare     *publish.Rare
	o        Options
	brokers  []*url.URL // in this board's order
	topics   topics
	home     home // zero without Discovery
	pace     pace
	commands chan []byte
	self     boardMessage // who this run says it is
	head     headMessage  // of the link that was seen last; of the goroutine that publishes alone

	wake chan struct{} // capacity 1: there is a newer state

	mu     sync.Mutex
	latest *rules.State
	link   *link         // nil while there is no connection
	up     chan struct{} // closed when link is set; replaced when it is unset
	err    error         // why there is no connection
	rival  rival
	ends   ends
}

var _ publish.Publisher = (*Client)(nil)

// New checks the options; Run connects. A file that cannot be read now is no error: it is tried again
// with each connection.
func New(o Options) (*Client, error) {
	if o.Prefix == "" {
		o.Prefix = "holdbell"
	}
	if o.Log == nil {
		o.Log = slog.Default()
	}
	if err := checkPrefix(o.Prefix); err != nil {
		return nil, err
	}
	var h home
	if o.Discovery != "" {
		if err := checkPrefix(o.Discovery); err != nil {
			return nil, fmt.Errorf("discovery: %w", err)
		}
		h = newHome(o.Discovery, o.Site)
	}
	brokers, err := parseBrokers(o.Brokers)
	if err != nil {
		return nil, err
	}
	switch {
	case o.Site == "":
		return nil, errors.New("the site is empty; name it, for its name stands in every topic")
	case o.Now == nil:
		return nil, errors.New("the MQTT client has no clock; set Now")
	case o.Commands && o.Mark == nil:
		return nil, errors.New("commands are on and nobody takes marks; set Mark")
	case len(o.Feeds) > 0 && o.Feed == nil:
		return nil, errors.New("topics are named and nobody takes their messages; set Feed")
	case (o.CertFile == "") != (o.KeyFile == ""):
		return nil, errors.New("a client's certificate and its key go together; give both files or none")
	}
	if o.ClientID == "" {
		o.ClientID = defaultID(o.Prefix, o.Site)
	}
	c := &Client{o: o, rare: publish.NewRare(o.Log), brokers: inOrder(brokers, o.ClientID), topics: newTopics(o.Prefix, o.Site), home: h, pace: steadyPace(),
		self: newBoardMessage(), commands: make(chan []byte, maxCommands), wake: make(chan struct{}, 1), up: make(chan struct{})}
	if o.password != "" { // nobody else comes to a broker that is our own
		c.pace.start, c.pace.loss = 0, time.Second
	}
	return c, nil
}

func parseBrokers(list []string) ([]*url.URL, error) {
	if len(list) == 0 {
		return nil, errors.New("there is no broker; write tcp://HOST:1883 or ssl://HOST:8883")
	}
	brokers := make([]*url.URL, len(list))
	for i, s := range list {
		var err error
		if brokers[i], err = parseBroker(s); err != nil {
			return nil, err
		}
	}
	return brokers, nil
}

func parseBroker(s string) (*url.URL, error) {
	u, err := url.Parse(s)
	schemes := []string{"tcp", "mqtt", "ssl", "tls", "mqtts", "ws", "wss"}
	switch {
	case strings.Contains(s, "@"):
		return nil, errors.New("the broker's address holds a login; give the username and a password file instead")
	case err != nil || !slices.Contains(schemes, u.Scheme) || u.Hostname() == "" || u.Port() == "":
		return nil, fmt.Errorf("%q is no address of a broker; write tcp://HOST:1883 or ssl://HOST:8883", s)
	}
	return u, nil
}

// defaultID derives a client id from the machine's id, which machine-id(5) asks to keep to oneself, hence
// the hash. 23 characters are what every broker takes (MQTT 3.1.1, 3.1.3.1).
func defaultID(prefix, site string) string {
	machine, err := os.ReadFile("/etc/machine-id")
	if err != nil || len(machine) == 0 {
		machine = []byte(rand.Text())
	}
	sum := sha256.Sum256(fmt.Appendf(nil, "holdbell mqtt\x00%s\x00%s\x00%s", machine, prefix, site))
	return "holdbell-" + hex.EncodeToString(sum[:7])
}

// Name implements publish.Publisher.
func (c *Client) Name() string { return "mqtt" }

// Deliver publishes ev and returns once the broker has acknowledged it over a connection that stood from
// the one to the other. Without a connection it waits for one until ctx ends.
func (c *Client) Deliver(ctx context.Context, ledger string, ev rules.Event) error {
	payload, err := json.Marshal(newEventMessage(ledger, &ev, c.o.Now()))
	if err != nil {
		return publish.Permanent(fmt.Errorf("event %d: %w", ev.Seq, err))
	}
	l, err := c.connected(ctx)
	if err != nil {
		return err
	}
	if err := l.publish(ctx, message{topic: c.topics.event(), payload: payload}); err != nil {
		return fmt.Errorf("event %d at the broker %s: %w", ev.Seq, l.broker.Host, err)
	}
	return nil
}

// Show implements publish.Publisher: the newest state is published when the connection allows.
func (c *Client) Show(st *rules.State) {
	c.mu.Lock()
	c.latest = st
	c.mu.Unlock()
	c.nudge()
}

func (c *Client) nudge() {
	select {
	case c.wake <- struct{}{}:
	default:
	}
}

func (c *Client) state() *rules.State {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.latest
}

// connected waits for a connection.
func (c *Client) connected(ctx context.Context) (*link, error) {
	for {
		c.mu.Lock()
		l, up, err := c.link, c.up, c.err
		c.mu.Unlock()
		if ctx.Err() == nil && l != nil {
			return l, nil
		}
		select {
		case <-ctx.Done():
			if err != nil {
				return nil, fmt.Errorf("no connection to the broker %s: %w", c.hosts(), err)
			}
			return nil, fmt.Errorf("no connection to the broker %s: %w", c.hosts(), ctx.Err())
		case <-up:
		}
	}
}

func (c *Client) setLink(l *link, err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.err = err
	switch {
	case l != nil:
		c.link = l
		close(c.up)
	case c.link != nil:
		c.link = nil
		c.up = make(chan struct{})
	}
}
