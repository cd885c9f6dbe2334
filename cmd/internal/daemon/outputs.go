package daemon

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"holdbell/configs"
	"holdbell/publish"
	"holdbell/publish/heartbeat"
	"holdbell/publish/metrics"
	"holdbell/publish/mqtt"
	"holdbell/publish/page"
	"holdbell/publish/panel"
	"holdbell/publish/phone"
	"holdbell/publish/remotewrite"
	"holdbell/rules"
	"holdbell/sensor"
	"holdbell/sensor/topic"
)

// outputs are the publishers of one configuration, and the ports they are reached at.
type outputs struct {
	d       *Daemon
	log     *slog.Logger
	cfg     *configs.Config
	config  publish.Config
	topics  *topic.Hub // probes that others publish; nil without any
	page    *page.Page
	handler http.Handler
	door    *door
	client  *mqtt.Client // of another machine's broker; nil without one
	phones  []*phone.Phone
	beat    *heartbeat.Heartbeat // to the outside monitor; nil without one
	panel   *panel.Panel         // at the cabinet; nil without one
	remote  *remotewrite.Writer  // to a receiver of metrics; nil without one
	shown   atomic.Pointer[[]publish.Publisher]
	guards  atomic.Pointer[[]*guard]

	mu       sync.Mutex // held while a publisher is added
	couriers []*publish.Courier
	embedded atomic.Pointer[mqtt.Client]
}

// newOutputs makes the publishers of cfg and starts none. Nothing in it waits for a disk or a network.
func (d *Daemon) newOutputs(cfg *configs.Config, feed *Feed) (*outputs, error) {
	o := &outputs{d: d, log: d.log, cfg: cfg, topics: feed.Topics, config: publish.Config{Hash: cfg.Hash, Base: cfg.Base, Since: d.desk.now()}}
	if old := d.outputs.Load(); old != nil && old.config.Hash == cfg.Hash && old.config.Base == cfg.Base {
		o.config.Since = old.config.Since
	}
	o.shown.Store(new([]publish.Publisher))
	o.guards.Store(new([]*guard))
	var err error
	if !d.o.NoPage {
		if err = o.newPage(cfg); err != nil {
			return nil, err
		}
	}
	if m := cfg.MQTT; m != nil && !m.Inside() {
		if o.client, err = mqtt.New(o.mqttOptions(m.Brokers)); err != nil {
			return nil, err
		}
	}
	for _, p := range cfg.Phones {
		var quiet func(sensor.Instant) bool
		if p.Quiet != nil {
			quiet = func(at sensor.Instant) bool { return at.Believed && p.Quiet.On(at) }
		}
		target, err := phone.New(phone.Options{
			After: p.After, Quiet: quiet, Page: cfg.HTTP.Address, Answer: o.replyAddress,
			// The file's path stays when targets are added or change places.
			Name: "phone:" + p.URLFile, URLFile: p.URLFile, From: p.From, Site: cfg.Site, Now: d.desk.now, Log: d.log,
		})
		if err != nil {
			return nil, err
		}
		o.phones = append(o.phones, target)
	}
	if h := cfg.Heartbeat; h != nil {
		o.beat, err = heartbeat.New(heartbeat.Options{URLFile: h.URLFile, Every: h.Every, Fail: h.Fail, Well: d.well, Now: d.desk.now, Log: d.log})
		if err != nil {
			return nil, err
		}
	}
	if o.remote, err = d.newRemote(cfg); err != nil {
		return nil, err
	}
	if o.panel, err = d.newPanel(cfg, feed.Buses); err != nil {
		return nil, err
	}
	return o, nil
}

