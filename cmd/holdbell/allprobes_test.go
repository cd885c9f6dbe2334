package main

import (
	"fmt"
	"net"
	"slices"
	"strings"
	"testing"

	"holdbell/cmd/internal/daemon"
	"holdbell/configs"
	"holdbell/sensor/kitchen"
)

// TestAllProbes: one configuration with every chip that this version reads runs on the simulated buses, and each
// fault of each chip stands under its own word in the metrics, on MQTT and in the page's state.
func TestAllProbes(t *testing.T) {
	sub := need(t, "mosquitto_sub")
	_, shown, _ := kitchen.AllProbes(demoSeed)
	if len(shown) < 25 {
		t.Fatalf("only %d showings", len(shown))
	}
	p := start(t, "holdbell", "demo", "--all-probes", "--speed", "400")
	page := strings.TrimPrefix(p.until("page http"), "page ")
	host, port, err := net.SplitHostPort(strings.TrimPrefix(p.until("mqtt://"), "mqtt://"))
	if err != nil {
		t.Fatal(err)
	}
	listen := start(t, sub, "-h", host, "-p", port, "-t", "holdbell/+/probe/+", "-v")
	missing := make(map[string]bool)
	for _, s := range shown {
		for _, where := range []string{"metrics", "mqtt", "page"} {
			missing[fmt.Sprintf("%s %s %v", where, s.Probe, s.Fault)] = true
		}
	}
	t.Cleanup(func() {
		for m := range missing {
			t.Logf("missing: %s", m)
		}
	})
	heard := 0
	eventually(t, "every fault in every place", func() bool {
		metrics, now := string(get(page+"metrics")), state(t, page)
		lines := listen.lines()
		for _, s := range shown {
			found := func(where string, is bool) {
				if is {
					delete(missing, fmt.Sprintf("%s %s %v", where, s.Probe, s.Fault))
				}
			}
			found("metrics", strings.Contains(metrics, fmt.Sprintf(`holdbell_probe_faults_total{fault="%v",probe=%q}`, s.Fault, s.Probe)))
			word := now.Probes[s.Probe].Fault
			found("page", word != nil && *word == s.Fault.String())
			found("mqtt", slices.ContainsFunc(lines[heard:], func(l string) bool {
				return strings.Contains(l, "/probe/"+s.Probe+" ") && strings.Contains(l, fmt.Sprintf(`"fault":"%v"`, s.Fault))
			}))
		}
		heard = len(lines)
		return len(missing) == 0
	})
}

// TestAllProbesIsWhatIsSimulated: the configuration names every probe of the kitchen with its chip and place, and every
// chip that a configuration can name is there.
func TestAllProbesIsWhatIsSimulated(t *testing.T) {
	plan, _, _ := kitchen.AllProbes(demoSeed)
	cfg, err := (&demo{allProbes: true}).config()
	if err != nil {
		t.Fatal(err)
	}
	k, err := kitchen.New(plan)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := daemon.Probes(cfg, daemon.Places{Buses: k}); err != nil {
		t.Fatal(err)
	}
	var here, there []string
	chips := make(map[string]bool)
	for _, p := range cfg.Probes {
		place := p.Bus
		if p.Address != 0 {
			place = fmt.Sprintf("%s 0x%02x", p.Bus, p.Address)
		}
		here = append(here, p.Name+" "+p.Chip+" "+place)
		chips[p.Chip] = true
	}
	for _, p := range plan.Probes {
		there = append(there, p.Name+" "+p.Chip+" "+p.Bus)
	}
	if !slices.Equal(here, there) {
		t.Errorf("configured %q, simulated %q", here, there)
	}
	for _, name := range configs.Chips() {
		if !chips[name] {
			t.Errorf("nothing runs a %s", name)
		}
	}
}
