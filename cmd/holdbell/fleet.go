package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"os/signal"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"holdbell/cmd/internal/daemon"
	"holdbell/configs"
	"holdbell/publish"
	"holdbell/rules"
	"holdbell/sensor"
	"holdbell/sensor/kitchen"
)

const (
	// mostBoards is more than one machine can watch.
	mostBoards = 10_000
	// startPause lies between the starts of two boards: so their sweeps are spread, and no broker meets all at once.
	startPause = 20 * time.Millisecond
	// stopAtOnce bounds the boards that stop together: a thousand of them would take each other the time to say goodbye.
	stopAtOnce = 16
)

// fleet is the demo of many boards in one process.
type fleet struct {
	boards, pages int
	first         int    // the number of the first
	config        string // the file that they share; empty for none
	asked         bool   // one of the flags was given
	period        time.Duration
	speed         float64
	last          time.Duration

	shared []byte // what stands in config
}

func (f *fleet) flags(cmd *cobra.Command) {
	flags := cmd.Flags()
	flags.IntVar(&f.boards, "boards", 1, "`N` boards of a fleet, each a whole daemon with a site of its own")
	flags.StringVar(&f.config, "config", "", "with --boards: the `FILE` that they share, with where they publish")
	flags.IntVar(&f.pages, "pages", 20, "with --boards: the first `N` boards have a page")
	flags.IntVar(&f.first, "first", 1, "with --boards: the `NUMBER` of the first board, where several processes make up a fleet")
	flags.DurationVar(&f.period, "period", time.Second, "with --boards: the time from one sweep to the next")
}

// check looks at the flags that go with one board, or with several.
func (f *fleet) check(given func(flag string) bool) error {
	f.asked = f.boards != 1
	for _, name := range []string{"config", "first", "pages", "period"} {
		if given(name) && !given("boards") {
			return fmt.Errorf("--%s goes with --boards: add it", name)
		}
		f.asked = f.asked || given(name)
	}
	for _, name := range []string{"all-probes", "listen", "ledger", "socket"} {
		if f.asked && given(name) {
			return fmt.Errorf("--%s goes with one board alone: leave it out, or --boards", name)
		}
	}
	switch {
	case f.boards < 1 || f.boards > mostBoards:
		return fmt.Errorf("boards %d: give a number from 1 to %d", f.boards, mostBoards)
	case f.first < 1 || f.first > mostBoards:
		return fmt.Errorf("first %d: give a number from 1 to %d", f.first, mostBoards)
	case f.pages < 0:
		return fmt.Errorf("pages %d: give how many boards have one, 0 for none", f.pages)
	}
	return nil
}

func siteOf(i int) string { return fmt.Sprintf("kitchen-%03d", i) }

// load gives the configuration of board i: the fleet's kitchen over the shared file.
func (f *fleet) load(i int) (*configs.Config, error) {
	whole, err := configs.Example("demo-fleet")
	if err != nil {
		return nil, err
	}
	own := fmt.Sprintf("site: %s\nperiod: %s\n%s", siteOf(i), f.period, whole)
	if f.config != "" {
		own = "base: " + strconv.Quote(f.config) + "\n" + own
	}
	name := siteOf(i) + ".yaml"
	cfg, err := configs.Load(name, func(path string) ([]byte, error) {
		if path == name {
			return []byte(own), nil
		}
		return f.shared, nil
	})
	if err != nil {
		return nil, err
	}
	switch m := cfg.MQTT; {
	case m == nil:
	case m.Inside():
		return nil, fmt.Errorf("%s: many boards cannot each have the broker inside at one port; start one, and write broker: tcp://HOST:1883", f.config)
	case m.ClientID != "":
		return nil, fmt.Errorf("%s: each board needs a client_id of its own; remove it, and one is made of each site", f.config)
	}
	// A simulation rings nobody, tells no monitor that food is watched, and has no panel.
	cfg.Phones, cfg.Heartbeat, cfg.Panel = nil, nil, nil
	return cfg, nil
}

// open makes board i, with its record in a folder of its own.
func (f *fleet) open(i int, folder string, t *announcer, log *slog.Logger) (*daemon.Daemon, error) {
	cfg, err := f.load(i)
	if err != nil {
		return nil, err
	}
	cfg.HTTP.Listen = "127.0.0.1:0"
	home := filepath.Join(folder, cfg.Site)
	if err := os.Mkdir(home, 0o700); err != nil {
		return nil, err
	}
	plan, marks, _ := kitchen.FleetPlan(demoSeed + uint64(i))
	now := time.Now().UTC().Round(0).Truncate(time.Millisecond)
	s := &story{speed: f.speed, start: sensor.Instant{Wall: now, Believed: true}, plan: plan, marks: marks}
	version, commit := build()
	return daemon.New(cfg, daemon.Options{
		Open: s.open, Ledger: filepath.Join(home, "ledger.db"), Fleeting: true, NoPage: i >= f.first+f.pages, Version: version, Commit: commit,
		Publishers: []publish.Publisher{&prefixed{t, cfg.Site}},
		Listening:  func(_ string, at net.Addr) { t.listening(i, at) },
		Log:        log.With("site", cfg.Site),
	})
}

