package mqtt

import (
	"context"
	"encoding/json"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"holdbell/publish/publishtest"
	"holdbell/publish/publishtest/nats"
	"holdbell/rules"
)

// natsConfigs is the configuration that is shipped.
const natsConfigs = "../../configs/nats"

// natsUser are a login's options at a node.
func natsUser(c *nats.Cluster, node int, name string) *paho.ClientOptions {
	return paho.NewClientOptions().AddBroker("tcp://" + c.Addr(node)).SetUsername(name)
}

func dashboard(t testing.TB, c *nats.Cluster, node int) *spy {
	return spyAs(t, natsUser(c, node, "dashboard"), "holdbell/#")
}

// returned asks a node anew until it gives what is retained: one that has just come back may let a reader in before it has
// read that again.
func returned(t testing.TB, c *nats.Cluster, node int, topic, start string) *spy {
	t.Helper()
	given := func(all []got) bool {
		p, ok := newest(all, topic)
		return ok && strings.HasPrefix(p, start)
	}
	for until := time.Now().Add(guardTime); ; {
		s := dashboard(t, c, node)
		if s.within(5*time.Second, given) {
			return s
		}
		if time.Now().After(until) {
			t.Fatalf("node %d never gives %s %s\nreceived %s", node, topic, start, listing(s.messages()))
		}
	}
}

// board are the options of a board at the cluster.
func board(c *nats.Cluster, site string) Options {
	o := options()
	o.Site, o.Username, o.Brokers = site, site, c.Brokers("tcp")
	return o
}

// seqs gives the numbers of a site's events in the order in which they came first.
func seqs(t testing.TB, all []got, topic string) (order []uint64, twice int) {
	seen := map[uint64]bool{}
	for _, m := range all {
		if m.topic != topic {
			continue
		}
		var e struct{ Seq uint64 }
		must(t, json.Unmarshal([]byte(m.payload), &e))
		if seen[e.Seq] {
			twice++
			continue
		}
		seen[e.Seq] = true
		order = append(order, e.Seq)
	}
	return order, twice
}

// surely delivers as a courier does: until it is acknowledged.
func surely(t testing.TB, c *Client, ev rules.Event) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 2*guardTime)
	defer cancel()
	for {
		err := c.Deliver(ctx, "l", ev)
		if err == nil {
			return
		}
		if ctx.Err() != nil {
			t.Fatalf("event %d: %v", ev.Seq, err)
		}
		pause(ctx, 10*time.Millisecond)
	}
}

// TestNATS: at three nodes of nats-server, with the shipped configuration.
func TestNATS(t *testing.T) {
	sites := []string{"demo-kitchen", "demo.kitchen_2", "other"}
	c := nats.Start(t, natsConfigs, sites, nil)
	c.Settle(func(at string) *paho.ClientOptions {
		return paho.NewClientOptions().AddBroker("tcp://" + at).SetUsername("dashboard")
	})
	t.Run("every name", func(t *testing.T) { everyName(t, c) })
	t.Run("rights", func(t *testing.T) { rights(t, c) })
	t.Run("conformance", func(t *testing.T) { conforms(t, c) })
	t.Run("two boards with one site", func(t *testing.T) {
		rivalsOf(t, dashboard(t, c, 2), func(string) Options { return board(c, "demo-kitchen") }, "one", "two")
	})
	t.Run("a node is killed", func(t *testing.T) { killed(t, c) })
}

