package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"holdbell/rules"
)

// patience is how long a test waits for another process before it gives up.
const patience = 3 * time.Minute

// process is another program at work, and what it printed.
type process struct {
	t    *testing.T
	cmd  *exec.Cmd
	mu   sync.Mutex
	said []string
	more chan struct{}
	done chan struct{}
}

// start runs a program; it is killed when the test ends.
func start(t *testing.T, name string, args ...string) *process {
	t.Helper()
	p := &process{t: t, cmd: exec.Command(name, args...), more: make(chan struct{}, 1), done: make(chan struct{})}
	out, in, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	p.cmd.Stdout, p.cmd.Stderr = in, in
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	in.Close()
	go func() {
		defer close(p.done)
		defer out.Close()
		for lines := bufio.NewScanner(out); lines.Scan(); {
			p.mu.Lock()
			p.said = append(p.said, lines.Text())
			p.mu.Unlock()
			select {
			case p.more <- struct{}{}:
			default:
			}
		}
	}()
	t.Cleanup(func() {
		_ = p.cmd.Process.Kill()
		_ = p.cmd.Wait()
		if t.Failed() {
			t.Logf("%s said:\n%s", name, strings.Join(p.lines(), "\n"))
		}
	})
	return p
}

func (p *process) lines() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return append([]string(nil), p.said...)
}

// until waits for a line with text and gives it.
func (p *process) until(text string) string {
	p.t.Helper()
	deadline := time.After(patience)
	for {
		for _, l := range p.lines() {
			if strings.Contains(l, text) {
				return l
			}
		}
		select {
		case <-p.more:
		case <-p.done:
			for _, l := range p.lines() {
				if strings.Contains(l, text) {
					return l
				}
			}
			p.t.Fatalf("%s ended without saying %q", p.cmd.Path, text)
		case <-deadline:
			p.t.Fatalf("%s did not say %q in time", p.cmd.Path, text)
		}
	}
}

// end sends a signal and gives the exit status, -1 for one who died of it.
func (p *process) end(sig syscall.Signal) int {
	p.t.Helper()
	if err := p.cmd.Process.Signal(sig); err != nil {
		p.t.Fatal(err)
	}
	<-p.done
	_ = p.cmd.Wait()
	return p.cmd.ProcessState.ExitCode()
}

// eventually looks again and again at what nobody announces.
func eventually(t *testing.T, what string, holds func() bool) {
	t.Helper()
	look := time.NewTicker(50 * time.Millisecond)
	defer look.Stop()
	deadline := time.After(patience)
	for !holds() {
		select {
		case <-look.C:
		case <-deadline:
			t.Fatalf("not in time: %s", what)
		}
	}
}

// get fetches a page; nil while there is none.
func get(url string) []byte {
	resp, err := http.Get(url)
	if err != nil {
		return nil
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode != http.StatusOK {
		return nil
	}
	return body
}

// watched is what GET /state says of the warmer's lot and the alarms.
type watched struct {
	Site      string  `json:"site"`
	At        string  `json:"at"`
	Monotonic float64 `json:"monotonic_seconds"`
	Seq       uint64  `json:"seq"`
	Sweeps    uint64  `json:"sweeps"`
	Lots      []struct {
		Lot        string        `json:"lot"`
		Verdict    rules.Verdict `json:"verdict"`
		DangerZone float64       `json:"danger_zone_seconds"`
	} `json:"lots"`
	Alarms []struct {
		Seq     uint64          `json:"seq"`
		Alarm   rules.AlarmName `json:"alarm"`
		Station string          `json:"station"`
		Lot     string          `json:"lot"`
		Probe   string          `json:"probe"`
		Active  bool            `json:"active"`
	} `json:"alarms"`
	Probes map[string]struct {
		Fault *string `json:"fault"`
	} `json:"probes"`
}

func state(t *testing.T, page string) watched {
	t.Helper()
	var w watched
	eventually(t, "the state of "+page, func() bool {
		return json.Unmarshal(get(page+"state"), &w) == nil && w.At != ""
	})
	return w
}

func (w *watched) danger(lot string) float64 {
	for _, l := range w.Lots {
		if l.Lot == lot {
			return l.DangerZone
		}
	}
	return -1
}

func (w *watched) rings(lot string) (seq uint64) {
	for _, a := range w.Alarms {
		if a.Alarm == rules.BelowHotLimit && a.Lot == lot && a.Active {
			return a.Seq
		}
	}
	return 0
}

// shortDir is a folder whose path leaves room for a socket's name.
func shortDir(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "hb")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}

