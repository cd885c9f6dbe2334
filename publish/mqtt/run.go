package mqtt

import (
	"bytes"
	"context"
	"errors"
	"net/url"
	"sync"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// When a broker closes more than maxTakeovers connections within takeoverSpan, two clients may use one id: each connection
// of the one ends the other's (MQTT 3.1.1, 3.1.4-2). Two boards tell each other by status/board besides.
const (
	maxTakeovers = 5
	takeoverSpan = 2 * time.Minute
)

// Run connects, publishes and reconnects until ctx ends; then it says offline and leaves. It is called
// once. A broker that is down is no error: Run tries until it is up.
func (c *Client) Run(ctx context.Context) {
	obeying := make(chan struct{})
	go func() {
		defer close(obeying)
		c.obey(ctx)
	}()
	defer func() { <-obeying }()
	pause(ctx, jitter(c.pace.start))
	var t tries
	for ctx.Err() == nil {
		l, err := c.connectAny(ctx, t.avoid)
		if err == nil {
			t.connected(c, l.broker)
			err = c.serve(ctx, l)
			if ctx.Err() == nil {
				pause(ctx, t.lost(c, l.broker, err))
			}
			continue
		}
		if ctx.Err() == nil {
			pause(ctx, t.failed(c, err))
		}
	}
}

// tries remembers how connecting went, to wait and to log by.
type tries struct {
	avoid    *url.URL // the broker that was lost last; nil once all were tried
	failures int
	losses   []time.Time
	warned   bool
}

func (t *tries) connected(c *Client, broker *url.URL) {
	if !t.warned {
		c.o.Log.Info("connected to the broker", "broker", broker.Host)
	}
	t.failures = 0
}

// failed gives the wait after a round in which no broker let us in, and logs the first of a row.
func (t *tries) failed(c *Client, err error) time.Duration {
	c.setLink(nil, err)
	if t.failures == 0 {
		c.o.Log.Warn("the broker cannot be reached; tried again until it can", "broker", c.hosts(), "err", err)
	}
	d := c.pace.max
	if t.failures < 16 {
		d = min(d, c.pace.first<<t.failures)
	}
	t.avoid = nil
	t.failures++
	return jitter(d)
}

// lost gives the wait after a connection that stood, and tells of a second client with our id.
func (t *tries) lost(c *Client, broker *url.URL, err error) time.Duration {
	now := time.Now()
	t.avoid = broker
	t.losses = append(t.losses, now)
	for now.Sub(t.losses[0]) > takeoverSpan {
		t.losses = t.losses[1:]
	}
	if len(t.losses) <= maxTakeovers {
		t.warned = false
		c.o.Log.Warn("the connection to the broker was lost", "broker", broker.Host, "err", err)
		return jitter(c.pace.loss)
	}
	if !t.warned {
		c.o.Log.Error("the broker keeps closing the connection; if another client uses this id, give each its own site: and client_id",
			"broker", broker.Host, "client_id", c.o.ClientID, "closed", len(t.losses), "within", takeoverSpan, "err", err)
	}
	t.warned = true
	return jitter(c.pace.loss)
}

func pause(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
	case <-ctx.Done():
	}
}

// serve works on one connection until it is lost or ctx ends, and says why it was lost.
func (c *Client) serve(ctx context.Context, l *link) error {
	err := c.greet(ctx, l)
	if err == nil {
		c.setLink(l, nil)
		err = c.mirror(ctx, l)
	}
	c.setLink(nil, err)
	if ctx.Err() == nil {
		l.cut()
		if errors.Is(err, errLost) {
			<-l.lost
			err = l.why
		}
		if errors.Is(err, context.DeadlineExceeded) {
			err = errSilent
		}
		return err
	}
	// A clean farewell keeps the broker from publishing the will, so the word has to be ours.
	leaving, cancel := context.WithTimeout(context.WithoutCancel(ctx), c.pace.leave)
	defer cancel()
	if err := l.publish(leaving, message{topic: c.topics.status(), payload: []byte("offline"), retained: true}); err != nil {
		c.o.Log.Warn("the broker was not told that we stop; its will for us says so", "broker", l.broker.Host, "err", err)
		l.cut()
		return nil
	}
	l.mc.Disconnect(uint(c.pace.leave.Milliseconds()))
	l.gone(nil)
	return nil
}