// newPage makes the page, and what its port answers.
func (o *outputs) newPage(cfg *configs.Config) (err error) {
	d := o.d
	o.door = newDoor(cfg.HTTP, d.log)
	o.page, err = page.New(page.Options{
		Now: d.desk.now, Period: cfg.Period, Mark: d.Mark, ReplyKey: d.replyKey, Events: d.record.recent(), Past: d.past, Readings: d.readings(cfg),
		Papers:   &papers{d, cfg, time.Local},
		HotLimit: &cfg.Code.HotLimit, ColdLimit: &cfg.Code.ColdLimit,
		Config: o.config, Board: func() []page.BoardFact { return d.boardFacts(o) }, Log: d.log, Visitor: o.door.visitor, SignIn: o.door.signInIf(),
	})
	if err != nil {
		return err
	}
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", d.metrics.Handler())
	mux.Handle("/", o.page.Handler())
	o.handler = mux
	return nil
}

// replyAddress is the address of the button that acknowledges an alarm from its message; empty when the page
// has no address for phones.
func (o *outputs) replyAddress(ledger string, seq uint64) string {
	if o.cfg.HTTP.Address == "" {
		return ""
	}
	return o.cfg.HTTP.Address + page.ReplyPath(o.d.replyKey, ledger, seq)
}

func (o *outputs) mqttOptions(brokers []string) mqtt.Options {
	m := o.cfg.MQTT
	opts := mqtt.Options{
		Brokers: brokers, Prefix: m.Prefix, Site: o.cfg.Site, ClientID: m.ClientID,
		Username: m.Username, PasswordFile: m.PasswordFile, CAFile: m.CAFile, CertFile: m.CertFile, KeyFile: m.KeyFile,
		Commands: m.Commands, Mark: o.d.Mark, Log: o.log, Now: o.d.desk.now,
		Discovery: m.Discovery, Period: o.cfg.Period, Version: o.d.o.Version, Head: o.d.record.head, Config: o.config,
	}
	if o.topics != nil {
		opts.Feeds, opts.Feed = o.topics.Topics(), o.topics.Deliver
	}
	return opts
}

// start sets everything to work. What it returns stops it again, and returns once cursors are saved and
// ports are free, or after lastWords.
func (o *outputs) start(ctx context.Context) (stop func()) {
	ctx, cancel := context.WithCancel(ctx)
	var wg sync.WaitGroup
	if o.page != nil {
		o.serve(ctx, &wg)
	}
	o.add(ctx, &wg, o.d.metrics, &o.d.memory)
	for _, p := range o.d.o.Publishers {
		o.add(ctx, &wg, p, &o.d.memory)
	}
	for _, p := range o.phones {
		o.addGuarded(ctx, &wg, p)
	}
	if o.beat != nil {
		wg.Go(func() { o.beat.Run(ctx) })
	}
	if o.remote != nil {
		wg.Go(func() { o.remote.Run(ctx) })
	}
	if o.panel != nil {
		o.add(ctx, &wg, o.panel, &o.d.memory)
		wg.Go(func() { o.panel.Run(ctx) })
	}
	switch {
	case o.client != nil:
		o.runClient(ctx, &wg, o.client)
	case o.cfg.MQTT != nil:
		wg.Go(func() { o.embed(ctx, &wg) })
	}
	return func() {
		cancel()
		done := make(chan struct{})
		go func() {
			wg.Wait()
			close(done)
		}()
		select {
		case <-done:
		case <-time.After(lastWords):
			o.log.Warn("a publisher does not stop; it is left to itself")
		}
	}
}

// serve sets the page to work, on its port and on the control socket.
func (o *outputs) serve(ctx context.Context, wg *sync.WaitGroup) {
	o.add(ctx, wg, o.page, &o.d.memory)
	server := &httpServer{
		listen:    func() (net.Listener, error) { return net.Listen("tcp", o.cfg.HTTP.Listen) },
		handler:   o.handler,
		webConfig: o.cfg.HTTP.WebConfig,
		door:      o.door,
		ready:     func(at net.Addr) { o.listening("page", at) },
	}
	wg.Go(func() { server.run(ctx, o.log) })
	if o.d.o.Socket != "" {
		wg.Go(func() { o.control(ctx) })
	}
}