// freePort is a port of the loopback that nobody has.
func freePort(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	_, port, err := net.SplitHostPort(l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	return port
}

// TestKilledDemoGoesOn: kill -9 in the middle of the alarm, and a restart on the same record, lose no
// alarm and no mark, and the danger clock carries on.
func TestKilledDemoGoesOn(t *testing.T) {
	dir := shortDir(t)
	socket := filepath.Join(dir, "s")
	demo := func() (*process, string) {
		p := start(t, "holdbell", "demo", "--speed", "1500", "--ledger", filepath.Join(dir, "l.db"), "--socket", socket)
		return p, strings.TrimPrefix(p.until("page http"), "page ")
	}
	p, page := demo()
	p.until("ALARM critical    warmer")
	marked := start(t, "holdbell", "mark", "note", "--station", "warmer", "--note", "I am on it", "--by", "A", "--id", "n1", "--socket", socket)
	marked.until("Noted")
	before := state(t, page)
	if got := p.end(syscall.SIGKILL); got != -1 {
		t.Fatalf("kill -9 ended it with %d", got)
	}

	p, page = demo()
	var after watched
	eventually(t, "the danger clock goes on", func() bool {
		after = state(t, page)
		return after.danger("warmer") > before.danger("warmer")+60
	})
	if got, want := after.rings("warmer"), before.rings("warmer"); got != want || want == 0 {
		t.Errorf("the alarm of event %d is now that of event %d", want, got)
	}
	if after.Seq < before.Seq {
		t.Errorf("%d events became %d", before.Seq, after.Seq)
	}
	again := start(t, "holdbell", "mark", "note", "--station", "warmer", "--note", "I am on it", "--by", "A", "--id", "n1", "--socket", socket)
	again.until("already recorded")
	if got := p.end(syscall.SIGTERM); got != exitOK {
		t.Errorf("SIGTERM ended it with %d", got)
	}
}

// TestPrometheusScrapesTheDemo asks Debian's prometheus what it took from the running demo.
func TestPrometheusScrapesTheDemo(t *testing.T) {
	prometheus := need(t, "prometheus")
	dir := t.TempDir()
	p := start(t, "holdbell", "demo", "--speed", "1500")
	target := strings.TrimSuffix(strings.TrimPrefix(p.until("page http"), "page http://"), "/")
	config := filepath.Join(dir, "prometheus.yml")
	text := fmt.Sprintf("global: { scrape_interval: 1s }\nscrape_configs:\n  - job_name: holdbell\n    static_configs: [ { targets: [ %q ] } ]\n", target)
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	port := freePort(t)
	start(t, prometheus, "--config.file="+config, "--storage.tsdb.path="+filepath.Join(dir, "data"), "--web.listen-address=127.0.0.1:"+port)
	ask := func(query string) string {
		return string(get("http://127.0.0.1:" + port + "/api/v1/query?query=" + query))
	}
	eventually(t, "prometheus has the probes", func() bool {
		return strings.Contains(ask(`holdbell_probe_temperature_celsius`), `"warmer-core"`)
	})
	eventually(t, "prometheus has the alarm", func() bool {
		return strings.Contains(ask(`holdbell_alarm_active{alarm="below-hot-limit"}==1`), `"lot":"warmer"`)
	})
	eventually(t, "prometheus has the verdict", func() bool {
		return strings.Contains(ask(`holdbell_lot_verdict{lot="warmer",verdict="act"}==1`), `"lot":"warmer"`)
	})
}

// TestRunWithMosquitto runs the daemon itself on a board without probes: the broker comes up late, the
// configuration changes twice, once for the worse, and SIGTERM ends it.
func TestRunWithMosquitto(t *testing.T) {
	mosquitto, sub := need(t, "mosquitto"), need(t, "mosquitto_sub")
	dir := shortDir(t)
	port, config := freePort(t), filepath.Join(dir, "kitchen.yaml")
	write := func(site, tail string) {
		text := fmt.Sprintf(`site: %s
rules: { food_code: us-fda-2022 }
probes:
  - { name: air, chip: max31855, bus: SPI0.0, type: K, offset: 0C }
stations:
  - { name: warmer, purpose: hot-holding, air: air }
publish:
  http: { listen: "127.0.0.1:0" }
  mqtt: { broker: "tcp://127.0.0.1:%s" }
ledger: { path: %s }
%s`, site, port, filepath.Join(dir, "ledger.db"), tail)
		if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write("first", "")
	p := start(t, "holdbell", "run", "--config", config, "--socket", filepath.Join(dir, "s"))
	p.until("what=page")

	broker := filepath.Join(dir, "mosquitto.conf")
	if err := os.WriteFile(broker, []byte("listener "+port+" 127.0.0.1\nallow_anonymous true\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	start(t, mosquitto, "-c", broker).until("running")
	listen := start(t, sub, "-p", port, "-t", "holdbell/#", "-v")
	listen.until("holdbell/first/status online")
	listen.until("holdbell/first/probe/air {")
	listen.until(`holdbell/first/alarm/warmer/probe-fault/air {`)

	write("second", "nonsense: true\n")
	hup(t, p)
	p.until("nonsense")
	write("second", "")
	hup(t, p)
	listen.until("holdbell/second/status online")
	listen.until("holdbell/first/status offline")
	if got := p.end(syscall.SIGTERM); got != exitOK {
		t.Errorf("SIGTERM ended it with %d", got)
	}
	listen.until("holdbell/second/status offline")
}

func hup(t *testing.T, p *process) {
	t.Helper()
	if err := p.cmd.Process.Signal(syscall.SIGHUP); err != nil {
		t.Fatal(err)
	}
}
