package records

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"holdbell/publish/ledger"
	"holdbell/rules"
	"holdbell/sensor"
	"holdbell/sensor/condition"
)

// TestOpenMetrics: what is written becomes blocks of a Prometheus, which hold every recorded reading once, calibrated.
func TestOpenMetrics(t *testing.T) {
	tool, err := exec.LookPath("promtool")
	if err != nil {
		if os.Getenv("HOLDBELL_REQUIRE") == "1" {
			t.Fatal("the program promtool is missing; install Debian's package prometheus")
		}
		t.Skip("the program promtool is missing; install Debian's package prometheus")
	}
	l, err := ledger.Open(filepath.Join(t.TempDir(), "l.db"), ledger.Options{})
	if err != nil {
		t.Fatal(err)
	}
	w := ledger.NewWriter(l, ledger.WriterOptions{Log: slog.New(slog.DiscardHandler)})
	at := sensor.Instant{Wall: time.Date(2026, 3, 1, 11, 0, 0, 250_000_000, time.UTC), Mono: time.Hour, Believed: true}
	names := []string{"air", "core"}
	const sweeps = 3 * 3600
	want := map[string]string{}
	note := func(series, value string, at sensor.Instant) {
		want[fmt.Sprintf("%s %d", series, at.Wall.UnixMilli())] = value
	}
	const outside = `instance="test \"kitchen\"", job="holdbell", probe=%q, %ssite="test \"kitchen\""`
	for i := range sweeps {
		s := sensor.Sweep{At: at.Add(time.Duration(i) * time.Second), Readings: []sensor.Reading{{Temp: sensor.Temp(60_000 + i)}, {Temp: sensor.Temp(70_000 - i%97)}}}
		if i%100 < 3 {
			s.Readings[1] = sensor.Bad(sensor.Open)
		}
		if i == 5050 { // a wall that stepped back for a moment
			s.At.Wall = s.At.Wall.Add(-10 * time.Second)
		} else {
			for j, name := range names {
				role, shift := "air", sensor.Temp(0)
				if j == 1 {
					role, shift = "food", 500
				}
				up := "0"
				if r := s.Readings[j]; r.Valid() {
					up = "1"
					note(fmt.Sprintf(`{__name__="holdbell_probe_temperature_celsius", `+outside+`, station="warmer"}`, name, `role="`+role+`", `), fmt.Sprint((r.Temp + shift).Celsius()), s.At)
				}
				note(fmt.Sprintf(`{__name__="holdbell_probe_up", `+outside+`}`, name, ""), up, s.At)
			}
		}
		w.Add(ledger.Entry{Probes: names, Input: rules.Input{Sweep: s}})
		// More than two hours that wait for the disk would be given up.
		if i%3600 == 3599 {
			if err := w.Flush(t.Context(), nil); err != nil {
				t.Fatal(err)
			}
		}
	}
	defer func() {
		if err := w.Close(context.Background(), nil); err != nil {
			t.Error(err)
		}
	}()
	setup := &rules.Setup{Site: `test "kitchen"`,
		Probes:   []rules.ProbeSetup{{Name: "air"}, {Name: "core", Condition: condition.Settings{Calibration: condition.Through(condition.Point{Read: 0, True: 500})}}},
		Stations: []rules.StationSetup{{Name: "warmer", Air: 0, Food: []int{1}}}}
	var text bytes.Buffer
	left, err := OpenMetrics(t.Context(), &text, l, setup, time.Time{}, time.Time{})
	if err != nil || left != 2 {
		t.Fatalf("%d left, %v; want the two readings of one sweep", left, err)
	}
	file, blocks := filepath.Join(t.TempDir(), "readings.om"), t.TempDir()
	if err := os.WriteFile(file, text.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command(tool, "tsdb", "create-blocks-from", "openmetrics", file, blocks).CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	// The tool that dumps wants the folder that a server would have made.
	if err := os.Mkdir(filepath.Join(blocks, "wal"), 0o700); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(tool, "tsdb", "dump", blocks).Output()
	if err != nil {
		t.Fatal(err)
	}
	lines := 0
	for line := range strings.Lines(string(out)) {
		lines++
		series, rest, _ := strings.Cut(strings.TrimSpace(line), "} ")
		value, at, _ := strings.Cut(rest, " ")
		key := series + "} " + at
		if w, ok := want[key]; !ok || w != value {
			t.Fatalf("%s is %s, want %q", key, value, w)
		}
		delete(want, key)
	}
	if len(want) > 0 || lines != 4*(sweeps-1)-sweeps/100*3 {
		t.Errorf("%d samples are missing of %d", len(want), lines)
	}
}