// add gives p a courier, and the state after each sweep.
func (o *outputs) add(ctx context.Context, wg *sync.WaitGroup, p publish.Publisher, cursors publish.Cursors) {
	c := publish.NewCourier(p, o.d.record.tail, cursors, publish.CourierOptions{Log: o.log})
	o.mu.Lock()
	shown := append(append([]publish.Publisher(nil), *o.shown.Load()...), p)
	o.couriers = append(o.couriers, c)
	o.shown.Store(&shown)
	o.mu.Unlock()
	wg.Go(func() { c.Run(ctx) })
	if st := o.d.state.Load(); st != nil {
		p.Show(st)
	}
}

// addGuarded is add for who carries alarms out of the house: where it left off is recorded, and the
// watchdog looks at its deliveries.
func (o *outputs) addGuarded(ctx context.Context, wg *sync.WaitGroup, p publish.Publisher) {
	g := newGuard(p)
	o.mu.Lock()
	guards := append(append([]*guard(nil), *o.guards.Load()...), g)
	o.guards.Store(&guards)
	o.mu.Unlock()
	o.add(ctx, wg, g, o.d.record.ledger)
}

// runClient sets a broker's client to work.
func (o *outputs) runClient(ctx context.Context, wg *sync.WaitGroup, client *mqtt.Client) {
	o.addGuarded(ctx, wg, client)
	wg.Go(func() { client.Run(ctx) })
}

// embed runs the broker inside the daemon. A port that is taken is tried again; the watch goes on.
func (o *outputs) embed(ctx context.Context, wg *sync.WaitGroup) {
	m := o.cfg.MQTT
	opts := mqtt.BrokerOptions{Listen: m.Listen, Prefix: m.Prefix, Site: o.cfg.Site, Commands: m.Commands, Log: o.log}
	if o.topics != nil {
		opts.Feeds = o.topics.Topics()
	}
	if m.Discovery != "" {
		opts.Feeds = append(opts.Feeds, mqtt.BirthTopic(m.Discovery))
	}
	for _, u := range m.Users {
		opts.Users = append(opts.Users, mqtt.User{Name: u.Name, PasswordFile: u.PasswordFile, Command: m.Commands})
	}
	var broker *mqtt.Broker
	retry(ctx, o.log, "the MQTT broker's port", func() (err error) {
		broker, err = mqtt.StartBroker(opts)
		return err
	})
	if broker == nil {
		return
	}
	defer broker.Close()
	client, err := mqtt.New(broker.Own(o.mqttOptions(nil)))
	if err != nil {
		o.log.Error("the client of the broker inside the daemon cannot be made; nothing goes out by MQTT", "err", err)
		return
	}
	o.embedded.Store(client)
	o.listening("mqtt", broker.Addr())
	// The broker outlives its client, which says goodbye to it.
	var own sync.WaitGroup
	o.runClient(ctx, &own, client)
	own.Wait()
}

// control serves the control socket. Without it marks come by the page and the broker alone.
func (o *outputs) control(ctx context.Context) {
	var l net.Listener
	retry(ctx, o.log, "the control socket", func() (err error) {
		l, err = page.ListenControl(o.d.o.Socket)
		return err
	})
	if l == nil {
		return
	}
	if err := page.Serve(ctx, o.page.Handler(), o.log, l); err != nil {
		o.log.Error("the control socket has stopped", "err", err)
	}
}

func (o *outputs) listening(what string, at net.Addr) {
	o.log.Info("listening", "what", what, "at", at.String())
	if o.d.o.Listening != nil {
		o.d.o.Listening(what, at)
	}
}

// show hands the state to every publisher that is at work.
func (o *outputs) show(st *rules.State) {
	for _, p := range *o.shown.Load() {
		p.Show(st)
	}
}

// stuck reports whether a courier of alarms hangs.
func (o *outputs) stuck() bool {
	for _, g := range *o.guards.Load() {
		if g.stuck() {
			return true
		}
	}
	return false
}

