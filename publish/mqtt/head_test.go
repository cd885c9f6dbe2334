package mqtt

import (
	"testing"
	"time"
)

// headItem is the item of the head's topic, nil without one.
func headItem(c *Client, seq uint64) *item {
	for _, it := range c.items(shift(seq)) {
		if it.topic == site+"head" {
			return &it
		}
	}
	return nil
}

// TestTheHeadsMessage: the newest link with the time at which it was first seen. No change of it is urgent: the
// refresh lets one a minute out.
func TestTheHeadsMessage(t *testing.T) {
	var head Head
	o := options()
	o.Brokers, o.Head = []string{"tcp://127.0.0.1:1883"}, func() Head { return head }
	c, err := New(o)
	must(t, err)
	if it := headItem(c, 1); it != nil {
		t.Errorf("a record that was never open has the head %s", it.payload)
	}
	head = Head{Ledger: "0123", Links: 7, Hash: "ab12"}
	first := headItem(c, 2)
	again := headItem(c, 62)
	const want = `{"ledger":"0123","links":7,"hash":"ab12","at":"2026-03-01T11:00:02Z"}`
	if string(first.payload) != want || string(again.payload) != want {
		t.Errorf("got  %s\nthen %s\nwant %s", first.payload, again.payload, want)
	}
	head = Head{Ledger: "0123", Links: 8, Hash: "cd34"}
	later := headItem(c, 63)
	if got, want := string(later.payload), `{"ledger":"0123","links":8,"hash":"cd34","at":"2026-03-01T11:01:03Z"}`; got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	if later.key != first.key || later.refresh != time.Minute {
		t.Errorf("a new head has the key %q after %q and is published after %v", later.key, first.key, later.refresh)
	}
}

// TestTheHeadIsKept: it is retained, also while a later run has no record to speak of.
func TestTheHeadIsKept(t *testing.T) {
	brokers(t, func(t *testing.T, h *host) {
		o := h.own(options())
		o.Head = func() Head { return Head{Ledger: "0123", Links: 7, Hash: "ab12"} }
		c, stop := run(t, o)
		c.Show(shift(3))
		const want = `{"ledger":"0123","links":7,"hash":"ab12","at":"2026-03-01T11:00:03Z"}`
		newSpy(t, h.addr).has(site+"head", want)
		stop()
		live := newSpy(t, h.addr)
		o = h.own(options())
		o.Head = func() Head { return Head{} }
		c, stop = run(t, o)
		st := shift(4)
		st.Lots = nil
		c.Show(st)
		live.has(lotTopic, "") // what the first run left is cleared, so the second has looked
		live.has(site+"head", want)
		newSpy(t, h.addr).has(site+"head", want)
		stop()
	})
}
