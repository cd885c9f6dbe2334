package main

import (
	"encoding/json"
	"fmt"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"holdbell/publish/page"
	"holdbell/rules"
	"holdbell/sensor"
)

// A reading is steady after half a minute that neither spreads nor slopes.
func TestSteadiness(t *testing.T) {
	feed := func(n int, each time.Duration, f func(i int) sensor.Temp) (sensor.Temp, bool) {
		var s steadiness
		for i := range n {
			s.add(look{time.Duration(i) * each, f(i), f(i) + 100})
		}
		read, raw, ok := s.steady()
		if ok && raw != read+100 {
			t.Errorf("raw %d beside %d", raw, read)
		}
		return read, ok
	}
	for _, c := range []struct {
		name string
		n    int
		each time.Duration
		f    func(i int) sensor.Temp
		read sensor.Temp
		ok   bool
	}{
		{"still", 31, time.Second, func(int) sensor.Temp { return 250 }, 250, true},
		{"too short", 30, time.Second, func(int) sensor.Temp { return 250 }, 0, false},
		{"too few", 7, 5 * time.Second, func(int) sensor.Temp { return 250 }, 0, false},
		{"steps of a chip to and fro", 60, time.Second, func(i int) sensor.Temp { return sensor.Temp(i%2) * 250 }, 120, true},
		{"a hundredth a second", 60, time.Second, func(i int) sensor.Temp { return sensor.Temp(i) * 11 }, 0, false},
		{"a spike", 60, time.Second, func(i int) sensor.Temp { return sensor.Temp(i/45%2) * 601 * sensor.Temp(i%2) }, 0, false},
		{"came to rest", 90, time.Second, func(i int) sensor.Temp { return sensor.Temp(max(50-i, 0)) * 1000 }, 0, true},
	} {
		read, ok := feed(c.n, c.each, c.f)
		if ok != c.ok || ok && (read < c.read-10 || read > c.read+10) {
			t.Errorf("%s: %d, %v", c.name, read, ok)
		}
	}
	var s steadiness
	for i := range 31 {
		s.add(look{at: time.Duration(i) * time.Second})
	}
	s.add(look{at: 0}) // another boot
	if _, _, ok := s.steady(); ok || len(s) != 1 {
		t.Errorf("a clock that went back: %d looks, %v", len(s), ok)
	}
}

// What is proposed is read back by the configuration's own parser and makes the probe read right where it was
// checked, in either unit, with one point and with two.
func TestProposal(t *testing.T) {
	today := time.Date(2026, 5, 2, 12, 0, 0, 0, time.UTC)
	rapid.Check(t, func(rt *rapid.T) {
		units := rapid.SampledFrom([]rules.Units{rules.Celsius, rules.Fahrenheit}).Draw(rt, "units")
		temp := func(label string, low, high int) sensor.Temp {
			return sensor.Temp(rapid.IntRange(low, high).Draw(rt, label))
		}
		first, second := temp("first", -30_000, 250_000), temp("second", -30_000, 250_000)
		raw1, raw2 := first+temp("off first", -9000, 9000), second+temp("off second", -9000, 9000)
		old := raw1.Celsius()
		st := running{Units: units, Probes: map[string]page.ProbeReport{"core": {Calibration: &rules.CalibrationReport{
			At: rules.Stamp{At: sensor.Instant{Wall: today.Add(-24 * time.Hour)}}, Reference: rules.RefReference, True: first.Celsius(), Raw: &old}}}}
		c := calibration{probe: "core", by: "R. Oduya", ref: rules.RefBoiling, truth: second, st: st}
		said := c.proposal(raw2, today)
		cfg := mustConfig(t, units, "calibration: "+stanzaIn("\n"+said))
		check := cfg.Probes[0].Check
		if !check.Date.Equal(today.Truncate(24*time.Hour)) || check.By != "R. Oduya" || !strings.HasSuffix(check.Reference, "boiling") {
			rt.Fatalf("%+v", check)
		}
		if two := strings.Contains(said, "with the check of 2026-05-01"); two != (len(check.Points) == 2) || two && max(first-second, second-first) < 19_900 {
			rt.Fatalf("%s", said)
		}
		set, err := cfg.Setup()
		if err != nil {
			rt.Fatal(err)
		}
		at := map[sensor.Temp]sensor.Temp{raw2: second}
		if len(check.Points) == 2 {
			at[raw1] = first
		}
		for raw, truth := range at {
			if got, ok := set.Probes[0].Condition.Calibration.Correct(raw); !ok || max(got-truth, truth-got) > 12 {
				rt.Fatalf("%d is corrected to %d, not %d: %s", raw, got, truth, said)
			}
		}
	})
	// Worked by hand.
	raw := 0.31
	ice := &rules.CalibrationReport{At: rules.Stamp{At: sensor.Instant{Wall: time.Date(2026, 5, 1, 9, 0, 0, 0, time.UTC)}}, Reference: rules.RefIce, Raw: &raw}
	c := calibration{probe: "core", ref: rules.RefBoiling, truth: 94_910, st: running{Units: rules.Fahrenheit, Probes: map[string]page.ProbeReport{"core": {Calibration: ice}}}}
	if got, want := c.proposal(95_460, today), `calibration: { date: 2026-05-02, reference: "ice and boiling", points: [ { read: 32.56F, true: 32.00F }, { read: 203.83F, true: 202.84F } ] }`; !strings.HasSuffix(got, want) {
		t.Errorf("%s\nwant %s", got, want)
	}
	c.ref, c.truth = rules.RefIce, 0 // twice at the same: no line through both
	if got := c.proposal(310, today); !strings.HasSuffix(got, `reference: "ice", points: [ { read: 32.56F, true: 32.00F } ] }`) {
		t.Error(got)
	}
}