// facts are what the page shows about the ways out.
func (o *outputs) facts() []page.BoardFact {
	client := o.client
	if client == nil {
		client = o.embedded.Load()
	}
	facts := append(o.phoneFacts(), o.panelFact()...)
	if o.beat != nil {
		fact := page.BoardFact{Name: "Heartbeat", Value: "heard by the outside monitor"}
		if why := o.beat.Trouble(); why != "" {
			fact = page.BoardFact{Name: "Heartbeat", Value: why, Trouble: true}
		} else if o.beat.LastSuccess().IsZero() {
			fact.Value = "not sent yet"
		}
		facts = append(facts, fact)
	}
	if o.remote != nil {
		f := o.remote.Figures()
		text, trouble := f.Words()
		facts = append(facts, page.BoardFact{Name: "Remote write", Value: text, Trouble: trouble})
	}
	switch {
	case o.cfg.MQTT == nil:
		return facts
	case client == nil:
		return append(facts, page.BoardFact{Name: "MQTT", Value: "the broker's port is taken", Trouble: true})
	}
	fact := page.BoardFact{Name: "MQTT"}
	st := client.Status()
	fact.Trouble = !st.Connected || st.Trouble != ""
	switch {
	case st.Connected && st.Trouble == "":
		fact.Value = "connected"
	case st.Connected:
		fact.Value = st.Text
	case st.Trouble == "":
		fact.Value = "not connected yet"
	default:
		fact.Value = "not connected: " + st.Text
	}
	return append(facts, fact)
}

// mqtt tells the metrics how the broker's client stands; nil without one.
func (o *outputs) mqtt() *metrics.MQTT {
	client := o.client
	if client == nil {
		client = o.embedded.Load()
	}
	if client == nil {
		return nil
	}
	st := client.Status()
	m := &metrics.MQTT{Connected: st.Connected, BoardEnds: st.BoardEnds, BrokerEnds: st.BrokerEnds, Troubles: map[string]bool{}}
	for _, t := range mqtt.Troubles() {
		m.Troubles[string(t)] = t == st.Trouble
	}
	return m
}

// phoneFacts tell of the phones that cannot be reached now.
func (o *outputs) phoneFacts() (facts []page.BoardFact) {
	o.mu.Lock()
	defer o.mu.Unlock()
	for _, c := range o.couriers {
		if err := c.LastError(); err != nil && slices.ContainsFunc(o.phones, func(p *phone.Phone) bool { return p.Name() == c.Name() }) {
			facts = append(facts, page.BoardFact{Name: "Phone", Value: fmt.Sprintf("%d events wait for %s: %v", c.Pending(), c.Name(), err), Trouble: true})
		}
	}
	return facts
}

// heartbeat is when the outside monitor last took a beat; zero never.
func (o *outputs) heartbeat() sensor.Instant {
	if o.beat == nil {
		return sensor.Instant{}
	}
	return o.beat.LastSuccess().Rebase(o.d.desk.now())
}

// pending counts what waits for delivery, by publisher.
func (o *outputs) pending() map[string]uint64 {
	o.mu.Lock()
	defer o.mu.Unlock()
	waiting := make(map[string]uint64, len(o.couriers))
	for _, c := range o.couriers {
		waiting[c.Name()] = c.Pending()
	}
	return waiting
}

// memoryCursors keeps how far the publishers are that live no longer than the daemon.
type memoryCursors struct {
	id func() string
	mu sync.Mutex
	at map[string]uint64
}

// ID implements publish.Cursors.
func (m *memoryCursors) ID() string { return m.id() }

// Cursor implements publish.Cursors.
func (m *memoryCursors) Cursor(_ context.Context, name string) (uint64, bool, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	seq, found := m.at[name]
	return seq, found, nil
}

// SetCursor implements publish.Cursors.
func (m *memoryCursors) SetCursor(_ context.Context, name string, seq uint64) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.at[name] = seq
	return nil
}
