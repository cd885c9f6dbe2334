package daemon

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"slices"
	"sync/atomic"
	"time"

	"holdbell/configs"
	"holdbell/publish"
	"holdbell/publish/ledger"
	"holdbell/publish/metrics"
	"holdbell/publish/page"
	"holdbell/publish/remotewrite"
	"holdbell/rules"
	"holdbell/sensor"
	"holdbell/sensor/sysfs"
	"holdbell/sensor/topic"
)

// Feed is where the sweeps come from, and the clock that goes with them.
type Feed struct {
	Source sensor.Source
	Now    func() sensor.Instant
	// Script gives the marks of a story up to an instant, each once, in order; nil without a story.
	Script func(until sensor.Instant) []rules.Mark
	// Topics are probes that others publish; nil without any.
	Topics *topic.Hub
	// Buses are the probes', which the panel's display shares; nil without any.
	Buses sensor.Buses
	// Close lets the buses go; nil when there is nothing to let go.
	Close func() error
}

// Options are what a Daemon needs beside its configuration.
type Options struct {
	// Open makes the feed of a configuration: at the start, and for each new configuration. newest is the
	// last recorded instant, zero in a new record. It must touch no bus: the feed before is still at work.
	Open func(cfg *configs.Config, newest sensor.Instant) (*Feed, error)
	// Ledger is the record's path instead of the configuration's; empty for that.
	Ledger string
	// Fleeting is a record that is thrown away when the daemon ends: it waits for no disk. Never of a kitchen with food.
	Fleeting bool
	// Supply says how the board's own supply is, from files of the kernel; nil where nobody can.
	Supply func() sysfs.Supply
	// Mains says how the mains power is, by a supply of the kernel's or, with an empty name, by all; nil where
	// nobody can.
	Mains func(name string) sysfs.Mains
	// Socket is the path of the control socket; empty for none.
	Socket string
	// NoPage leaves page, its port and the control socket out: for the many boards of a fleet in one process.
	NoPage bool
	// Version and Commit are published as the build's.
	Version, Commit string
	// Publishers are told beside the configured ones. Where they left off is not recorded.
	Publishers []publish.Publisher
	// Listening hears where the daemon can be reached: what is "page" or "mqtt". May be nil.
	Listening func(what string, at net.Addr)
	Log       *slog.Logger // nil: slog.Default()
}

// Daemon is the watch.
type Daemon struct {
	o       Options
	log     *slog.Logger
	reloads chan *configs.Config

	cfg    *configs.Config
	record *record
	feed   *Feed
	loop   *loop
	desk   *desk
	notify *notifier
	state  atomic.Pointer[rules.State]
	period atomic.Int64 // of the sweeps, in nanoseconds
	// replyKey makes the buttons of messages good until the daemon stops; a start makes it anew.
	replyKey []byte
	mains    atomic.Pointer[string] // the supply by which the mains is known; empty for all
	memory   memoryCursors          // of the publishers whose place is not recorded
	recent   remotewrite.Recent     // the newest sweeps, for remote write

	made time.Time
	// progressed is when loop and alarms last made progress, in nanoseconds since made; 0 never.
	progressed atomic.Int64

	metrics *metrics.Metrics
	outputs atomic.Pointer[outputs] // the newest
	turns   chan *outputs           // to whoever starts and stops them
	ready   bool
	status  string
}

// New opens what a configuration names: record, rules and probes. Its errors are the configuration's or
// the command line's: trying again changes nothing. What may yet come right (a folder that cannot be
// written, a port, a broker, a chip) is no error; Run says it, and goes on without.
func New(cfg *configs.Config, o Options) (*Daemon, error) {
	if o.Log == nil {
		o.Log = slog.Default()
	}
	if o.Ledger == "" {
		o.Ledger = cfg.Ledger
	}
	d := &Daemon{o: o, log: o.Log, reloads: make(chan *configs.Config, 1), cfg: cfg, made: time.Now(), turns: make(chan *outputs, 1), replyKey: []byte(rand.Text())}
	setup, err := cfg.Setup()
	if err != nil {
		return nil, err
	}
	if d.record, err = openRecord(o.Ledger, o.Fleeting, keep(cfg), setup, names(cfg), d.log); err != nil {
		return nil, err
	}
	if d.feed, err = o.Open(cfg, d.record.newest); err != nil {
		return nil, errors.Join(err, d.record.ledger.Close())
	}
	d.period.Store(int64(cfg.Period))
	d.mains.Store(&cfg.Mains)
	d.memory = memoryCursors{id: func() string { return d.record.ledger.ID() }, at: map[string]uint64{}}
	d.metrics = metrics.New(metrics.Options{
		Version: o.Version, Commit: o.Commit,
		Pending:     func() map[string]uint64 { return d.outputs.Load().pending() },
		Heartbeat:   func() sensor.Instant { return d.outputs.Load().heartbeat() },
		Record:      func() metrics.Record { return d.record.figures() },
		RemoteWrite: func() *metrics.RemoteWrite { return d.outputs.Load().remoteFigures() },
		Config:      func() publish.Config { return d.outputs.Load().config },
		MQTT:        func() *metrics.MQTT { return d.outputs.Load().mqtt() },
	})
	d.desk = newDesk(d.feed.Now, d.patience)
	d.loop = &loop{
		source: d.feed.Source, engine: d.record.engine, desk: d.desk, probes: names(cfg),
		show: d.show, took: d.metrics.ObserveSweep, alive: d.alive, script: d.feed.Script, log: d.log, state: &d.state,
		supplies: d.supplies(), carry: d.record.carry, between: d.between, last: d.record.newest, recent: &d.recent,
	}
	outputs, err := d.newOutputs(cfg, d.feed)
	if err != nil {
		if d.feed.Close != nil {
			err = errors.Join(err, d.feed.Close())
		}
		return nil, errors.Join(err, d.record.ledger.Close())
	}
	d.outputs.Store(outputs)
	return d, nil
}

