package main

import (
	"encoding/json"
	"log/slog"
	"math/rand/v2"
	"path/filepath"
	"sync"
	"testing"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
	"golang.org/x/sys/unix"
)

// ear is a broker that comes and goes, and remembers every event that it acknowledged.
type ear struct {
	t    *testing.T
	addr string

	mu     sync.Mutex
	server *mochi.Server // nil: down
	heard  map[uint64]heardEvent
}

type heardEvent struct {
	Seq        uint64 `json:"seq"`
	Text       string `json:"text"`
	Unrecorded bool   `json:"unrecorded"`
}

// open lets everybody in.
type open struct{ mochi.HookBase }

func (*open) ID() string { return "open" }
func (*open) Provides(b byte) bool {
	return b == mochi.OnConnectAuthenticate || b == mochi.OnACLCheck
}
func (*open) OnConnectAuthenticate(*mochi.Client, packets.Packet) bool { return true }
func (*open) OnACLCheck(*mochi.Client, string, bool) bool              { return true }

func newEar(t *testing.T, addr string) *ear {
	e := &ear{t: t, addr: addr, heard: map[uint64]heardEvent{}}
	t.Cleanup(func() { e.listen(false) })
	return e
}

func (e *ear) listening() bool { return e.server != nil }

// listen brings the broker up, or down.
func (e *ear) listen(up bool) {
	e.t.Helper()
	if up == e.listening() {
		return
	}
	if !up {
		_ = e.server.Close() // always nil
		e.server = nil
		return
	}
	e.server = mochi.New(&mochi.Options{InlineClient: true, Logger: slog.New(slog.DiscardHandler)})
	for _, err := range []error{
		e.server.AddHook(new(open), nil),
		e.server.Subscribe("holdbell/killed/event", 1, e.hear),
		e.server.AddListener(listeners.NewTCP(listeners.Config{ID: "ear", Address: e.addr})),
		e.server.Serve(),
	} {
		if err != nil {
			e.t.Fatalf("the test's broker: %v", err)
		}
	}
}

func (e *ear) hear(_ *mochi.Client, _ packets.Subscription, pk packets.Packet) {
	var ev heardEvent
	if err := json.Unmarshal(pk.Payload, &ev); err != nil {
		e.t.Errorf("an event's message %q: %v", pk.Payload, err)
		return
	}
	e.mu.Lock()
	defer e.mu.Unlock()
	was, again := e.heard[ev.Seq]
	if again && was.Text != ev.Text {
		e.t.Errorf("event %d was told as %q and as %q", ev.Seq, was.Text, ev.Text)
	}
	// Told once as recorded, it is.
	ev.Unrecorded = ev.Unrecorded && (!again || was.Unrecorded)
	e.heard[ev.Seq] = ev
}

// since gives the texts of the events after a number that were told as recorded.
func (e *ear) since(seq uint64) map[uint64]string {
	e.mu.Lock()
	defer e.mu.Unlock()
	told := map[uint64]string{}
	for _, ev := range e.heard {
		if ev.Seq > seq && !ev.Unrecorded {
			told[ev.Seq] = ev.Text
		}
	}
	return told
}

// count is how many different events were told.
func (e *ear) count() uint64 {
	e.mu.Lock()
	defer e.mu.Unlock()
	return uint64(len(e.heard))
}

// flipping is a probe's file that falls into the danger zone and comes out of it every few seconds.
type flipping struct {
	mu sync.Mutex
	at []time.Duration // of the turns by CLOCK_BOOTTIME, the first down
}

// flip turns the file in the folder until the test ends; it begins outside the zone.
func flip(t *testing.T, dir string, seed uint64) *flipping {
	f, chance := new(flipping), rand.New(rand.NewPCG(seed, 1))
	stop, stopped := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(stopped)
		for n := 0; ; n++ {
			select {
			case <-stop:
				return
			case <-time.After(time.Duration(1500+chance.IntN(2500)) * time.Millisecond):
			}
			put(t, filepath.Join(dir, "in_temp_input"), []string{"55000", "60000"}[n%2])
			var now unix.Timespec
			if err := unix.ClockGettime(unix.CLOCK_BOOTTIME, &now); err != nil {
				t.Error(err)
			}
			f.mu.Lock()
			f.at = append(f.at, time.Duration(now.Nano()))
			f.mu.Unlock()
		}
	}()
	t.Cleanup(func() { close(stop); <-stopped })
	return f
}

// low is how much of the time from a to b the file said that it was in the zone.
func (f *flipping) low(a, b time.Duration) (sum time.Duration) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for i := 0; i < len(f.at); i += 2 {
		end := b
		if i+1 < len(f.at) {
			end = f.at[i+1]
		}
		sum += max(0, min(b, end)-max(a, f.at[i]))
	}
	return sum
}

// turns reports whether the file turned between a and b.
func (f *flipping) turns(a, b time.Duration) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, at := range f.at {
		if a <= at && at <= b {
			return true
		}
	}
	return false
}
