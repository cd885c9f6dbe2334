package publish

import (
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"sync"
	"time"

	"holdbell/rules"
)

// Cursors keeps how far each publisher is. It belongs to one ledger: another has cursors of its own.
type Cursors interface {
	// ID is the ledger's id, empty while there is none.
	ID() string
	// Cursor gives the Seq of the last event that the publisher name has dealt with.
	Cursor(ctx context.Context, name string) (seq uint64, found bool, err error)
	// SetCursor keeps it. It may wait for a disk.
	SetCursor(ctx context.Context, name string, seq uint64) error
}

// CourierOptions are a courier's times. Zero values give the defaults.
type CourierOptions struct {
	Attempt    time.Duration  // deadline of one delivery; default 30 s
	MinBackoff time.Duration  // wait after the first failure, doubled after each further one; default 1 s
	MaxBackoff time.Duration  // the longest wait; default 60 s
	Jitter     func() float64 // in [0,1); default random
	Log        *slog.Logger   // default slog.Default()
}

// The defaults of CourierOptions, and what a courier takes from the log at a time.
const (
	defaultAttempt    = 30 * time.Second
	defaultMinBackoff = time.Second
	defaultMaxBackoff = time.Minute
	courierBatch      = 32
	// logAttempts is how often a record that cannot be read is asked for older events before they are
	// counted as lost.
	logAttempts = 4
)

// Courier brings every event to one Publisher: at least once, in order, with retry and backoff. It holds
// no more than a few events, however long the publisher is down.
type Courier struct {
	p       Publisher
	log     EventLog
	cursors Cursors
	o       CourierOptions

	mu       sync.Mutex
	at       uint64 // the last event that was dealt with
	started  bool
	failures uint64
	refused  uint64
	lost     uint64
	last     error
	save     chan struct{} // capacity 1: there is a cursor to save
}

// NewCourier gives a courier to p; Run sets it to work.
func NewCourier(p Publisher, log EventLog, cursors Cursors, o CourierOptions) *Courier {
	if o.Attempt <= 0 {
		o.Attempt = defaultAttempt
	}
	if o.MinBackoff <= 0 {
		o.MinBackoff = defaultMinBackoff
	}
	if o.MaxBackoff <= 0 {
		o.MaxBackoff = defaultMaxBackoff
	}
	if o.Jitter == nil {
		o.Jitter = rand.Float64
	}
	if o.Log == nil {
		o.Log = slog.Default()
	}
	return &Courier{p: p, log: log, cursors: cursors, o: o, save: make(chan struct{}, 1)}
}

// Run delivers until ctx ends, and returns once the cursor is saved as far as the record allows. It is
// called once.
func (c *Courier) Run(ctx context.Context) {
	c.begin(ctx)
	// The cursor is saved beside the deliveries: a record that stalls must not hold them up.
	saved := make(chan struct{})
	go func() {
		defer close(saved)
		c.keep(ctx)
	}()
	defer func() {
		last := time.NewTimer(saveLast)
		defer last.Stop()
		select {
		case <-saved:
		case <-last.C:
		}
	}()
	for ctx.Err() == nil {
		events := c.take(ctx)
		for i := range events {
			if !c.bring(ctx, events[i]) {
				return
			}
		}
	}
}

// begin finds where to go on. A publisher without a cursor starts where this run began, not at the
// beginning of history.
func (c *Courier) begin(ctx context.Context) {
	name := c.p.Name()
	seq, found, err := c.cursors.Cursor(ctx, name)
	if err != nil {
		c.o.Log.Warn("the record does not say how far this publisher is; it goes on with what is new", "publisher", name, "err", err)
	}
	if err != nil || !found {
		seq = c.log.Begin()
	}
	// A cursor beyond the end is from a record whose last events were lost with the power.
	c.mu.Lock()
	c.at, c.started = min(seq, c.log.End()), true
	c.mu.Unlock()
	c.changed()
}

