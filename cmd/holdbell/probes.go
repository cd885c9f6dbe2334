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
	"holdbell/sensor"
)

// checkProbes asks a running daemon what its probes read, for it holds the buses; without one they are
// read from here.
func checkProbes(ctx context.Context, out io.Writer, cfg *configs.Config, socket string, kernel fs.FS) error {
	raw, err := page.NewClient(socket).State(ctx)
	if errors.Is(err, page.ErrUnreachable) {
		return readDirectly(ctx, out, cfg, kernel)
	}
	if err != nil {
		return &exit{exitFailed, fmt.Errorf("the running daemon: %w", err)}
	}
	var st struct {
		Stale  bool                        `json:"stale"`
		Probes map[string]page.ProbeReport `json:"probes"`
	}
	if err := json.Unmarshal(raw, &st); err != nil {
		return &exit{exitFailed, fmt.Errorf("the running daemon's answer: %w", err)}
	}
	fmt.Fprintln(out, "as the running daemon reads them:")
	silent := 0
	for _, p := range cfg.Probes {
		r, known := st.Probes[p.Name]
		switch {
		case !known:
			silent++
			fmt.Fprintf(out, "%s: the daemon runs another configuration, without this probe\n", p.Name)
		case r.Celsius == nil || st.Stale:
			silent++
			why := "no reading"
			if r.Fault != nil {
				why = *r.Fault
			}
			fmt.Fprintf(out, "%s: %s\n", p.Name, why)
		default:
			t, _ := sensor.FromCelsius(*r.Celsius)
			fmt.Fprintf(out, "%s: %s\n", p.Name, degrees(t, cfg.Units))
		}
	}
	if silent > 0 {
		return &exit{exitSilentProbe, fmt.Errorf("%d of %d probes do not answer", silent, len(cfg.Probes))}
	}
	return nil
}
