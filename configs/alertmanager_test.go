package configs

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"maps"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// needed gives the path of a program of Debian's prometheus-alertmanager, or skips; with HOLDBELL_REQUIRE=1 its absence
// fails.
func needed(t *testing.T, program string) string {
	t.Helper()
	path, err := exec.LookPath(program)
	switch {
	case err == nil:
		return path
	case os.Getenv("HOLDBELL_REQUIRE") == "1":
		t.Fatalf("%s is missing (apt-get install prometheus-alertmanager)", program)
	}
	t.Skipf("%s is not installed: the routes were not tried (apt-get install prometheus-alertmanager)", program)
	return ""
}

// allAlerts are the names and severities of every alert that is shipped.
func allAlerts(t *testing.T) map[string]string {
	t.Helper()
	severities := map[string]string{}
	for _, file := range ruleFiles() {
		_, alerts := readRules(t, file)
		for _, a := range alerts {
			severities[a.Alert] = a.Labels["severity"]
		}
	}
	return severities
}

// Every shipped alert goes to whom its severity says, and no route or inhibition names one that is not shipped.
func TestRoutes(t *testing.T) {
	tool := needed(t, "amtool")
	run(t, "alertmanager", tool, "check-config", "holdbell.yml")
	receivers := map[string]string{"critical": "on-call", "warning": "office", "advice": "morning", "none": "outside-monitor"}
	for alert, severity := range allAlerts(t) {
		out := run(t, "alertmanager", tool, "config", "routes", "test", "--config.file=holdbell.yml", "alertname="+alert, "severity="+severity, "site=demo-kitchen")
		if lines := strings.Fields(out); len(lines) == 0 || lines[len(lines)-1] != receivers[severity] {
			t.Errorf("%s, %s, goes to %s", alert, severity, out)
		}
	}
	text, err := os.ReadFile("alertmanager/holdbell.yml")
	if err != nil {
		t.Fatal(err)
	}
	named := 0
	for _, quoted := range strings.Split(string(text), `"`) {
		for name := range strings.SplitSeq(quoted, "|") {
			if strings.HasPrefix(name, "Holdbell") {
				named++
				if allAlerts(t)[name] == "" {
					t.Errorf("%s is no shipped alert", name)
				}
			}
		}
	}
	if named < 10 {
		t.Errorf("only %d alerts are named", named)
	}
}

// What is held back, in a real Alertmanager.
func TestHeldBack(t *testing.T) {
	server := needed(t, "prometheus-alertmanager")
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := l.Addr().String()
	l.Close()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, server, "--config.file=alertmanager/holdbell.yml", "--storage.path="+filepath.Join(t.TempDir(), "am"),
		"--web.listen-address="+address, "--cluster.listen-address=", "--log.level=error")
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() { cancel(); _ = cmd.Wait() }()

	type labels map[string]string
	alert := func(name string, more labels) map[string]any {
		all := labels{"alertname": name, "severity": allAlerts(t)[name]}
		maps.Copy(all, more)
		return map[string]any{"labels": all, "endsAt": time.Now().Add(time.Hour).Format(time.RFC3339)}
	}
	cove, dune := labels{"site": "cove", "instance": "cove"}, labels{"site": "dune", "instance": "dune"}
	lot := labels{"site": "dune", "instance": "dune", "station": "warmer", "lot": "brisket"}
	other := labels{"site": "dune", "instance": "dune", "station": "warmer", "lot": "ribs"}
	body, err := json.Marshal([]any{
		alert("HoldbellSiteSilent", cove), alert("HoldbellAlarm", cove), alert("HoldbellAlarmWarning", cove), alert("HoldbellSweepSlow", cove),
		alert("HoldbellAlarm", dune), alert("HoldbellDiscard", lot), alert("HoldbellAct", lot), alert("HoldbellDangerTime", lot), alert("HoldbellAct", other),
		alert("HoldbellSiteProbesDown", dune), alert("HoldbellProbeDown", dune), alert("HoldbellDeadMansSwitch", labels{}),
	})
	if err != nil {
		t.Fatal(err)
	}
	post := func() bool {
		res, err := http.Post("http://"+address+"/api/v2/alerts", "application/json", bytes.NewReader(body))
		if err != nil {
			return false
		}
		defer res.Body.Close()
		_, _ = io.Copy(io.Discard, res.Body)
		return res.StatusCode == http.StatusOK
	}
	heard := func() (names []string) {
		res, err := http.Get("http://" + address + "/api/v2/alerts?active=true&inhibited=false&silenced=false")
		if err != nil {
			return nil
		}
		defer res.Body.Close()
		var alerts []struct{ Labels labels }
		if json.NewDecoder(res.Body).Decode(&alerts) != nil {
			return nil
		}
		for _, a := range alerts {
			names = append(names, strings.TrimRight(a.Labels["site"]+" "+a.Labels["alertname"]+" "+a.Labels["lot"], " "))
		}
		slices.Sort(names)
		return names
	}
	want := []string{" HoldbellDeadMansSwitch", "cove HoldbellSiteSilent", "dune HoldbellAct ribs", "dune HoldbellAlarm", "dune HoldbellDiscard brisket", "dune HoldbellSiteProbesDown"}
	tick := time.NewTicker(200 * time.Millisecond)
	defer tick.Stop()
	posted := false
	for {
		posted = posted || post()
		got := heard()
		if posted && slices.Equal(got, want) {
			return
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			t.Fatalf("heard are %q, want %q", got, want)
		}
	}
}
