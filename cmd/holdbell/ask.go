package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"

	"holdbell/configs"
	"holdbell/publish/page"
	"holdbell/rules"
	"holdbell/sensor"
)

// running is what a running daemon says of its probes.
type running struct {
	Units rules.Units `json:"units"`
	Stale bool        `json:"stale"`
	// Monotonic is the sweep's moment by the daemon's own clock, in seconds.
	Monotonic float64                     `json:"monotonic_seconds"`
	Probes    map[string]page.ProbeReport `json:"probes"`
}

// runningProbes asks a running daemon, for it holds the buses. The error is page.ErrUnreachable where none runs.
func runningProbes(ctx context.Context, socket string) (running, error) {
	var st running
	raw, err := page.NewClient(socket).State(ctx)
	if err != nil {
		return st, fmt.Errorf("the running daemon: %w", err)
	}
	if err := json.Unmarshal(raw, &st); err != nil {
		return st, fmt.Errorf("the running daemon's answer: %w", err)
	}
	return st, nil
}

// said is a probe's reading in a running daemon's words, for people who read units; ok is false without one.
func said(r page.ProbeReport, stale bool, u rules.Units) (words string, ok bool) {
	switch {
	case stale:
		return "no sweep in time", false
	case r.Celsius == nil && r.Fault != nil:
		return *r.Fault, false
	case r.Celsius == nil:
		return "no reading", false
	}
	t, _ := sensor.FromCelsius(*r.Celsius)
	return degrees(t, u), true
}

// checkProbes asks a running daemon what its probes read; without one they are read from here.
func checkProbes(ctx context.Context, out io.Writer, cfg *configs.Config, socket string, kernel fs.FS) error {
	tellClaims(out, cfg)
	st, err := runningProbes(ctx, socket)
	if errors.Is(err, page.ErrUnreachable) {
		return readDirectly(ctx, out, cfg, kernel)
	}
	if err != nil {
		return &exit{exitFailed, err}
	}
	fmt.Fprintln(out, "as the running daemon reads them:")
	silent := 0
	for _, p := range cfg.Probes {
		r, known := st.Probes[p.Name]
		words, ok := said(r, st.Stale, cfg.Units)
		if !known {
			words, ok = "the daemon runs another configuration, without this probe", false
		}
		if !ok {
			silent++
		}
		fmt.Fprintf(out, "%s: %s\n", p.Name, words)
	}
	if silent > 0 {
		return &exit{exitSilentProbe, fmt.Errorf("%d of %d probes do not answer", silent, len(cfg.Probes))}
	}
	return nil
}