// The verb against the demo: a probe that reads right passes, one beside a reference that says otherwise fails,
// and the running daemon keeps both.
func TestCalibrateDemo(t *testing.T) {
	dir := shortDir(t)
	socket, record := filepath.Join(dir, "s"), filepath.Join(dir, "l.db")
	p := start(t, "holdbell", "demo", "--speed", "15", "--socket", socket, "--ledger", record)
	p.until("page http")
	client := page.NewClient(socket)
	var st running
	eventually(t, "a reading", func() bool {
		raw, err := client.State(t.Context())
		return err == nil && json.Unmarshal(raw, &st) == nil && st.Probes["warmer-core"].Celsius != nil
	})
	calibrate := func(args ...string) (string, int) {
		cmd := exec.Command("holdbell", append([]string{"calibrate", "warmer-core", "--socket", socket, "--wait", "50s", "--by", "R. Oduya"}, args...)...)
		// The end of the input would be somebody who walked away.
		cmd.Stdin = strings.NewReader("\n\n\n")
		out, _ := cmd.CombinedOutput()
		return string(out), cmd.ProcessState.ExitCode()
	}
	here := *st.Probes["warmer-core"].Celsius
	out, code := calibrate("--in-place", "--reference", fmt.Sprintf("%.2fC", here))
	if code != exitOK || !strings.Contains(out, "it passes (±2 °F") {
		t.Fatalf("ended with %d:\n%s", code, out)
	}
	out, code = calibrate("--in-place", "--reference", fmt.Sprintf("%.2fC", here+3))
	if code != exitSilentProbe || !strings.Contains(out, "too low: it fails") || !strings.Contains(out, "calibration: { date: ") {
		t.Fatalf("ended with %d:\n%s", code, out)
	}
	raw, err := client.State(t.Context())
	if err != nil || json.Unmarshal(raw, &st) != nil {
		t.Fatal(err)
	}
	if got := st.Probes["warmer-core"].Calibration; got == nil || got.Pass || got.By != "R. Oduya" || got.Error > -2 || got.Error < -4 {
		t.Errorf("the daemon keeps %+v", got)
	}
	table, err := exec.Command("holdbell", "records", "--calibrations", "--ledger", record).CombinedOutput()
	if lines := strings.Split(strings.TrimSpace(string(table)), "\n"); err != nil || len(lines) != 3 ||
		!strings.Contains(lines[1], "passes  R. Oduya") || !strings.Contains(lines[2], "FAILS") || !strings.HasPrefix(lines[2], "warmer-core  2026-05-02  reference") {
		t.Errorf("%v:\n%s", err, table)
	}
	// Nowhere near ice: it is not in it.
	if out, code := calibrate("--ice", "--wait", "12s"); code != exitSilentProbe || !strings.Contains(out, "Nothing was recorded") {
		t.Errorf("ended with %d:\n%s", code, out)
	}
}