// take gives the next events. It returns none when ctx ends.
func (c *Courier) take(ctx context.Context) []rules.Event {
	for try := 1; ; try++ {
		events, lost, err := c.log.Next(ctx, c.position(), courierBatch)
		switch {
		case ctx.Err() != nil:
			return nil
		case err == nil:
			c.pass(lost)
			return events
		case try < logAttempts:
			c.wait(ctx, try)
			continue
		}
		events, lost = c.log.Skip(c.position(), courierBatch)
		c.o.Log.Error("older events cannot be read; they are passed over", "publisher", c.p.Name(), "events", lost, "err", err)
		c.pass(lost)
		return events
	}
}

// pass moves over events that nobody can give any more.
func (c *Courier) pass(lost uint64) {
	if lost == 0 {
		return
	}
	c.mu.Lock()
	c.lost += lost
	c.at += lost
	c.mu.Unlock()
}

// bring delivers one event, however often it takes. It reports false when ctx ended first.
func (c *Courier) bring(ctx context.Context, ev rules.Event) bool {
	for try := 1; ; try++ {
		err := c.attempt(ctx, ev)
		if err != nil && ctx.Err() != nil {
			return false
		}
		c.note(ev, err)
		if err == nil || IsPermanent(err) {
			return true
		}
		if !c.wait(ctx, try) {
			return false
		}
	}
}

// attempt is one delivery. A publisher that panics has met an event it cannot take: no retry cures that.
func (c *Courier) attempt(ctx context.Context, ev rules.Event) (err error) {
	defer func() {
		if r := recover(); r != nil {
			err = Permanent(fmt.Errorf("the publisher panicked: %v", r))
		}
	}()
	ctx, cancel := context.WithTimeout(ctx, c.o.Attempt)
	defer cancel()
	return c.p.Deliver(ctx, c.cursors.ID(), ev)
}

// note keeps the books after an attempt, and logs a change once.
func (c *Courier) note(ev rules.Event, err error) {
	c.mu.Lock()
	was := c.last
	c.last = err
	switch {
	case err == nil:
		c.at = ev.Seq
	case IsPermanent(err):
		c.refused++
		c.at = ev.Seq
		// What was refused was answered: the way is open.
		c.last = nil
	default:
		c.failures++
	}
	c.mu.Unlock()
	switch {
	case err == nil && was != nil:
		c.o.Log.Info("the publisher takes events again", "publisher", c.p.Name())
	case IsPermanent(err):
		c.o.Log.Error("the publisher refused an event; it is passed over", "publisher", c.p.Name(), "seq", ev.Seq, "err", err)
	case err != nil && was == nil:
		c.o.Log.Warn("the publisher cannot be reached; events wait and are tried again", "publisher", c.p.Name(), "seq", ev.Seq, "err", err)
	}
	if err == nil || IsPermanent(err) {
		c.changed()
	}
}

// wait pauses after the try-th failure: doubling, and up to half of it shorter by chance, so that many
// boards behind one broker do not come back at once.
func (c *Courier) wait(ctx context.Context, try int) bool {
	d := c.o.MaxBackoff
	if shift := try - 1; shift < 16 {
		d = min(d, c.o.MinBackoff<<shift)
	}
	d -= time.Duration(c.o.Jitter() * float64(d) / 2)
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return true
	case <-ctx.Done():
		return false
	}
}

func (c *Courier) position() uint64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.at
}

// changed tells keep that the cursor moved.
func (c *Courier) changed() {
	select {
	case c.save <- struct{}{}:
	default:
	}
}

// Pending is how many events wait for delivery; 0 before Run.
func (c *Courier) Pending() uint64 {
	end := c.log.End()
	c.mu.Lock()
	defer c.mu.Unlock()
	if !c.started || end < c.at {
		return 0
	}
	return end - c.at
}

// Name is the publisher's.
func (c *Courier) Name() string { return c.p.Name() }

// Failures counts the attempts that failed and were, or will be, made again.
func (c *Courier) Failures() uint64 { return c.count(&c.failures) }

// Refused counts the events that the publisher refused for good.
func (c *Courier) Refused() uint64 { return c.count(&c.refused) }

// Lost counts the events that were in neither memory nor record when their turn came.
func (c *Courier) Lost() uint64 { return c.count(&c.lost) }

// LastError is why the newest attempt failed; nil when it did not.
func (c *Courier) LastError() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.last
}

func (c *Courier) count(n *uint64) uint64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	return *n
}