// everyName: names with a dot, with blanks, of another script, with what is a wildcard here or there come through whole, at
// another node and to every kind of subscription.
func everyName(t *testing.T, c *nats.Cluster) {
	names := []string{"brisket", "a.b", ".a", "a.", "..", "two words", "\t", "*", ">", "a*b", "$x", "Brät & Käse €", "牛肉", "a/b", "+", "#", "100 %", "", "-",
		strings.Repeat("é", 200), "\u00a0", "\x7f", "\U0001f356"}
	st := publishtest.State(1)
	lot := st.Lots[0]
	st.Lots = nil
	for _, name := range names {
		lot.Lot = name
		st.Lots = append(st.Lots, lot)
	}
	o := board(c, "demo.kitchen_2")
	b, _ := run(t, o)
	all := dashboard(t, c, 1)
	levels := spyAs(t, natsUser(c, 2, "dashboard"), "holdbell/+/lot/+")
	b.Show(st)
	for _, name := range names {
		topic := b.topics.lot(name)
		for _, s := range []*spy{all, levels} {
			var r rules.LotReport
			must(t, json.Unmarshal([]byte(s.begins(topic, "{")), &r))
			if r.Lot != name {
				t.Errorf("under %s stands the lot %q, want %q", topic, r.Lot, name)
			}
		}
	}
	late := dashboard(t, c, 0)
	for _, name := range names {
		late.begins(b.topics.lot(name), "{")
	}
	st = publishtest.State(2)
	st.Lots = nil
	b.Show(st)
	for _, name := range names {
		all.has(b.topics.lot(name), "")
	}
	if m := b.Status(); !m.Connected || m.Trouble != "" {
		t.Errorf("the board's status is %+v", m)
	}
}

// rights: a board writes nothing but its own, and cannot make marks; a dashboard writes nothing.
func rights(t *testing.T, c *nats.Cluster) {
	s := dashboard(t, c, 0)
	for _, tc := range []struct {
		name, last string
		forbidden  []string
	}{
		{"other", "holdbell/other/event", []string{site + "status", site + "event", site + "alarm/warmer/below-hot-limit/-", "holdbell/other/command/mark", "holdbell/demo.kitchen_2/status", "elsewhere"}},
		{"demo.kitchen_2", "holdbell/demo.kitchen_2/event", []string{"holdbell/demo/kitchen_2/status", site + "status"}},
		{"handheld", site + "command/mark", []string{site + "status", site + "command/mark/answer"}},
	} {
		mc := rawClient(t, natsUser(c, 1, tc.name))
		for _, topic := range tc.forbidden {
			done(t, mc.Publish(topic, 1, true, "forbidden to "+tc.name))
		}
		done(t, mc.Publish(tc.last, 1, false, "the last of "+tc.name))
		s.has(tc.last, "the last of "+tc.name)
		for _, m := range s.messages() {
			if m.payload == "forbidden to "+tc.name {
				t.Errorf("%s could publish to %s", tc.name, m.topic)
			}
		}
	}
	mc := rawClient(t, natsUser(c, 1, "dashboard"))
	done(t, mc.Publish(site+"status", 1, true, "forbidden to the dashboard"))
	mc = rawClient(t, natsUser(c, 1, "other"))
	for _, filter := range []string{"#", site + "#", site + "command/mark", "holdbell/+/command/mark"} {
		tok := mc.Subscribe(filter, 1, func(paho.Client, paho.Message) {}).(*paho.SubscribeToken)
		tok.WaitTimeout(guardTime)
		if tok.Result()[filter] != refused {
			t.Errorf("a board may read %s", filter)
		}
	}
	if n := paho.NewClient(natsUser(c, 0, "nobody")).Connect(); !n.WaitTimeout(guardTime) || n.Error() == nil {
		t.Error("who is on no list was let in")
	}
	if p, _ := newest(dashboard(t, c, 2).messages(), site+"status"); p == "forbidden to the dashboard" {
		t.Error("a dashboard could publish")
	}
}

func conforms(t *testing.T, c *nats.Cluster) {
	publishtest.Run(t, func(t *testing.T) publishtest.Rig {
		p := newProxy(t, c.Addr(0))
		s := dashboard(t, c, 1)
		o := board(c, "demo-kitchen")
		o.ClientID = "conformance"
		b, stop := run(t, p.through(o))
		t.Cleanup(func() { p.mend(); stop() })
		return publishtest.Rig{Publisher: b, Break: func() { p.cut(true) }, Mend: p.mend, Received: func() (keys []publishtest.Key) {
			// A word of another connection comes behind what was acknowledged before.
			mc := rawClient(t, natsUser(c, 0, "demo-kitchen").SetClientID("marker"))
			word := time.Now().String()
			done(t, mc.Publish(site+"command/mark/answer", 1, false, word))
			s.has(site+"command/mark/answer", word)
			for _, m := range s.messages() {
				if m.topic == site+"event" && strings.HasPrefix(m.payload, "{") {
					var k publishtest.Key
					must(t, json.Unmarshal([]byte(m.payload), &k))
					keys = append(keys, k)
				}
			}
			return keys
		}}
	})
}

