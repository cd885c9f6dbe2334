package daemon

import (
	"context"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"holdbell/publish/metrics"
	"holdbell/rules"
	"holdbell/sensor"
)

// dashboardQueries are the expressions of the shipped dashboard, by panel or annotation.
func dashboardQueries(t *testing.T) map[string]string {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "..", "..", "configs", "grafana", "holdbell.json"))
	if err != nil {
		t.Fatal(err)
	}
	var d struct {
		Panels []struct {
			Title   string
			Targets []struct{ Expr string }
		}
		Annotations struct{ List []struct{ Name, Expr string } }
	}
	if err := json.Unmarshal(data, &d); err != nil {
		t.Fatal(err)
	}
	all := map[string]string{}
	fill := strings.NewReplacer("$instance", ".*", "$station", ".*")
	for _, p := range d.Panels {
		for i, q := range p.Targets {
			all[fmt.Sprintf("%s, query %d", p.Title, i)] = fill.Replace(q.Expr)
		}
	}
	for _, a := range d.Annotations.List {
		all["annotation "+a.Name] = fill.Replace(a.Expr)
	}
	if len(all) < 12 {
		t.Fatalf("the dashboard has %d queries only", len(all))
	}
	return all
}

// busyKitchen has something of everything that the dashboard shows, and a fault more with every scrape.
func busyKitchen(now time.Time, scrapes uint64) *rules.State {
	at := sensor.Instant{Wall: now, Mono: time.Hour, Believed: true}
	good := sensor.Reading{Temp: 65_500}
	return &rules.State{Site: "demo-kitchen", At: at, Seq: 12 + scrapes, Sweeps: 30 + scrapes,
		Probes: []rules.ProbeState{
			{Name: "warmer-air", Station: "warmer", Role: "air", Raw: good, Reading: good, LastValid: at, Valid: 30},
			{Name: "warmer-core", Station: "warmer", Role: "food", Raw: good, Reading: good, LastValid: at, Valid: 30},
			{Name: "rear", Station: "warmer", Role: "food", Reading: sensor.Bad(sensor.Open), Faults: [sensor.NumFaults]uint64{sensor.Open: 20 + scrapes}}},
		Stations: []rules.StationState{{Name: "warmer", Purpose: rules.HotHolding, Armed: true, LimitAhead: new(20 * time.Minute)}},
		Lots:     []rules.LotState{{Lot: "brisket", Station: "warmer", Verdict: rules.Act, DangerZone: 90 * time.Minute, DangerLimit: 4 * time.Hour}},
		Alarms:   []rules.AlarmState{{Alarm: rules.BelowHotLimit, Station: "warmer", Lot: "brisket", Priority: rules.Critical, Status: rules.Unacknowledged, Active: true}},
	}
}

// Every query of the shipped dashboard answers in a real Prometheus that scrapes the daemon's own metrics.
func TestDashboardInAPrometheus(t *testing.T) {
	server, err := exec.LookPath("prometheus")
	if err != nil {
		if os.Getenv("HOLDBELL_REQUIRE") == "1" {
			t.Fatal("the program prometheus is missing; install Debian's package prometheus")
		}
		t.Skip("the program prometheus is missing; install Debian's package prometheus")
	}
	m := metrics.New(metrics.Options{Version: "test", Pending: func() map[string]uint64 { return map[string]uint64{"mqtt": 3} }})
	var count atomic.Uint64
	board := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		scrapes := count.Add(1)
		m.ObserveSweep(time.Millisecond)
		now := time.Now()
		m.Show(busyKitchen(now, scrapes))
		_ = m.Deliver(r.Context(), "l", rules.Event{Seq: scrapes, Kind: rules.MarkTaken, Station: "warmer", At: sensor.Instant{Wall: now, Believed: true}})
		m.Handler().ServeHTTP(w, r)
	}))
	defer board.Close()

	dir := t.TempDir()
	config := fmt.Sprintf("global: { scrape_interval: 1s }\nscrape_configs: [ { job_name: holdbell, static_configs: [ { targets: [%q] } ] } ]\n", board.Listener.Addr().String())
	file := filepath.Join(dir, "prometheus.yml")
	if err := os.WriteFile(file, []byte(config), 0o600); err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	at := l.Addr().String()
	l.Close()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	run := exec.CommandContext(ctx, server, "--config.file="+file, "--storage.tsdb.path="+filepath.Join(dir, "tsdb"), "--web.listen-address="+at, "--log.level=error")
	if err := run.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() { cancel(); _ = run.Wait() }()

	waiting := dashboardQueries(t)
	tick := time.NewTicker(200 * time.Millisecond)
	defer tick.Stop()
	for len(waiting) > 0 {
		for name, expr := range waiting {
			if answers(ctx, t, at, expr) {
				delete(waiting, name)
			}
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			for name, expr := range waiting {
				t.Errorf("%s never answers: %s", name, expr)
			}
			return
		}
	}
}

// answers asks a Prometheus, and reports whether it gave any series. A query that it refuses fails the test.
func answers(ctx context.Context, t *testing.T, at, expr string) bool {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+at+"/api/v1/query?query="+url.QueryEscape(expr), nil)
	if err != nil {
		t.Fatal(err)
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return false // it is still starting
	}
	defer res.Body.Close()
	var a struct {
		Status, Error string
		Data          struct{ Result []json.RawMessage }
	}
	if err := json.NewDecoder(res.Body).Decode(&a); err != nil {
		return false
	}
	if a.Status == "error" && res.StatusCode == http.StatusBadRequest {
		t.Fatalf("%s: %s", expr, a.Error)
	}
	return len(a.Data.Result) > 0
}
