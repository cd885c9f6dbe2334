package mqtt

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/url"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"

	"holdbell/publish/publishtest"
)

// pond is brokers without a network, for a bubble. It keeps when whom was knocked at.
type pond struct {
	fake
	mu     sync.Mutex
	down   map[string]bool // by host:port
	conns  map[net.Conn]string
	knocks []time.Time
	ins    []time.Time
	last   string // where somebody was let in last
}

func newPond() *pond {
	return &pond{fake: fake{more: make(chan struct{}, 1)}, down: map[string]bool{}, conns: map[net.Conn]string{}}
}

func (p *pond) dial(_ context.Context, at string) (net.Conn, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.knocks = append(p.knocks, time.Now())
	if p.down[at] {
		return nil, errors.New("connection refused")
	}
	here, there := net.Pipe()
	p.conns[there] = at
	go func() {
		p.serve(there, func(q packets.ControlPacket) (packets.ControlPacket, error) {
			if _, ok := q.(*packets.ConnectPacket); ok {
				p.mu.Lock()
				p.ins, p.last = append(p.ins, time.Now()), at
				p.mu.Unlock()
			}
			if _, ok := q.(*packets.PingreqPacket); ok {
				return packets.NewControlPacket(packets.Pingresp), nil
			}
			return fair(q)
		})
		p.mu.Lock()
		delete(p.conns, there)
		p.mu.Unlock()
	}()
	return here, nil
}

// kill ends every connection of a broker at the same moment, and with down lets none back in.
func (p *pond) kill(at string, down bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.down[at] = down
	for c, where := range p.conns {
		if where == at {
			c.Close()
		}
	}
}

func (p *pond) mend(at string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.down[at] = false
}

// counts gives how many are in, the most that knocked, and the most that were let in within any second since from.
func (p *pond) counts(from time.Time) (in, knocks, ins int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return len(p.conns), peak(p.knocks, from), peak(p.ins, from)
}

func peak(at []time.Time, from time.Time) (most int) {
	first := 0
	for i := range at {
		if at[i].Before(from) {
			first = i + 1
			continue
		}
		for at[i].Sub(at[first]) >= time.Second {
			first++
		}
		most = max(most, i+1-first)
	}
	return most
}

// TestAThousandBoardsLoseTheirBroker: a thousand boards come at the same moment, lose their broker at the same moment, and
// lose it for ten minutes. How many knock in the worst second is bounded; nothing of it takes longer than a minute.
func TestAThousandBoardsLoseTheirBroker(t *testing.T) {
	const (
		boards = 1000
		at     = "broker.example:1883"
		// 1,000 over 10 s are 100 a second; the worst of all seconds is some four deviations (10) more.
		most = 160
		// While nobody answers, those that knock for the first time meet those that do so for the second and the
		// third: a wait of up to 5 s adds 200 a second in its middle.
		mostKnocks = 360
	)
	synctest.Test(t, func(t *testing.T) {
		p := newPond()
		ctx, cancel := context.WithCancel(t.Context())
		var running sync.WaitGroup
		begun := time.Now()
		for i := range boards {
			o := options()
			o.Site, o.ClientID = fmt.Sprintf("kitchen-%04d", i), fmt.Sprintf("board-%04d", i)
			o.Brokers, o.Dial = []string{"tcp://" + at}, p.dial
			c, err := New(o)
			must(t, err)
			running.Go(func() { c.Run(ctx) })
		}
		all := func(what string, from time.Time, within time.Duration, mostKnocks int) {
			t.Helper()
			time.Sleep(within)
			synctest.Wait()
			in, knocks, ins := p.counts(from)
			t.Logf("%s: in the worst second %d knocked and %d were let in", what, knocks, ins)
			if in != boards {
				t.Errorf("%s: %d of %d boards are in after %v", what, in, boards, within)
			}
			if ins > most || knocks > mostKnocks {
				t.Errorf("%s: in the worst second %d knocked and %d were let in, want at most %d and %d", what, knocks, ins, mostKnocks, most)
			}
		}
		all("all start together", begun, spread, most)
		lost := time.Now()
		p.kill(at, false)
		all("the broker starts again at once", lost, spread, most)
		lost = time.Now()
		p.kill(at, true)
		time.Sleep(10 * time.Minute)
		p.mend(at)
		all("the broker is back after ten minutes", lost, time.Minute, mostKnocks)
		cancel()
		running.Wait()
		synctest.Wait()
	})
}

// TestTheNextBroker: where the own one is gone the next takes over without a further wait, and what it is told is all there.
func TestTheNextBroker(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPond()
		o := options()
		o.Dial, o.Brokers = p.dial, []string{"tcp://one.example:1883", "tcp://two.example:1883", "tcp://three.example:1883"}
		c, err := New(o)
		must(t, err)
		order := make([]string, len(c.brokers))
		for i, u := range c.brokers {
			order[i] = u.Host
		}
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan struct{})
		go func() { defer close(ended); c.Run(ctx) }()
		at := func(want string) {
			t.Helper()
			time.Sleep(spread)
			synctest.Wait()
			if s := c.Status(); !s.Connected || s.Broker != want || p.last != want || s.Trouble != "" {
				t.Fatalf("the status is %+v, want %s of %v", s, want, order)
			}
			must(t, c.Deliver(t.Context(), "l", publishtest.Events(1)[0]))
		}
		at(order[0])
		p.kill(order[0], false)
		at(order[1]) // one that hung up is not asked first, though it answers again
		p.kill(order[1], false)
		at(order[0])
		p.kill(order[0], true)
		at(order[1])
		p.mend(order[0])
		at(order[1]) // one that is back calls nobody away from where all is well
		p.kill(order[1], false)
		at(order[0])
		p.mu.Lock()
		p.down[order[1]], p.down[order[2]] = true, true
		p.mu.Unlock()
		p.kill(order[0], false)
		at(order[0]) // the only one left, though it was just lost
		p.kill(order[0], true)
		time.Sleep(2 * time.Minute)
		s := c.Status()
		want := fmt.Sprintf("%s: network Error : connection refused; %s: network Error : connection refused; %s: network Error : connection refused", order[0], order[1], order[2])
		if s.Connected || s.Trouble != Unreachable || s.Text != want {
			t.Errorf("with none left the status is %+v, want %s", s, want)
		}
		cancel()
		<-ended
	})
}

// TestBoardsSpread: boards choose each order of three brokers alike, and so the boards of one that is gone the others.
func TestBoardsSpread(t *testing.T) {
	brokers, err := parseBrokers([]string{"tcp://one.example:1883", "tcp://two.example:1883", "tcp://three.example:1883"})
	must(t, err)
	orders := map[string]int{}
	const boards = 6000
	for i := range boards {
		id := defaultID("holdbell", fmt.Sprintf("kitchen-%d", i))
		a := inOrder(brokers, id)
		if b := inOrder([]*url.URL{brokers[2], brokers[0], brokers[1]}, id); !slices.Equal(a, b) {
			t.Fatalf("board %d: %v, and by another list %v", i, a, b)
		}
		orders[fmt.Sprint(a)]++
	}
	for order, n := range orders {
		// A sixth each; 150 are five deviations.
		if n < boards/6-150 || n > boards/6+150 {
			t.Errorf("%d of %d boards have the order %s", n, boards, order)
		}
	}
	if len(orders) != 6 {
		t.Errorf("%d orders of three", len(orders))
	}
}