// killed: the node that a board is at ends without a farewell while events go out. Each arrives, in order; the board is
// online again at another node; its will and its retained state are right at the third, and at the first once that is back.
func killed(t *testing.T, c *nats.Cluster) {
	const n = 300
	o := board(c, "other")
	proxies := map[string]*proxy{}
	for i := range o.Brokers {
		p := newProxy(t, c.Addr(i))
		o.Brokers[i] = "tcp://" + p.l.Addr().String()
		proxies[p.l.Addr().String()] = p
	}
	var book logbook
	o.Log = book.logger()
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("the board's log:\n%s", book.String())
		}
	})
	b, err := New(o)
	must(t, err)
	b.pace = quick()
	b.pace.loss = 500 * time.Millisecond // long enough for a gap in which the board is nowhere
	b.brokers, err = parseBrokers(o.Brokers)
	must(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan struct{})
	go func() { defer close(ended); b.Run(ctx) }()
	t.Cleanup(func() { cancel(); <-ended })
	var shown atomic.Uint64
	shown.Store(1)
	go func() { // the sweeps
		tick := time.NewTicker(100 * time.Millisecond)
		defer tick.Stop()
		for ctx.Err() == nil {
			b.Show(shift(shown.Load()))
			<-tick.C
		}
	}()
	const other = "holdbell/other/"
	third := dashboard(t, c, 2)
	third.begins(other+"probe/warmer-core", "{")
	for i, ev := range publishtest.Events(n) {
		if i == n/3 {
			if at := proxies[b.Status().Broker]; at == nil || at.target != c.Addr(0) {
				t.Fatalf("the board is at %+v, want the first node", at)
			}
			c.Kill(0)
			shown.Store(2)
		}
		surely(t, b, ev)
	}
	all := third.until("the last event", func(all []got) bool { order, _ := seqs(t, all, other+"event"); return len(order) == n })
	order, twice := seqs(t, all, other+"event")
	// What a reader has not acknowledged when the node dies that leads its queue is sent once more after ack_wait, behind
	// what came meanwhile. The numbers are dense, so a reader sees the gap, and it closes.
	late := 0
	for i := range order {
		if i > 0 && order[i] < order[i-1] {
			late++
		}
	}
	t.Logf("%d events, %d of them twice, %d late", len(order), twice, late)
	if late > len(order)/10 {
		t.Errorf("the events came as %v", order)
	}
	if at := proxies[b.Status().Broker]; at == nil || at.target == c.Addr(0) {
		t.Errorf("the board is at %+v after its node was killed", at)
	}
	third.has(other+"status", "online")
	third.begins(other+"probe/warmer-core", `{"at":"2026-03-01T11:00:02Z"`)
	newcomer := dashboard(t, c, 2)
	newcomer.has(other+"status", "online")
	newcomer.begins(other+"probe/warmer-core", `{"at":"2026-03-01T11:00:02Z"`)
	newcomer.begins(other+"alarm/warmer/below-hot-limit/brisket", "{")
	// The board's power goes: the node that it is at now says so for it.
	proxies[b.Status().Broker].cut(false)
	third.has(other+"status", "offline")
	third.has(other+"status", "online")
	c.Restart(0)
	back := returned(t, c, 0, other+"probe/warmer-core", `{"at":"2026-03-01T11:00:02Z"`)
	back.has(other+"status", "online")
	cancel()
	<-ended
	back.has(other+"status", "offline")
	dashboard(t, c, 1).has(other+"status", "offline")
}
