package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"holdbell/cmd/internal/daemon"
	"holdbell/configs"
	"holdbell/sensor/bustrace"
	"holdbell/sensor/sensortest"
)

const tracedKitchen = `rules: { food_code: us-fda-2022 }
period: 100ms
probes: [ { name: air, chip: max31855, bus: SPI97.3, type: K } ]
stations: [ { name: warmer, purpose: hot-holding, air: air } ]
`

// TestRunTrace: the trace of a daemon tells what its buses did, here that there is no such bus, and the drivers
// say so again over it. An earlier trace is not written over, and that it cannot be written stops no watch.
func TestRunTrace(t *testing.T) {
	dir := shortDir(t)
	at := func(name string) string { return filepath.Join(dir, name) }
	text := tracedKitchen + fmt.Sprintf("publish: { http: { listen: \"127.0.0.1:0\" } }\nledger: { path: %q }\n", at("l.db"))
	if err := os.WriteFile(at("kitchen.yaml"), []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	run := func() *process {
		return start(t, "holdbell", "run", "--config", at("kitchen.yaml"), "--socket", at("s"), "--trace", at("bus.trace"))
	}
	p := run()
	eventually(t, "five transactions", func() bool {
		b, err := os.ReadFile(at("bus.trace"))
		return err == nil && bytes.Count(b, []byte("\n")) > 5
	})
	if code := p.end(syscall.SIGTERM); code != exitOK {
		t.Fatalf("ended with %d", code)
	}
	before, err := os.ReadFile(at("bus.trace"))
	if err != nil {
		t.Fatal(err)
	}
	trace, err := bustrace.Read(bytes.NewReader(before))
	if err != nil || len(trace) < 5 || !strings.Contains(trace[0].Err, "/dev/spidev97.3 is missing") {
		t.Fatalf("%d transactions, %v:\n%.400s", len(trace), err, before)
	}

	cfg, err := configs.Parse("kitchen.yaml", []byte(tracedKitchen))
	if err != nil {
		t.Fatal(err)
	}
	buses := sensortest.NewTrace(t, trace)
	probes, err := daemon.Probes(cfg, daemon.Places{Buses: buses})
	if err != nil {
		t.Fatal(err)
	}
	for buses.Left("SPI97.3") > 0 {
		left := buses.Left("SPI97.3")
		r, err := probes[0].Probe.Read(t.Context())
		if r.Valid() || err == nil || !strings.Contains(err.Error(), "is missing") {
			t.Fatalf("over the trace: %v, %v", r, err)
		}
		if buses.Left("SPI97.3") == left {
			t.Fatal("a read made no transaction")
		}
	}

	p = run()
	p.until("no bus trace is written")
	eventually(t, "the watch", func() bool { _, err := os.Stat(at("s")); return err == nil })
	if code := p.end(syscall.SIGTERM); code != exitOK {
		t.Fatalf("without a trace it ended with %d", code)
	}
	if after, err := os.ReadFile(at("bus.trace")); err != nil || !bytes.Equal(after, before) {
		t.Errorf("the earlier trace was touched: %v", err)
	}
}
