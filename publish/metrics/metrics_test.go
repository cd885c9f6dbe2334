package metrics_test

import (
	"bytes"
	"flag"
	"fmt"
	"net/http/httptest"
	"os"
	"os/exec"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"holdbell/publish"
	"holdbell/publish/metrics"
	"holdbell/rules"
	"holdbell/sensor"
)

var update = flag.Bool("update", false, "write the golden files anew")

var _ publish.Publisher = (*metrics.Metrics)(nil)

func at(s int) sensor.Instant {
	return sensor.Instant{Wall: time.Date(2026, 3, 1, 12, 0, s, 0, time.UTC), Mono: time.Duration(s) * time.Second, Believed: true}
}

// state is a kitchen with a good probe, a faulty one, two alarms and lots of each verdict.
func state() *rules.State {
	good := sensor.Reading{Temp: 65_500}
	return &rules.State{Site: "test", At: at(30), Seq: 12,
		Probes: []rules.ProbeState{
			{Name: "warmer-air", Station: "warmer", Role: "air", Raw: good, Reading: good, LastValid: at(30), Valid: 30},
			{Name: "warmer-core", Station: "warmer", Role: "food", Reading: sensor.Bad(sensor.Open), LastValid: at(10), Valid: 10,
				Faults: [sensor.NumFaults]uint64{sensor.Open: 20}},
		},
		Stations: []rules.StationState{
			{Name: "warmer", LimitAhead: new(20 * time.Minute), Band: &rules.Band{Low: 60_000, High: 74_000}, DoorOpen: at(20), Recovery: new(4 * time.Minute),
				Kept:      &rules.AirFigures{Known: 90 * time.Minute, Unknown: 6 * time.Minute, InBand: 80 * time.Minute, BelowBand: 8 * time.Minute, AboveBand: 2 * time.Minute, Mean: 65_600, Spread: 1_250},
				Reminders: []rules.ReminderState{{Say: "turn", Due: true}, {Say: "look"}}},
			{Name: "pit"}, {Name: "walkin", AirTemp: new(sensor.Temp(3_000)), Kept: &rules.AirFigures{Unknown: time.Minute}},
		},
		Lots: []rules.LotState{
			{Lot: "brisket \"2\"", Station: "warmer", Verdict: rules.Act, DangerZone: 90 * time.Minute, DangerLimit: 4 * time.Hour},
			{Lot: "gone", Station: "warmer", Verdict: rules.Discard, Ended: true},
		},
		Alarms: []rules.AlarmState{
			{Alarm: rules.ProbeFault, Station: "warmer", Probe: "warmer-core", Priority: rules.Critical, Active: true},
			{Alarm: rules.BelowHotLimit, Station: "warmer", Lot: "brisket \"2\"", Priority: rules.Critical, Status: rules.Returned},
		},
	}
}

// A dashboard points at the newest mark of a station that is still there.
func TestMarks(t *testing.T) {
	m := metrics.New(metrics.Options{})
	m.Show(state())
	for i, ev := range []rules.Event{
		{Kind: rules.MarkTaken, Station: "warmer", At: at(1)}, {Kind: rules.MarkTaken, Station: "warmer", At: at(5)},
		{Kind: rules.AlarmRaised, Station: "warmer", At: at(9)}, {Kind: rules.MarkTaken, Station: "gone", At: at(6)},
		{Kind: rules.MarkTaken, At: at(7)}, {Kind: rules.MarkTaken, Station: "pit", At: sensor.Instant{Mono: time.Second}},
	} {
		ev.Seq = uint64(i + 1)
		if err := m.Deliver(t.Context(), "l", ev); err != nil {
			t.Fatal(err)
		}
	}
	var got []string
	for line := range strings.Lines(scrape(m)) {
		if strings.HasPrefix(line, "holdbell_mark_last") {
			got = append(got, strings.TrimSpace(line))
		}
	}
	want := []string{`holdbell_mark_last_timestamp_seconds{station=""} 1.772366407e+09`, `holdbell_mark_last_timestamp_seconds{station="warmer"} 1.772366405e+09`}
	if !slices.Equal(got, want) {
		t.Errorf("the marks are %q, want %q", got, want)
	}
}

func scrape(m *metrics.Metrics) string {
	w := httptest.NewRecorder()
	m.Handler().ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
	return w.Body.String()
}

// ours keeps the families of this daemon, without what differs from build to build.
func ours(text string) string {
	var b strings.Builder
	for _, line := range strings.SplitAfter(text, "\n") {
		if strings.Contains(line, "holdbell_") {
			b.WriteString(line)
		}
	}
	return regexp.MustCompile(`goversion="[^"]*"`).ReplaceAllString(b.String(), `goversion="GO"`)
}

func TestGolden(t *testing.T) {
	m := metrics.New(metrics.Options{Version: "1.0.0", Commit: "abc", Pending: func() map[string]uint64 { return map[string]uint64{"mqtt": 3} },
		Heartbeat: func() sensor.Instant { return at(20) }, Config: func() publish.Config { return publish.Config{Hash: "0123456789abcdef"} },
		RemoteWrite: func() *metrics.RemoteWrite {
			return &metrics.RemoteWrite{Results: map[string]uint64{"sent": 900, "too_old": 40, "refused": 1, "undated": 2, "gone": 0}, Backlog: 90 * time.Second, LastSuccess: at(25), Apart: new(-365 * 24 * time.Hour), Failing: true}
		},
		MQTT: func() *metrics.MQTT {
			return &metrics.MQTT{Troubles: map[string]bool{"unreachable": false, "broker-certificate": true}, BrokerEnds: time.Date(2026, 2, 1, 0, 0, 0, 0, time.UTC)}
		},
		Record: func() metrics.Record {
			return metrics.Record{Bytes: 52e6, Free: 9e9, ThinnedUntil: time.Date(2026, 4, 18, 0, 0, 0, 0, time.UTC), Dropped: 60}
		}})
	m.ObserveSweep(700 * time.Microsecond)
	m.Show(state())
	got := ours(scrape(m))
	const file = "testdata/metrics.golden"
	if *update {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("the metrics are\n%s\nwant\n%s", got, want)
	}
}