// supplies are what is asked about the board's power.
func (d *Daemon) supplies() []*supply {
	return []*supply{{read: lowVoltage(d.o.Supply)}, {read: mainsPower(d.o.Mains, func() string { return *d.mains.Load() })}}
}

// keep is how much history a configuration asks for.
func keep(cfg *configs.Config) ledger.Keep {
	return ledger.Keep{Full: cfg.Keep.Full, MaxBytes: cfg.Keep.MaxSize, MinFree: cfg.Keep.MinFree}
}

// names lists the probes in the order of the sweeps.
func names(cfg *configs.Config) []string {
	all := make([]string, 0, len(cfg.Probes))
	for i := range cfg.Probes {
		all = append(all, cfg.Probes[i].Name)
	}
	return all
}

// Mark enters a mark with the next sweep and returns once it is durable, with the answer for the person.
func (d *Daemon) Mark(ctx context.Context, m rules.Mark) (string, error) {
	if m.ID != "" {
		// The rules remember the newest ids, the record all of them. A disk that does not answer holds only
		// this one mark up, and not for long.
		short, cancel := context.WithTimeout(ctx, time.Second)
		defer cancel()
		if found, err := d.record.ledger.HasMark(short, m.ID); err == nil && found {
			return alreadyRecorded, nil
		}
	}
	return d.desk.Mark(ctx, m)
}

// patience is how long a mark may take: until the next sweep but one, and then for the disk.
func (d *Daemon) patience() time.Duration {
	return 2*time.Duration(d.period.Load()) + markPatience
}

// Reload asks for another configuration. It is taken whole before the next sweep, or not at all; what is
// wrong with it is logged and the old one stays. Of several that wait the newest counts.
func (d *Daemon) Reload(cfg *configs.Config) {
	for {
		select {
		case d.reloads <- cfg:
			return
		default:
		}
		select {
		case <-d.reloads:
		default: // taken up meanwhile
		}
	}
}

// Run watches until ctx ends, which is no error, or the source fails.
func (d *Daemon) Run(ctx context.Context) error {
	d.notify = newNotifier(d.cfg.Period, d.log)
	background, stop := context.WithCancel(context.WithoutCancel(ctx))
	defer stop()
	go d.notify.run(background, d.log)
	for _, s := range d.loop.supplies {
		go s.run(background)
	}

	d.record.start()
	d.loop.record = d.record.writer
	served := make(chan struct{})
	go func() {
		defer close(served)
		d.serve(background)
	}()
	d.turns <- d.outputs.Load()

	err := d.loop.run(ctx)
	d.notify.tell("STOPPING=1")
	d.desk.close()
	// What waits is recorded before the publishers are stopped: so they hear of it.
	flushed := d.flush()
	close(d.turns)
	<-served
	return errors.Join(err, flushed, d.end())
}

// The last words of a daemon that stops are given so long: once for the record, once for the publishers,
// once to close. Together they stay under the service manager's patience of 20 s.
const lastWords = 5 * time.Second

func (d *Daemon) flush() error {
	ctx, cancel := context.WithTimeout(context.Background(), lastWords)
	defer cancel()
	if err := d.record.writer.Flush(ctx, d.loop.engine.Snapshot); err != nil {
		return fmt.Errorf("the last readings are not recorded: %w", err)
	}
	return nil
}

