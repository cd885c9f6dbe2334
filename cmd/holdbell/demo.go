package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"holdbell/cmd/internal/daemon"
	"holdbell/configs"
	"holdbell/publish"
	"holdbell/rules"
)

// demoSeed makes the noise of the demo's probes; any other number would do.
const demoSeed = 1

func demoVerb() *cobra.Command {
	var o demo
	var f fleet
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "A simulated kitchen through the same path: no hardware, no server",
		Long: "demo runs a simulated kitchen through the daemon: simulated chips behind the real drivers, an MQTT\n" +
			"broker inside, a record in a temporary folder, the page. It prints where they are, then what happens.\n\n" +
			"With --boards N it runs N boards of a fleet in one process, each with a site and a record of its own, about one\n" +
			"of eight in trouble. Where they publish stands in the file of --config, under publish:. Their speed is 1 unless\n" +
			"told: a receiver refuses readings that are ahead of its clock.",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := f.check(cmd.Flags().Changed); err != nil {
				return &exit{exitUsage, err}
			}
			if f.asked {
				f.speed, f.last = 1, o.last
				if cmd.Flags().Changed("speed") {
					f.speed = o.speed
				}
				return f.run(cmd.Context(), cmd.OutOrStdout(), cmd.ErrOrStderr())
			}
			return o.run(cmd.Context(), cmd.OutOrStdout(), cmd.ErrOrStderr())
		},
	}
	flags := cmd.Flags()
	flags.Float64Var(&o.speed, "speed", 60, "`N` virtual seconds a second")
	flags.BoolVar(&o.allProbes, "all-probes", false, "a cabinet with a probe on every simulated chip, each of which shows each of its faults")
	flags.StringVar(&o.listen, "listen", "127.0.0.1:0", "the page's `ADDRESS`")
	flags.DurationVar(&o.last, "for", 0, "stop after this `DURATION` of wall time; 0 goes on")
	flags.StringVar(&o.ledger, "ledger", "", "keep the record at `PATH`; started again on it, the story goes on where it was")
	f.flags(cmd)
	flags.StringVar(&o.socket, "socket", "", "the control `SOCKET`; in the temporary folder unless told")
	return cmd
}

// demo is one run of the verb.
type demo struct {
	speed          float64
	allProbes      bool
	listen         string
	last           time.Duration
	ledger, socket string
}

func (o *demo) run(ctx context.Context, out, errs io.Writer) error {
	if err := checkPace(o.speed, o.last); err != nil {
		return err
	}
	cfg, err := o.config()
	if err != nil {
		return &exit{exitFailed, err}
	}
	cfg.HTTP.Listen = o.listen
	folder, err := os.MkdirTemp("", "holdbell-demo-")
	if err != nil {
		return &exit{exitFailed, err}
	}
	defer os.RemoveAll(folder)
	if o.ledger == "" {
		o.ledger = filepath.Join(folder, "ledger.db")
	}
	if o.socket == "" {
		o.socket = filepath.Join(folder, "control.sock")
	}
	teller := newTeller(out, o.socket)
	version, commit := build()
	d, err := daemon.New(cfg, daemon.Options{
		Open: demoStory(o.speed, o.allProbes).open, Ledger: o.ledger, Socket: o.socket, Version: version, Commit: commit,
		Publishers: []publish.Publisher{teller}, Listening: teller.listening,
		Log: newLog(errs, slog.LevelWarn),
	})
	if err != nil {
		return &exit{exitUsage, err}
	}
	if o.last > 0 {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, o.last)
		defer cancel()
	}
	return watch(ctx, d, nil)
}

func checkPace(speed float64, last time.Duration) error {
	if !(speed > 0 && speed <= 1e6) {
		return &exit{exitUsage, fmt.Errorf("speed %v: give a number above zero and up to 1000000, such as 60", speed)}
	}
	if last < 0 {
		return &exit{exitUsage, fmt.Errorf("for %v: give a duration above zero, such as 90s", last)}
	}
	return nil
}

func (o *demo) config() (*configs.Config, error) {
	name := "demo"
	if o.allProbes {
		name = "all-probes"
	}
	data, err := configs.Example(name)
	if err != nil {
		return nil, err
	}
	return configs.Parse(name+".yaml", data)
}

// portsFirst is how long events wait for the ports to be known, which are printed first.
const portsFirst = 5 * time.Second

// teller is the Publisher that prints: where the daemon is, then each event as a line.
type teller struct {
	out     io.Writer
	socket  string
	started time.Time

	mu    sync.Mutex
	ports map[string]string
	known chan struct{} // closed once both ports are printed
}

func newTeller(out io.Writer, socket string) *teller {
	return &teller{out: out, socket: socket, started: time.Now(), ports: map[string]string{}, known: make(chan struct{})}
}

// listening hears of a port, and prints both once both are known.
func (t *teller) listening(what string, at net.Addr) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.ports[what] != "" {
		return
	}
	t.ports[what] = at.String()
	if t.ports["page"] == "" || t.ports["mqtt"] == "" {
		return
	}
	// A closed standard output ends nothing: the page is still there.
	_, _ = fmt.Fprintf(t.out, "page http://%s/\nmqtt://%s\nmarks: holdbell mark KIND --socket %s\n", t.ports["page"], t.ports["mqtt"], t.socket)
	close(t.known)
}

// Name implements publish.Publisher.
func (t *teller) Name() string { return "terminal" }

// Show implements publish.Publisher; a terminal gets events alone.
func (t *teller) Show(*rules.State) {}

// Deliver implements publish.Publisher.
func (t *teller) Deliver(ctx context.Context, _ string, ev rules.Event) error {
	timer := time.NewTimer(time.Until(t.started.Add(portsFirst)))
	defer timer.Stop()
	select {
	case <-t.known:
	case <-timer.C:
	case <-ctx.Done():
		return ctx.Err()
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	if err := tell(t.out, &ev, false); err != nil {
		return publish.Permanent(errors.Join(errors.New("standard output"), err))
	}
	return nil
}
