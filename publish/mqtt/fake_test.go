package mqtt

import (
	"context"
	"errors"
	"net"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"

	"holdbell/publish/publishtest"
)

// fake is a broker that misbehaves as reply tells it to.
type fake struct {
	addr string
	mu   sync.Mutex
	seen []packets.ControlPacket
	more chan struct{}
}

// newFake answers each packet by what reply gives; nil is no answer, errHangUp ends the connection.
func newFake(t *testing.T, reply func(packets.ControlPacket) (packets.ControlPacket, error)) *fake {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	t.Cleanup(func() { l.Close() })
	f := &fake{addr: l.Addr().String(), more: make(chan struct{}, 1)}
	go func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			t.Cleanup(func() { conn.Close() })
			go f.serve(conn, reply)
		}
	}()
	return f
}

var errHangUp = errors.New("hang up")

func (f *fake) serve(conn net.Conn, reply func(packets.ControlPacket) (packets.ControlPacket, error)) {
	defer conn.Close()
	for {
		p, err := packets.ReadPacket(conn)
		if err != nil {
			return
		}
		f.mu.Lock()
		f.seen = append(f.seen, p)
		f.mu.Unlock()
		select {
		case f.more <- struct{}{}:
		default:
		}
		a, err := reply(p)
		if err != nil {
			return
		}
		if a != nil && a.Write(conn) != nil {
			return
		}
	}
}

// events counts the events that arrived.
func (f *fake) events() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	n := 0
	for _, p := range f.seen {
		if pub, ok := p.(*packets.PublishPacket); ok && strings.HasSuffix(pub.TopicName, "/event") {
			n++
		}
	}
	return n
}

// fair answers as a broker does.
func fair(p packets.ControlPacket) (packets.ControlPacket, error) {
	switch p := p.(type) {
	case *packets.ConnectPacket:
		return packets.NewControlPacket(packets.Connack), nil
	case *packets.PublishPacket:
		a := packets.NewControlPacket(packets.Puback).(*packets.PubackPacket)
		a.MessageID = p.MessageID
		return a, nil
	case *packets.SubscribePacket:
		a := packets.NewControlPacket(packets.Suback).(*packets.SubackPacket)
		a.MessageID, a.ReturnCodes = p.MessageID, make([]byte, len(p.Topics))
		return a, nil
	case *packets.DisconnectPacket:
		return nil, errHangUp
	}
	return nil, nil
}

func isEvent(p packets.ControlPacket) bool {
	pub, ok := p.(*packets.PublishPacket)
	return ok && strings.HasSuffix(pub.TopicName, "/event")
}

func TestABrokerThatAcceptsAndNeverAnswers(t *testing.T) {
	f := newFake(t, func(packets.ControlPacket) (packets.ControlPacket, error) { return nil, nil })
	o := options()
	o.Brokers = []string{"tcp://" + f.addr}
	c, stop := run(t, o)
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	if err := c.Deliver(ctx, "l", publishtest.Events(1)[0]); err == nil {
		t.Error("an event counts as delivered to a broker that says nothing")
	}
	stop() // it does not wait for the greeting either
}

func TestAnEventThatIsNotAcknowledged(t *testing.T) {
	f := newFake(t, func(p packets.ControlPacket) (packets.ControlPacket, error) {
		if isEvent(p) {
			return nil, nil
		}
		return fair(p)
	})
	o := options()
	o.Brokers = []string{"tcp://" + f.addr}
	c, _ := run(t, o)
	var wait sync.WaitGroup
	ctx, cancel := context.WithTimeout(t.Context(), time.Second)
	defer cancel()
	for range 3 * maxInFlight {
		wait.Go(func() {
			if err := c.Deliver(ctx, "l", publishtest.Events(1)[0]); err == nil {
				t.Error("an event counts as delivered without an acknowledgement")
			}
		})
	}
	wait.Wait()
	if n := f.events(); n == 0 || n > maxInFlight {
		t.Errorf("%d publishes were in flight, want 1 to %d", n, maxInFlight)
	}
}

func TestAConnectionThatBreaksBeforeTheAcknowledgement(t *testing.T) {
	f := newFake(t, func(p packets.ControlPacket) (packets.ControlPacket, error) {
		if isEvent(p) {
			return nil, errHangUp
		}
		return fair(p)
	})
	o := options()
	o.Brokers = []string{"tcp://" + f.addr}
	c, _ := run(t, o)
	ctx, cancel := context.WithTimeout(t.Context(), guardTime)
	defer cancel()
	for range 5 {
		if err := c.Deliver(ctx, "l", publishtest.Events(1)[0]); err == nil {
			t.Fatal("an event counts as delivered over a connection that was lost")
		}
	}
	// Each try sent it once: nothing is sent again behind our back.
	if n := f.events(); n > 5 {
		t.Errorf("5 tries sent the event %d times", n)
	}
}

func TestABrokerThatForgetsItsRetainedAcknowledgements(t *testing.T) {
	f := newFake(t, func(p packets.ControlPacket) (packets.ControlPacket, error) {
		if pub, ok := p.(*packets.PublishPacket); ok && strings.Contains(pub.TopicName, "/probe/") {
			return nil, nil
		}
		return fair(p)
	})
	var book logbook
	o := options()
	o.Brokers, o.Log = []string{"tcp://" + f.addr}, book.logger()
	c, err := New(o)
	must(t, err)
	c.pace = quick()
	c.pace.ack = 20 * time.Millisecond
	c.Show(shift(1))
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	go c.Run(ctx)
	f.until(t, func() bool { return strings.Contains(book.String(), errSilent.Error()) })
}

// until waits for packets until is holds.
func (f *fake) until(t *testing.T, is func() bool) {
	t.Helper()
	timer := time.NewTimer(guardTime)
	defer timer.Stop()
	for !is() {
		select {
		case <-f.more:
		case <-timer.C:
			t.Fatal("it never came")
		}
	}
}

func TestAnotherClientWithOurID(t *testing.T) {
	f := newFake(t, func(p packets.ControlPacket) (packets.ControlPacket, error) {
		if _, ok := p.(*packets.SubscribePacket); ok {
			return nil, errHangUp
		}
		return fair(p)
	})
	var book logbook
	o := options()
	o.Brokers, o.Log = []string{"tcp://" + f.addr}, book.logger()
	run(t, o)
	connects := func() (n int) {
		f.mu.Lock()
		defer f.mu.Unlock()
		for _, p := range f.seen {
			if _, ok := p.(*packets.ConnectPacket); ok {
				n++
			}
		}
		return n
	}
	f.until(t, func() bool { return connects() > maxTakeovers+5 })
	if n := strings.Count(book.String(), "if another client uses this id"); n != 1 {
		t.Errorf("a second client with our id is told of %d times, want once:\n%s", n, book.String())
	}
}

func TestMemoryIsFlatWhileOffline(t *testing.T) {
	o := options()
	o.Brokers = []string{"tcp://" + freePort(t)}
	c, _ := run(t, o)
	cancelled, cancel := context.WithCancel(t.Context())
	cancel()
	work := func(n int) (heap uint64, goroutines int) {
		for i := range n {
			c.Show(shift(uint64(i)))
			if c.Deliver(cancelled, "l", publishtest.Events(1)[0]) == nil {
				t.Fatal("delivered to nobody")
			}
		}
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return m.HeapAlloc, runtime.NumGoroutine()
	}
	before, g := work(1000)
	after, h := work(86_400) // a day of sweeps
	if after > before+1<<20 || h > g+3 {
		t.Errorf("a day without a broker: heap %d to %d bytes, goroutines %d to %d", before, after, g, h)
	}
}