// end lets go of buses and ledger.
func (d *Daemon) end() error {
	var err error
	if d.feed.Close != nil {
		err = d.feed.Close()
	}
	return errors.Join(err, d.record.end(d.loop.engine.Snapshot))
}

// show hands the state to every publisher; none of them blocks.
func (d *Daemon) show(st *rules.State) {
	d.metrics.Show(st)
	d.outputs.Load().show(st)
}

// alive is called by the loop after each round: the one place that feeds the watchdog.
func (d *Daemon) alive(st *rules.State) {
	if !d.ready {
		d.ready = true
		d.notify.tell("READY=1")
	}
	if !d.outputs.Load().stuck() {
		d.notify.progress()
		d.progressed.Store(int64(time.Since(d.made)) + 1)
	}
	if s := statusLine(st); s != d.status {
		d.status = s
		d.notify.tell(s)
	}
}

// stillAfter is how long the loop may make no progress before the outside monitor is told no more that it does:
// so long, or three sweeps.
const stillAfter = 30 * time.Second

// well reports whether the watch goes on, for the outside monitor: what feeds the watchdog has come to pass
// lately, and a probe reads.
func (d *Daemon) well() bool {
	at, st := d.progressed.Load(), d.state.Load()
	if at == 0 || st == nil || time.Since(d.made)-time.Duration(at) > max(stillAfter, 3*time.Duration(d.period.Load())) {
		return false
	}
	return slices.ContainsFunc(st.Probes, func(p rules.ProbeState) bool { return p.Reading.Valid() })
}

// between takes up a new configuration, between two sweeps.
func (d *Daemon) between() {
	select {
	case cfg := <-d.reloads:
		if err := d.replace(cfg); err != nil {
			d.log.Error("the new configuration is not used; the old one stays", "err", err)
			return
		}
		d.log.Info("the new configuration is in force", "site", cfg.Site, "config", cfg.Hash, "probes", len(cfg.Probes), "stations", len(cfg.Stations))
	default:
	}
}

// replace makes everything of cfg first, and swaps when nothing can fail any more.
func (d *Daemon) replace(cfg *configs.Config) error {
	if cfg.Ledger != d.cfg.Ledger || cfg.Keep != d.cfg.Keep {
		return fmt.Errorf("ledger path %s: the record, and how much of it is kept, cannot change while the watch runs; restart the daemon", cfg.Ledger)
	}
	setup, err := cfg.Setup()
	if err != nil {
		return err
	}
	memory, err := d.loop.engine.Snapshot()
	if err != nil {
		return err
	}
	engine, err := rules.Restore(setup, memory)
	if err != nil {
		return err
	}
	feed, err := d.o.Open(cfg, d.loop.last)
	if err != nil {
		return err
	}
	outputs, err := d.newOutputs(cfg, feed)
	if err != nil {
		if feed.Close != nil {
			err = errors.Join(err, feed.Close())
		}
		return err
	}
	select {
	case d.turns <- outputs:
	default:
		err := errors.New("the publishers of the configuration before are still starting; try again")
		if feed.Close != nil {
			err = errors.Join(err, feed.Close())
		}
		return err
	}
	if d.feed.Close != nil {
		if err := d.feed.Close(); err != nil {
			d.log.Warn("a bus of the old configuration does not let go", "err", err)
		}
	}
	d.cfg, d.feed = cfg, feed
	d.outputs.Store(outputs)
	d.period.Store(int64(cfg.Period))
	d.mains.Store(&cfg.Mains)
	d.loop.source, d.loop.script, d.loop.engine, d.loop.probes = feed.Source, feed.Script, engine, names(cfg)
	return nil
}

// serve starts and stops outputs, one set at a time, until there will be no more.
func (d *Daemon) serve(ctx context.Context) {
	var stop func()
	for o := range d.turns {
		if stop != nil {
			stop()
		}
		stop = o.start(ctx)
	}
	if stop != nil {
		stop()
	}
}

// boardFacts are the lines about the daemon itself that the page shows.
func (d *Daemon) boardFacts(o *outputs) []page.BoardFact {
	facts := []page.BoardFact{{Name: "record", Value: "fine"}}
	if err := d.record.writer.Trouble(); err != nil {
		facts[0] = page.BoardFact{Name: "record", Value: err.Error(), Trouble: true}
	}
	if st := d.state.Load(); st != nil && st.Supply == rules.SupplyIsLow {
		facts = append(facts, page.BoardFact{Name: "supply", Value: "low: look at the board's power supply and cable", Trouble: true})
	}
	if h := d.record.ledger.Head(); h.Links > 0 {
		facts = append(facts, page.BoardFact{Name: "record's head", Value: fmt.Sprintf("link %d, %s", h.Links, h.Hash.Short())})
	}
	return append(facts, o.facts()...)
}
