package mqtt

import (
	"context"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// rivals are two boards with one site, and whether each tells it.
func rivals(t *testing.T, h *host, ids ...string) {
	rivalsOf(t, newSpy(t, h.addr), func(string) Options { return h.own(options()) }, ids...)
}

func rivalsOf(t *testing.T, s *spy, of func(id string) Options, ids ...string) {
	var books [2]logbook
	var boards [2]*Client
	for i := range boards {
		o := of(ids[i])
		o.ClientID, o.Log = ids[i], books[i].logger()
		boards[i], _ = run(t, o)
		boards[i].Show(shift(1))
		if _, err := boards[i].connected(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	for i, c := range boards {
		s.until("the board "+ids[i]+" tells that it is not alone", func([]got) bool { return c.Status().Trouble == AnotherBoard })
		if st := c.Status(); !strings.Contains(st.Text, "give each a site: of its own") {
			t.Errorf("board %d says %+v", i, st)
		}
		if n := strings.Count(books[i].String(), "another board"); n != 1 {
			t.Errorf("board %d logged %d errors, want one:\n%s", i, n, books[i].String())
		}
	}
}

// TestTwoBoardsWithOneSite: with ids of their own at the broker both stay connected and clear each other's topics; with
// the same id, as of a copied card, they throw each other out.
func TestTwoBoardsWithOneSite(t *testing.T) {
	h := mosquitto(t, "allow_anonymous true\n")
	t.Run("two ids", func(t *testing.T) { rivals(t, h, "one", "two") })
	t.Run("one id", func(t *testing.T) { rivals(t, h, "same", "same") })
}

// TestOneBoardIsNoRival: of itself after a start, after a loss, and at a broker with an older state.
func TestOneBoardIsNoRival(t *testing.T) {
	h := mosquitto(t, "allow_anonymous true\n")
	p := newProxy(t, h.addr)
	s := newSpy(t, h.addr)
	start := func() (*Client, func()) {
		c, stop := run(t, p.through(h.own(options())))
		c.Show(shift(1))
		s.begins(site+"status/board", `{"run":"`+c.self.Run)
		return c, stop
	}
	_, stop := start()
	stop()
	c, _ := start()
	for range 3 {
		p.cut(false)
		s.has(site+"status", "offline")
		s.has(site+"status", "online")
	}
	h.stop()
	h.start()
	other := newSpy(t, h.addr)
	other.has(site+"status", "online")
	other.begins(site+"status/board", `{"run":"`+c.self.Run)
	if st := c.Status(); st.Trouble == AnotherBoard {
		t.Errorf("it takes itself for another: %+v", st)
	}
}

// TestARivalLeaves: it is told of for three minutes after it was noticed last. A word of it that the broker kept is not
// enough the first time.
func TestARivalLeaves(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := options()
		o.Brokers = []string{"tcp://broker.example:1883"}
		c, err := New(o)
		must(t, err)
		word := []byte(`{"run":"another","host":"pi-2"}`)
		says := func(when string, want Trouble) {
			t.Helper()
			if st := c.Status(); st.Trouble != want || strings.Contains(st.Text, "(pi-2)") != (want != "") {
				t.Errorf("%s: %+v", when, st)
			}
		}
		c.hear(word, true)
		c.hear(word, false)
		says("before it has said who it is", "")
		c.rival.introduced = time.Now()
		c.hear([]byte(`{"run":"`+c.self.Run+`"}`), false)
		c.hear([]byte(`nonsense`), false)
		c.hear([]byte(`{"run":"another","host":"`+strings.Repeat("x", maxBoard)+`"}`), false)
		c.hear(word, true)
		says("once kept", "")
		time.Sleep(time.Minute)
		c.hear(word, true)
		says("twice kept", AnotherBoard)
		time.Sleep(rivalStays)
		says("when it is gone", "")
		c.hear(word, true)
		says("kept, long after", "")
		c.hear(word, false)
		says("live", AnotherBoard)
	})
}

// TestALateWill: who says offline of a board that is there is contradicted at once, and without being heard in time at the
// latest by the next word.
func TestALateWill(t *testing.T) {
	h := mosquitto(t, "allow_anonymous true\n")
	s := newSpy(t, h.addr)
	late := rawClient(t, paho.NewClientOptions().AddBroker("tcp://"+h.addr))
	for name, online := range map[string]time.Duration{"heard": time.Hour, "the next word": 50 * time.Millisecond} {
		c, err := New(h.own(options()))
		must(t, err)
		c.pace = quick()
		c.pace.online = online
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan struct{})
		go func() { defer close(ended); c.Run(ctx) }()
		l, err := c.connected(t.Context())
		must(t, err)
		s.has(site+"status", "online")
		if name != "heard" {
			done(t, l.mc.Unsubscribe(site+"status"))
		}
		before := len(s.messages())
		done(t, late.Publish(site+"status", 1, true, "offline"))
		for until := time.Now().Add(guardTime); ; pause(t.Context(), time.Millisecond) {
			c.Show(shift(1)) // a sweep
			all := s.messages()
			said := slices.ContainsFunc(all[before:], func(m got) bool { return m.topic == site+"status" && m.payload == "offline" })
			if p, _ := newest(all, site+"status"); said && p == "online" {
				break
			}
			if time.Now().After(until) {
				t.Fatalf("%s: it never says that it is there", name)
			}
		}
		cancel()
		<-ended
		s.has(site+"status", "offline")
	}
}