func (f *fleet) run(ctx context.Context, out, errs io.Writer) error {
	if err := checkPace(f.speed, f.last); err != nil {
		return err
	}
	if f.config != "" {
		var err error
		if f.shared, err = readLimited(f.config, maxConfig); err != nil {
			return &exit{exitUsage, fmt.Errorf("%w; name the file that the boards share with --config FILE", err)}
		}
	}
	if _, err := f.load(f.first); err != nil {
		return &exit{exitUsage, err}
	}
	folder, err := os.MkdirTemp("", "holdbell-fleet-")
	if err != nil {
		return &exit{exitFailed, err}
	}
	defer os.RemoveAll(folder)
	ctx, stop := signal.NotifyContext(ctx, syscall.SIGTERM, syscall.SIGINT)
	defer stop()
	if f.last > 0 {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, f.last)
		defer cancel()
	}
	log := newLog(errs, slog.LevelWarn)
	t := newAnnouncer(out, min(f.pages, f.boards))
	turns := make(chan struct{}, stopAtOnce)
	var failed atomic.Int64
	var wg sync.WaitGroup
	if t.pages == 0 {
		t.table(ctx, f)
	}
	for i := f.first; i < f.first+f.boards && ctx.Err() == nil; i++ {
		d, err := f.open(i, folder, t, log)
		if err != nil {
			failed.Add(1)
			log.Error("a board cannot start; the others go on", "site", siteOf(i), "err", err)
		} else {
			wg.Go(func() {
				if err := runInTurn(ctx, d, turns); err != nil {
					failed.Add(1)
					log.Error("a board has failed; the others go on", "site", siteOf(i), "err", err)
				}
			})
		}
		if i == f.first+t.pages-1 {
			t.table(ctx, f)
		}
		pause(ctx, startPause)
	}
	wg.Wait()
	if n := failed.Load(); n > 0 {
		return &exit{exitFailed, fmt.Errorf("%d of %d boards failed", n, f.boards)}
	}
	return nil
}

// runInTurn runs d until ctx ends and it is its turn to stop.
func runInTurn(ctx context.Context, d *daemon.Daemon, turns chan struct{}) error {
	own, cancel := context.WithCancel(context.WithoutCancel(ctx))
	defer cancel()
	waits := context.AfterFunc(ctx, func() {
		turns <- struct{}{}
		cancel()
	})
	err := d.Run(own)
	if !waits() {
		<-turns
	}
	return err
}

func pause(ctx context.Context, d time.Duration) {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
	case <-ctx.Done():
	}
}

// announcer prints for all boards: where their pages are, then each event as a line.
type announcer struct {
	out   io.Writer
	pages int // how many boards have one
	heard chan struct{}
	known chan struct{} // closed once the table is printed

	mu sync.Mutex
	at map[int]string // addresses of pages, by board
}

func newAnnouncer(out io.Writer, pages int) *announcer {
	return &announcer{out: out, pages: pages, heard: make(chan struct{}, 1), known: make(chan struct{}), at: map[int]string{}}
}

func (t *announcer) listening(i int, at net.Addr) {
	t.mu.Lock()
	t.at[i] = at.String()
	t.mu.Unlock()
	select {
	case t.heard <- struct{}{}:
	default:
	}
}

func (t *announcer) listen() int {
	t.mu.Lock()
	defer t.mu.Unlock()
	return len(t.at)
}

// table prints where the boards are, once their pages listen or portsFirst is over.
func (t *announcer) table(ctx context.Context, f *fleet) {
	timer := time.NewTimer(portsFirst)
	defer timer.Stop()
	for waits := true; waits && t.listen() < t.pages; {
		select {
		case <-t.heard:
		case <-timer.C:
			waits = false
		case <-ctx.Done():
			waits = false
		}
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	var b strings.Builder
	for i := f.first; i < f.first+t.pages; i++ {
		where := "no page yet"
		if at := t.at[i]; at != "" {
			where = "page http://" + at + "/"
		}
		fmt.Fprintf(&b, "%-12s  %s\n", siteOf(i), where)
	}
	if t.pages < f.boards {
		none := siteOf(f.first+t.pages) + " has"
		if t.pages < f.boards-1 {
			none = siteOf(f.first+t.pages) + " to " + siteOf(f.first+f.boards-1) + " have"
		}
		fmt.Fprintf(&b, "%s no page; --pages N gives one to the first N.\n", none)
	}
	if f.config == "" {
		fmt.Fprintln(&b, "No board publishes elsewhere: --config FILE names a broker or a receiver, under publish:.")
	}
	// A closed standard output ends nothing: the pages are still there.
	_, _ = io.WriteString(t.out, b.String())
	close(t.known)
}

// prefixed is the Publisher that prints one board's events behind its site.
type prefixed struct {
	t    *announcer
	site string
}

// Name implements publish.Publisher.
func (p *prefixed) Name() string { return "terminal" }

// Show implements publish.Publisher; a terminal gets events alone.
func (p *prefixed) Show(*rules.State) {}

// Deliver implements publish.Publisher.
func (p *prefixed) Deliver(ctx context.Context, _ string, ev rules.Event) error {
	select {
	case <-p.t.known:
	case <-ctx.Done():
		return ctx.Err()
	}
	var line strings.Builder
	if err := tell(&line, &ev, false); err != nil {
		return publish.Permanent(err)
	}
	p.t.mu.Lock()
	defer p.t.mu.Unlock()
	if _, err := fmt.Fprintf(p.t.out, "%-12s  %s", p.site, line.String()); err != nil {
		return publish.Permanent(errors.Join(errors.New("standard output"), err))
	}
	return nil
}
