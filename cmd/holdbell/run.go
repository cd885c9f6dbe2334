package main

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"holdbell/cmd/internal/daemon"
	"holdbell/configs"
	"holdbell/sensor"
	"holdbell/sensor/bus"
	"holdbell/sensor/bustrace"
	"holdbell/sensor/live"
	"holdbell/sensor/sysfs"
	"holdbell/sensor/topic"
)

func runVerb() *cobra.Command {
	var path, socket, root, trace string
	cmd := &cobra.Command{
		Use:   "run",
		Short: "The daemon: watches until it is told to stop",
		Long: "run watches until SIGTERM, and takes a changed configuration on SIGHUP: whole, or not at all.\n" +
			"Exit status: 0 stopped, 1 failed (restart it), 2 the command line or the configuration (do not).",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			cfg, err := loadConfig(path)
			if err != nil {
				return err
			}
			log := newLog(cmd.ErrOrStderr(), cfg.LogLevel)
			warn(cfg, log)
			version, commit := build()
			b := &board{log: log, root: root}
			if trace != "" {
				defer b.traceTo(trace)()
			}
			d, err := daemon.New(cfg, daemon.Options{
				Open: b.open, Socket: socket, Version: version, Commit: commit, Log: log,
				Supply: func() sysfs.Supply { return sysfs.ReadSupply(os.DirFS(root)) },
				Mains:  func(name string) sysfs.Mains { return sysfs.ReadMains(os.DirFS(root), name) },
			})
			if err != nil {
				return &exit{exitUsage, err}
			}
			return watch(cmd.Context(), d, func() { reload(d, path, log) })
		},
	}
	configFlag(cmd, &path)
	socketFlag(cmd, &socket)
	rootFlag(cmd, &root)
	cmd.Flags().StringVar(&trace, "trace", "", "write all that goes over the buses to a new `FILE`, 64 MB at most, for a bug report")
	return cmd
}

// watch runs d until a signal to stop; hup is called on SIGHUP, and nil leaves it to the system.
func watch(ctx context.Context, d *daemon.Daemon, hup func()) error {
	ctx, stop := signal.NotifyContext(ctx, syscall.SIGTERM, syscall.SIGINT)
	defer stop()
	if hup != nil {
		hups := make(chan os.Signal, 1)
		signal.Notify(hups, syscall.SIGHUP)
		defer signal.Stop(hups)
		go func() {
			for {
				select {
				case <-hups:
					hup()
				case <-ctx.Done():
					return
				}
			}
		}()
	}
	if err := d.Run(ctx); err != nil {
		return &exit{exitFailed, err}
	}
	return nil
}

// reload reads the configuration anew. A bad one changes nothing.
func reload(d *daemon.Daemon, path string, log *slog.Logger) {
	cfg, err := loadConfig(path)
	if err != nil {
		log.Error("the new configuration is not used; the old one stays", "err", err)
		return
	}
	warn(cfg, log)
	d.Reload(cfg)
}

// warn says what can run but ought to be looked at.
func warn(cfg *configs.Config, log *slog.Logger) {
	for _, w := range cfg.Warnings {
		log.Warn(w.String())
	}
	for _, w := range cfg.Ahead(time.Now()) {
		log.Warn(w.String())
	}
}

// board is the machine that the daemon runs on: its clock and its buses.
type board struct {
	log   *slog.Logger
	root  string // of the kernel's files
	clock *daemon.Clock
	trace *bustrace.Recorder // nil: off
}

// traceTo begins a bus trace in a new file, and gives what ends it. A trace is never worth the watch: where it
// cannot be written, or an earlier one is still there to be sent in, that is logged and there is none.
func (b *board) traceTo(path string) (end func()) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o640)
	if err != nil {
		b.log.Error("no bus trace is written; name a new file in a folder that this user may write", "err", err)
		return func() {}
	}
	b.trace = bustrace.New(f, bustrace.MaxBytes, func(why error) {
		b.log.Warn("the bus trace has ended; the watch goes on", "file", path, "why", why)
	})
	b.log.Info("all that goes over the buses is written down", "file", path)
	return func() {
		b.trace.Close()
		if err := f.Close(); err != nil {
			b.log.Error("the bus trace may lack its end", "file", path, "err", err)
		}
	}
}

// open makes a feed of the probes on the board's buses.
func (b *board) open(cfg *configs.Config, newest sensor.Instant) (*daemon.Feed, error) {
	if b.clock == nil {
		clock, err := daemon.NewClock("/", newest.Wall)
		if err != nil {
			return nil, err
		}
		b.clock = clock
	}
	host, topics := bus.New(bus.Options{}), new(topic.Hub)
	var buses sensor.Buses = host
	if b.trace != nil {
		buses = b.trace.Wrap(host)
	}
	probes, err := daemon.Probes(cfg, daemon.Places{Buses: buses, Kernel: os.DirFS(b.root), Topics: topics})
	if err != nil {
		return nil, errors.Join(err, host.Close())
	}
	source, err := live.New(probes, cfg.Period, b.clock.Now, b.log)
	if err != nil {
		return nil, errors.Join(err, host.Close())
	}
	return &daemon.Feed{Source: source, Now: b.clock.Now, Topics: topics, Buses: buses, Close: host.Close}, nil
}

// newLog writes a line an entry. The journal puts its own time before each.
func newLog(w io.Writer, level slog.Level) *slog.Logger {
	opts := &slog.HandlerOptions{Level: level}
	if os.Getenv("JOURNAL_STREAM") != "" {
		opts.ReplaceAttr = func(groups []string, a slog.Attr) slog.Attr {
			if a.Key == slog.TimeKey && len(groups) == 0 {
				return slog.Attr{}
			}
			return a
		}
	}
	return slog.New(slog.NewTextHandler(w, opts))
}
