package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"time"

	"github.com/spf13/cobra"

	aboard "holdbell/cmd/internal/board"
	"holdbell/cmd/internal/daemon"
	"holdbell/configs"
	"holdbell/rules"
	"holdbell/sensor"
	"holdbell/sensor/bus"
	"holdbell/sensor/live"
	"holdbell/sensor/topic"
)

func checkVerb() *cobra.Command {
	var path, socket, root string
	var probes, whole, test, show bool
	cmd := &cobra.Command{
		Use:   "check",
		Short: "Says what is wrong with a configuration, each with file, line and fix",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if test && !whole {
				return &exit{exitUsage, errors.New("--send-test goes with --board: add it")}
			}
			cfg, err := loadConfig(path)
			if err != nil {
				return err
			}
			if ahead := cfg.Ahead(time.Now()); len(ahead) > 0 {
				return &exit{exitUsage, &configs.Error{Problems: ahead}}
			}
			out := cmd.OutOrStdout()
			if show {
				for _, w := range cfg.Warnings {
					fmt.Fprintf(cmd.ErrOrStderr(), "warning: %v\n", w)
				}
				if _, err := io.WriteString(out, cfg.Show()); err != nil {
					return &exit{exitFailed, err}
				}
				return nil
			}
			if whole {
				return checkBoard(cmd.Context(), out, aboard.Options{Root: root, Config: cfg, Socket: socket, Test: test})
			}
			over := ""
			if cfg.Base != "" {
				over = " over the base " + cfg.Base
			}
			for _, w := range cfg.Warnings {
				fmt.Fprintf(out, "warning: %v\n", w)
			}
			fmt.Fprintf(out, "%s can run: %d probes, %d stations, food code %s, configuration %s%s\n", path, len(cfg.Probes), len(cfg.Stations), cfg.Code.Name, cfg.Hash, over)
			if !probes {
				return nil
			}
			return checkProbes(cmd.Context(), out, cfg, socket, os.DirFS(root))
		},
	}
	configFlag(cmd, &path)
	socketFlag(cmd, &socket)
	rootFlag(cmd, &root)
	cmd.Flags().BoolVar(&probes, "probes", false, "read every probe once; a running daemon is asked, for it holds the buses")
	cmd.Flags().BoolVar(&whole, "board", false, "say what is right and wrong with this board, and what mends it; nothing goes over a bus")
	cmd.Flags().BoolVar(&test, "send-test", false, "with --board: send a test message to each phone")
	cmd.Flags().BoolVar(&show, "show", false, "print the whole configuration as one file, with its base merged and its hash")
	cmd.MarkFlagsMutuallyExclusive("probes", "board", "show")
	return cmd
}

// checkBoard prints the page about the board. Something wrong ends in exitFailed.
func checkBoard(ctx context.Context, out io.Writer, o aboard.Options) error {
	wrong, err := aboard.Write(out, aboard.Examine(ctx, o))
	switch {
	case err != nil:
		return &exit{exitFailed, err}
	case wrong == 1:
		return &exit{exitFailed, errors.New("one thing is wrong with this board")}
	case wrong > 1:
		return &exit{exitFailed, fmt.Errorf("%d things are wrong with this board", wrong)}
	}
	return nil
}

// probeWait is how long one probe may take to answer.
const probeWait = 5 * time.Second

// readDirectly reads every probe once, from the buses themselves.
func readDirectly(ctx context.Context, out io.Writer, cfg *configs.Config, kernel fs.FS) error {
	host := bus.New(bus.Options{})
	defer host.Close()
	probes, err := daemon.Probes(cfg, daemon.Places{Buses: host, Kernel: kernel, Topics: new(topic.Hub)})
	if err != nil {
		return &exit{exitUsage, err}
	}
	silent := 0
	for _, p := range probes {
		r, err := readOnce(ctx, p)
		if err != nil {
			silent++
			fmt.Fprintf(out, "%s: %v: %s: %v\n", p.Name, p.Probe, r.Fault, err)
			continue
		}
		fmt.Fprintf(out, "%s: %v: %s\n", p.Name, p.Probe, degrees(r.Temp, cfg.Units))
	}
	if silent > 0 {
		return &exit{exitSilentProbe, fmt.Errorf("%d of %d probes did not answer", silent, len(probes))}
	}
	return nil
}

// readOnce gives a chip that has to be set up first the time for it: such a chip is stale until it has
// made a conversion.
func readOnce(ctx context.Context, p live.Named) (sensor.Reading, error) {
	ctx, cancel := context.WithTimeout(ctx, probeWait)
	defer cancel()
	for {
		r, err := p.Probe.Read(ctx)
		if r.Fault != sensor.Stale {
			return r, err
		}
		select {
		case <-time.After(p.Probe.MinInterval()):
		case <-ctx.Done():
			return r, err
		}
	}
}

// degrees writes a temperature in the unit of the kitchen's people.
func degrees(t sensor.Temp, u rules.Units) string {
	if u == rules.Fahrenheit {
		return fmt.Sprintf("%.1f °F", t.Fahrenheit())
	}
	return t.String()
}