// The base is a label where there is one.
func TestConfig(t *testing.T) {
	for _, c := range []struct {
		config publish.Config
		want   string
	}{
		{publish.Config{}, ""}, {publish.Config{Hash: "ab"}, `holdbell_config_info{hash="ab"} 1`},
		{publish.Config{Hash: "ab", Base: "cd"}, `holdbell_config_info{base="cd",hash="ab"} 1`},
	} {
		text := ours(scrape(metrics.New(metrics.Options{Config: func() publish.Config { return c.config }})))
		if c.want == "" && strings.Contains(text, "config_info") || !strings.Contains(text, c.want) {
			t.Errorf("%+v is told as\n%s", c.config, text)
		}
	}
}

// The board's own supply is told only where its kernel says something.
func TestSupply(t *testing.T) {
	m := metrics.New(metrics.Options{})
	for supply, want := range map[rules.Supply]string{"": "", rules.SupplyIsFine: "holdbell_supply_undervoltage 0", rules.SupplyIsLow: "holdbell_supply_undervoltage 1"} {
		m.Show(&rules.State{Supply: supply})
		if text := scrape(m); want == "" && strings.Contains(text, "undervoltage") || !strings.Contains(text, want) {
			t.Errorf("supply %q is told as\n%s", supply, ours(text))
		}
	}
}

// A heartbeat that was never taken, or at a time that nobody knows, is absent.
func TestHeartbeat(t *testing.T) {
	for _, last := range []sensor.Instant{{}, {Wall: at(3).Wall, Mono: time.Second}} {
		m := metrics.New(metrics.Options{Heartbeat: func() sensor.Instant { return last }})
		if text := scrape(m); strings.Contains(text, "heartbeat") {
			t.Errorf("%+v is told as\n%s", last, ours(text))
		}
	}
}

// A probe that fails takes its temperature with it; it comes back with it.
func TestFaultyProbeIsAbsent(t *testing.T) {
	m := metrics.New(metrics.Options{})
	if strings.Contains(scrape(m), "probe_up") {
		t.Error("probes are told before there was a state")
	}
	st := state()
	m.Show(st)
	text := scrape(m)
	if strings.Contains(text, `temperature_celsius{probe="warmer-core"`) || !strings.Contains(text, `holdbell_probe_up{probe="warmer-core"} 0`) {
		t.Errorf("the open probe is told as\n%s", ours(text))
	}
	mended := state()
	mended.Probes[1].Reading = sensor.Reading{Temp: -1_250}
	m.Show(mended)
	if !strings.Contains(scrape(m), `holdbell_probe_temperature_celsius{probe="warmer-core",role="food",station="warmer"} -1.25`) {
		t.Error("the mended probe is not told")
	}
	if regexp.MustCompile(`(?m)(NaN|\} \S+ \d{10,})`).MatchString(scrape(m)) {
		t.Error("a NaN or a timestamp is exposed")
	}
}

// Eight probes with a lot each stay within the budget of a small board and its Prometheus.
func TestSeriesBudget(t *testing.T) {
	m := metrics.New(metrics.Options{})
	st := state()
	st.Probes, st.Lots = nil, nil
	for i := range 8 {
		p := rules.ProbeState{Name: fmt.Sprint("probe-", i), Reading: sensor.Reading{Temp: 60_000}, Valid: 1, LastValid: at(1)}
		p.Faults[sensor.Open] = 1
		st.Probes = append(st.Probes, p)
		st.Lots = append(st.Lots, rules.LotState{Lot: fmt.Sprint("lot-", i), Station: "warmer", Verdict: rules.OK, DangerLimit: time.Hour})
	}
	m.Show(st)
	n := 0
	for _, line := range strings.Split(scrape(m), "\n") {
		if line != "" && line[0] != '#' {
			n++
		}
	}
	if n == 0 || n >= 200 {
		t.Errorf("%d series, want under 200", n)
	}
	t.Logf("%d series", n)
}

func TestPromtool(t *testing.T) {
	tool, err := exec.LookPath("promtool")
	if err != nil {
		if os.Getenv("HOLDBELL_REQUIRE") != "" {
			t.Fatal("promtool is missing: install Debian's prometheus")
		}
		t.Skip("promtool is missing: install Debian's prometheus to check the metrics")
	}
	m := metrics.New(metrics.Options{Version: "1.0.0", Pending: func() map[string]uint64 { return map[string]uint64{"mqtt": 3} },
		Record: func() metrics.Record {
			return metrics.Record{Bytes: 52e6, Free: 9e9, ThinnedUntil: time.Date(2026, 4, 18, 0, 0, 0, 0, time.UTC), Dropped: 60}
		}})
	m.ObserveSweep(time.Millisecond)
	m.Show(state())
	cmd := exec.Command(tool, "check", "metrics")
	cmd.Stdin = strings.NewReader(scrape(m))
	var out bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &out
	if err := cmd.Run(); err != nil || out.Len() > 0 {
		t.Errorf("promtool says %v: %s", err, out.String())
	}
}

func BenchmarkScrape(b *testing.B) {
	m := metrics.New(metrics.Options{})
	m.Show(state())
	b.ReportAllocs()
	for b.Loop() {
		scrape(m)
	}
}
