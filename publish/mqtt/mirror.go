package mqtt

import (
	"context"
	"encoding/json"
	"maps"
	"slices"
	"time"

	"holdbell/rules"
)

const (
	// probeRefresh makes an unchanged probe speak at least every 60 s at any sweep period up to that.
	probeRefresh = 30 * time.Second
	// lotRefresh is how often a lot's running figures are published; what it says is published at once.
	lotRefresh = 5 * time.Second
	// headRefresh is how often the record's head is published at the most, and the age of a configuration.
	headRefresh = time.Minute
	// batchSize is how many retained messages are on their way together.
	batchSize = 32
	// maxFound bounds what is remembered of an earlier run's topics.
	maxFound = 4096
)

// item is one retained topic as the state wants it. A change of key is published at once, any other
// change of the payload after refresh.
type item struct {
	topic   string
	key     string
	payload []byte
	refresh time.Duration
}

// shown is what the broker was last told of a topic.
type shown struct {
	key     string
	payload string
	at      time.Time
}

// mirror keeps the broker's retained messages equal to the newest state until the connection is lost or
// ctx ends. It begins with nothing shown, so each connection gets everything.
func (c *Client) mirror(ctx context.Context, l *link) error {
	board := map[string]shown{}
	looked := l.looked
	settled := time.NewTimer(c.pace.settle)
	defer settled.Stop()
	for {
		if err := c.speak(ctx, l); err != nil {
			return err
		}
		if err := c.round(ctx, l, board); err != nil {
			return err
		}
		select {
		case <-c.wake:
		case <-looked:
			looked = nil
			// Nothing waits for the answer: a broker that gives none goes on sending what is ignored.
			go l.mc.Unsubscribe(slices.Collect(maps.Keys(c.look()))...)
		case <-settled.C:
			if len(c.brokers) > 1 {
				if err := c.again(ctx, l); err != nil {
					return err
				}
				clear(board)
			}
		case <-l.lost:
			return errLost
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// again asks and looks once more, and all is published anew after it. A cluster that is without a leader refuses
// subscriptions, and what a lost connection left on its way can be kept there after what came over the next one.
func (c *Client) again(ctx context.Context, l *link) error {
	ctx, cancel := context.WithTimeout(ctx, c.pace.ack)
	defer cancel()
	if err := c.ask(ctx, l); err != nil {
		return err
	}
	if err := l.subscribe(ctx, c.look(), c.find(l)); err != nil && (!l.stands() || ctx.Err() != nil) {
		return err
	}
	return nil
}

// look is what is subscribed to for a moment at the start of each connection.
func (c *Client) look() map[string]byte {
	look := c.topics.look()
	if c.home.topic != "" {
		look[c.home.topic] = 0
	}
	return look
}

// round publishes what differs between the newest state and the board.
func (c *Client) round(ctx context.Context, l *link, board map[string]shown) error {
	st := c.state()
	if st == nil {
		return nil
	}
	for topic := range l.taken() {
		if _, ours := board[topic]; !ours {
			board[topic] = shown{}
		}
	}
	now := time.Now()
	items := c.items(st)
	wanted := make(map[string]struct{}, len(items))
	var due []item
	for _, it := range items {
		wanted[it.topic] = struct{}{}
		was, known := board[it.topic]
		if !known || it.key != was.key || it.refresh > 0 && now.Sub(was.at) >= it.refresh && string(it.payload) != was.payload {
			due = append(due, it)
		}
	}
	for topic := range board {
		if _, ok := wanted[topic]; !ok {
			due = append(due, item{topic: topic})
		}
	}
	for batch := range slices.Chunk(due, batchSize) {
		if err := c.send(ctx, l, batch); err != nil {
			return err
		}
		for _, it := range batch {
			if it.payload == nil {
				delete(board, it.topic)
			} else {
				board[it.topic] = shown{it.key, string(it.payload), now}
			}
		}
	}
	return c.announce(ctx, l, st)
}

// send publishes a batch and waits until the broker has all of it. A broker that does not acknowledge in
// time is given up.
func (c *Client) send(ctx context.Context, l *link, batch []item) error {
	ctx, cancel := context.WithTimeout(ctx, c.pace.ack)
	defer cancel()
	flying := make([]message, len(batch))
	for i, it := range batch {
		flying[i] = message{topic: it.topic, payload: it.payload, retained: true}
		if err := l.hand(ctx, &flying[i]); err != nil {
			return err
		}
	}
	for i := range flying {
		if err := l.await(ctx, &flying[i]); err != nil {
			return err
		}
	}
	return nil
}

// items gives every retained topic of a state: alarms first, for they are urgent.
func (c *Client) items(st *rules.State) []item {
	now := c.o.Now()
	items := make([]item, 0, len(st.Alarms)+len(st.Lots)+len(st.Probes))
	add := func(topic string, key, payload any, refresh time.Duration) {
		k, err := json.Marshal(key)
		if err == nil {
			var p []byte
			if p, err = json.Marshal(payload); err == nil {
				items = append(items, item{topic, string(k), p, refresh})
				return
			}
		}
		c.o.Log.Error("a state cannot be written as JSON; its topic is cleared", "topic", topic, "err", err)
	}
	alarms := map[string]*rules.AlarmState{}
	for i := range st.Alarms {
		a := &st.Alarms[i]
		topic := c.topics.alarm(a.Station, string(a.Alarm), a.Lot, a.Probe)
		if other := alarms[topic]; other == nil || pressing(a, other) {
			alarms[topic] = a
		}
	}
	for _, topic := range slices.Sorted(maps.Keys(alarms)) {
		m := newAlarmMessage(alarms[topic], now)
		key := m
		key.Age = nil
		add(topic, key, m, 0)
	}
	lots := map[string]bool{}
	for i := range st.Lots {
		// Open lots come first: an ended one of the same name gives way.
		topic := c.topics.lot(st.Lots[i].Lot)
		if lots[topic] {
			continue
		}
		lots[topic] = true
		r := st.Lots[i].Report(false)
		add(topic, said(r), r, lotRefresh)
	}
	for i, m := range stationMessages(st, now) {
		key := m
		// What runs with every sweep, and a sentence with figures in it, wait for the refresh.
		key.At, key.Age, key.AirCelsius, key.LimitAhead, key.Deadline, key.Text = nil, nil, nil, nil, nil, ""
		add(c.topics.station(st.Stations[i].Name), key, m, lotRefresh)
	}
	at := when(st.At, now)
	for i := range st.Probes {
		p := &st.Probes[i]
		add(c.topics.probe(p.Name), p.Reading, newProbeMessage(p.Reading, at, st.Sweeps), probeRefresh)
	}
	if c.o.Config.Hash != "" {
		m := newConfigMessage(c.o.Config, c.o.Version, now)
		key := m
		key.Age = nil
		add(c.topics.config(), key, m, headRefresh)
	}
	if c.o.Head != nil {
		if h := c.o.Head(); h.Ledger != "" {
			add(c.topics.head(), nil, c.seen(h, at), headRefresh)
		}
	}
	return items
}

// seen gives the message of a head: its time is when the link was first seen to be the newest.
func (c *Client) seen(h Head, at moment) headMessage {
	if c.head.Head != h {
		c.head = headMessage{Head: h, At: at.at, Age: at.age}
	}
	return c.head
}

// said is what a lot's report says, without the figures that run with every sweep.
func said(r rules.LotReport) rules.LotReport {
	r.Celsius, r.Probe = nil, ""
	r.DangerZone, r.Charged, r.BelowHotLimit, r.ComeUp, r.Unknown = 0, 0, 0, 0, 0
	r.Deadline, r.Action, r.Text = rules.Stamp{}, "", ""
	r.Lethality, r.Growth = nil, nil
	return r
}

// pressing reports whether a is to be shown where b has the same topic: two probes of one lot can fail
// together. The one that stands comes first, then the unacknowledged, the more serious, the newer.
func pressing(a, b *rules.AlarmState) bool {
	rank := func(s *rules.AlarmState) [3]int {
		var r [3]int
		if s.Active {
			r[0] = 1
		}
		if s.Status == rules.Unacknowledged {
			r[1] = 1
		}
		r[2] = slices.Index([]rules.Priority{rules.Advice, rules.Warning, rules.Critical}, s.Priority)
		return r
	}
	ra, rb := rank(a), rank(b)
	if d := slices.Compare(ra[:], rb[:]); d != 0 {
		return d > 0
	}
	return a.Seq > b.Seq
}