// greet subscribes, and publishes the birth.
func (c *Client) greet(ctx context.Context, l *link) error {
	ctx, cancel := context.WithTimeout(ctx, c.pace.ack)
	defer cancel()
	if err := c.ask(ctx, l); err != nil {
		return err
	}
	// Without leave to read, nothing of an earlier run can be cleared; all else goes on.
	born := sync.OnceFunc(func() { close(l.looked) })
	err := l.subscribe(ctx, c.look(), c.find(l))
	if err != nil {
		if !l.stands() || ctx.Err() != nil {
			return err
		}
		born()
	}
	// Our own birth is heard after all that the broker kept.
	err = l.subscribe(ctx, c.topics.own(), func(_ paho.Client, m paho.Message) {
		switch {
		case m.Topic() == c.topics.board():
			c.hear(m.Payload(), m.Retained())
		case m.Retained():
		case string(m.Payload()) == "offline":
			l.deny()
			c.nudge()
		default:
			born()
		}
	})
	if err != nil {
		if !l.stands() || ctx.Err() != nil {
			return err
		}
		born()
	}
	if err := c.listen(ctx, l); err != nil {
		return err
	}
	if err := c.sayOnline(ctx, l); err != nil {
		return err
	}
	return c.introduce(ctx, l)
}

// ask subscribes to what others have to say to us. A refusal costs that alone.
func (c *Client) ask(ctx context.Context, l *link) error {
	if c.o.Commands {
		if err := l.subscribe(ctx, map[string]byte{c.topics.mark(): qos}, c.take); err != nil {
			if !l.stands() || ctx.Err() != nil {
				return err
			}
			c.o.Log.Warn("the broker does not let us read marks; allow it in the broker's access list", "topic", c.topics.mark(), "err", err)
		}
	}
	for _, t := range c.o.Feeds {
		if err := l.subscribe(ctx, map[string]byte{t: qos}, c.feed); err != nil {
			if !l.stands() || ctx.Err() != nil {
				return err
			}
			c.o.Log.Warn("the broker does not let us read a probe's topic; allow it in the broker's access list", "topic", t, "err", err)
		}
	}
	return nil
}

func (c *Client) sayOnline(ctx context.Context, l *link) error {
	l.mu.Lock()
	l.denied, l.said = false, time.Now()
	l.mu.Unlock()
	return l.publish(ctx, message{topic: c.topics.status(), payload: []byte("online"), retained: true})
}

// find gives the library's handler of what a broker kept of us.
func (c *Client) find(l *link) paho.MessageHandler {
	return func(_ paho.Client, m paho.Message) {
		switch {
		case m.Topic() == c.home.topic:
			if m.Retained() {
				l.describes(bytes.Clone(m.Payload()))
			}
		case m.Retained() && len(m.Payload()) > 0:
			l.note(m.Topic())
			c.nudge()
		}
	}
}

// feed is the library's handler of others' readings.
func (c *Client) feed(_ paho.Client, m paho.Message) {
	if !m.Retained() {
		c.o.Feed(m.Topic(), m.Payload())
	}
}

// subscribe waits for the broker's answer, and takes a refusal for an error.
func (l *link) subscribe(ctx context.Context, filters map[string]byte, handle paho.MessageHandler) error {
	// The library may hang here while the connection breaks; that must not hold us up.
	tokens := make(chan paho.Token, 1)
	go func() { tokens <- l.mc.SubscribeMultiple(filters, handle) }()
	var t paho.Token
	select {
	case t = <-tokens:
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
	if err := t.Error(); err != nil {
		return err
	}
	if s, ok := t.(*paho.SubscribeToken); ok {
		for topic, code := range s.Result() {
			if code == refused {
				return errors.New("the broker refuses the subscription to " + topic)
			}
		}
	}
	return nil
}

// refused is the broker's answer to a subscription that it does not grant (MQTT 3.1.1, 3.9.3).
const refused = 0x80
