package configs

import (
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
)

// metricNames are the metrics that the daemon promises to outsiders. A histogram is queried by its parts.
func metricNames() []string {
	return []string{
		"holdbell_probe_temperature_celsius", "holdbell_probe_up", "holdbell_probe_last_valid_timestamp_seconds",
		"holdbell_probe_faults_total", "holdbell_lot_danger_zone_seconds", "holdbell_lot_danger_zone_limit_seconds",
		"holdbell_lot_verdict", "holdbell_alarm_active", "holdbell_limit_ahead_seconds", "holdbell_events_total",
		"holdbell_deliveries_pending", "holdbell_build_info", "holdbell_mark_last_timestamp_seconds",
		"holdbell_heartbeat_last_success_timestamp_seconds", "holdbell_config_info", "holdbell_mqtt_trouble", "holdbell_mqtt_certificate_expiry_timestamp_seconds", "holdbell_remote_write_backlog_seconds", "holdbell_remote_write_samples_total", "holdbell_remote_write_clock_apart_seconds",
		"holdbell_sweep_duration_seconds_bucket", "holdbell_sweep_duration_seconds_count", "holdbell_sweep_duration_seconds_sum",
	}
}

// checkMetrics holds that an expression names promised metrics and recorded ones alone, and gives them.
func checkMetrics(t *testing.T, where, expr string) []string {
	t.Helper()
	named := regexp.MustCompile(`\b(\w+:)?holdbell_[a-z0-9_]+(:\w+)?`).FindAllString(expr, -1)
	for _, m := range named {
		if !slices.Contains(metricNames(), m) && !slices.Contains(recorded(t), m) {
			t.Errorf("%s asks for %s, which nobody promised", where, m)
		}
	}
	return named
}

// promtool gives the path of Debian's promtool, or skips; with HOLDBELL_REQUIRE=1 its absence fails.
func promtool(t *testing.T) string {
	t.Helper()
	path, err := exec.LookPath("promtool")
	switch {
	case err == nil:
		return path
	case os.Getenv("HOLDBELL_REQUIRE") == "1":
		t.Fatal("promtool is missing (apt-get install prometheus)")
	}
	t.Skip("promtool is not installed: the alert rules were not tried (apt-get install prometheus)")
	return ""
}

func run(t *testing.T, dir, program string, args ...string) string {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), program, args...)
	cmd.Dir = dir
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Errorf("%s %s: %v\n%s", filepath.Base(program), strings.Join(args, " "), err, out)
	}
	return string(out)
}

type alertRule struct {
	Record      string            `yaml:"record"`
	Alert       string            `yaml:"alert"`
	Expr        string            `yaml:"expr"`
	For         string            `yaml:"for"`
	Labels      map[string]string `yaml:"labels"`
	Annotations map[string]string `yaml:"annotations"`
}

// ruleFiles are the shipped files of rules without their ending: one kitchen's, and by site for many.
func ruleFiles() []string { return []string{"holdbell", "holdbell.fleet"} }

// readRules gives what a file of rules records, and what it alerts.
func readRules(t *testing.T, name string) (records, alerts []alertRule) {
	t.Helper()
	data, err := os.ReadFile("prometheus/" + name + ".rules.yml")
	if err != nil {
		t.Fatal(err)
	}
	var file struct {
		Groups []struct {
			Name  string      `yaml:"name"`
			Rules []alertRule `yaml:"rules"`
		} `yaml:"groups"`
	}
	if err := yaml.UnmarshalWithOptions(data, &file, yaml.Strict()); err != nil {
		t.Fatal(err)
	}
	for _, g := range file.Groups {
		for _, r := range g.Rules {
			if r.Record != "" {
				records = append(records, r)
			} else {
				alerts = append(alerts, r)
			}
		}
	}
	if len(alerts) < 4 {
		t.Fatalf("only %d alert rules in %s", len(alerts), name)
	}
	return records, alerts
}

// recorded are the names of what the shipped rules record.
func recorded(t *testing.T) (names []string) {
	t.Helper()
	for _, file := range ruleFiles() {
		records, _ := readRules(t, file)
		for _, r := range records {
			names = append(names, r.Record)
		}
	}
	if len(names) == 0 {
		t.Fatal("no rule records anything")
	}
	return names
}

func TestAlertRulesByPromtool(t *testing.T) {
	tool := promtool(t)
	for _, file := range ruleFiles() {
		run(t, "prometheus", tool, "check", "rules", file+".rules.yml")
		run(t, "prometheus", tool, "test", "rules", file+".rules.test.yml")
	}
	run(t, "prometheus", tool, "test", "rules", "holdbell.fleet.weeks.test.yml")
}

// TestAlertRules holds what promtool does not know: promised metrics only, a severity and a sentence each,
// a case in which each fires, and a rule on absence beside every metric that a rule looks at.
func TestAlertRules(t *testing.T) {
	asked := map[string]bool{}
	absence := ""
	for _, file := range ruleFiles() {
		records, alerts := readRules(t, file)
		checkAlerts(t, file, alerts)
		for _, r := range append(records, alerts...) {
			for _, m := range checkMetrics(t, r.Alert+r.Record, r.Expr) {
				asked[m] = true
			}
			if strings.Contains(r.Expr, "absent(") || strings.Contains(r.Expr, "unless") || strings.Contains(r.Expr, "holdbell_probe_up == 0") {
				absence += r.Expr + "\n"
			}
		}
	}
	for m, pair := range map[string]string{
		"holdbell_lot_verdict":                           `unless on \(job, instance\) group by \(job, instance\) \(holdbell_lot_verdict\)`,
		"holdbell_probe_last_valid_timestamp_seconds":    `absent\(holdbell_probe_up\)`,
		"holdbell_probe_up":                              `absent\(holdbell_probe_up\)`,
		"holdbell_deliveries_pending":                    `unless on \(job, instance\) group by \(job, instance\) \(holdbell_deliveries_pending\)`,
		"holdbell_sweep_duration_seconds_count":          `unless on \(job, instance\) holdbell_sweep_duration_seconds_count`,
		"holdbell_lot_danger_zone_seconds":               `holdbell_lot_verdict`,
		"holdbell_alarm_active":                          `absent\(up\{job="holdbell"\}\)`,
		"site:holdbell_last_heard_timestamp_seconds:max": `absent\(site:holdbell_last_heard_timestamp_seconds:max\)`,
	} {
		if !asked[m] {
			t.Errorf("no rule looks at %s", m)
		}
		if !regexp.MustCompile(pair).MatchString(absence) {
			t.Errorf("no rule notices that %s is gone", m)
		}
	}
}

// checkAlerts holds that each alert of a file has a severity and a sentence, fires in one case and in another does not.
func checkAlerts(t *testing.T, file string, alerts []alertRule) {
	t.Helper()
	var cases struct {
		Tests []struct {
			Alerts []struct {
				Name string `yaml:"alertname"`
				Exp  []any  `yaml:"exp_alerts"`
			} `yaml:"alert_rule_test"`
		} `yaml:"tests"`
	}
	data, err := os.ReadFile("prometheus/" + file + ".rules.test.yml")
	if err != nil {
		t.Fatal(err)
	}
	if err := yaml.Unmarshal(data, &cases); err != nil {
		t.Fatal(err)
	}
	fires, silent := map[string]bool{}, map[string]bool{}
	for _, c := range cases.Tests {
		for _, a := range c.Alerts {
			fires[a.Name] = fires[a.Name] || len(a.Exp) > 0
			silent[a.Name] = silent[a.Name] || len(a.Exp) == 0
		}
	}
	for _, r := range alerts {
		if !slices.Contains([]string{"critical", "warning", "advice", "none"}, r.Labels["severity"]) || r.Annotations["summary"] == "" {
			t.Errorf("%s lacks a severity or a summary", r.Alert)
		}
		if !fires[r.Alert] {
			t.Errorf("no case makes %s fire", r.Alert)
		}
		if !silent[r.Alert] && r.Alert != "HoldbellDeadMansSwitch" {
			t.Errorf("no case keeps %s silent", r.Alert)
		}
	}
}

// panel is what the tests look at in a panel of the dashboard.
type panel struct {
	Title      string `json:"title"`
	Type       string `json:"type"`
	Datasource struct {
		Type string `json:"type"`
		UID  string `json:"uid"`
	} `json:"datasource"`
	GridPos struct{ X, Y, W, H int } `json:"gridPos"`
	Targets []struct {
		Expr       string `json:"expr"`
		Datasource struct {
			UID string `json:"uid"`
		} `json:"datasource"`
	} `json:"targets"`
	FieldConfig struct {
		Defaults struct {
			Unit   string `json:"unit"`
			Custom struct {
				SpanNulls any `json:"spanNulls"`
			} `json:"custom"`
		} `json:"defaults"`
	} `json:"fieldConfig"`
}

// dashboards are the shipped dashboards, and what each points at on every panel: one kitchen's, and all kitchens'.
func dashboards() map[string][]string {
	return map[string][]string{"holdbell": {"Alarms", "Marks"}, "holdbell-fleet": {"Silent"}}
}

func dashboard(t *testing.T, name string) []panel {
	t.Helper()
	data, err := os.ReadFile("grafana/" + name + ".json")
	if err != nil {
		t.Fatal(err)
	}
	var d struct {
		Inputs json.RawMessage `json:"__inputs"`
		Panels []panel         `json:"panels"`
		// What is pointed at on every panel.
		Annotations struct {
			List []struct {
				Name       string
				Expr       string
				Datasource struct{ UID string }
			} `json:"list"`
		} `json:"annotations"`
		Templating struct {
			List []struct{ Name, Type, Query any } `json:"list"`
		} `json:"templating"`
	}
	if err := json.Unmarshal(data, &d); err != nil {
		t.Fatal(err)
	}
	if d.Inputs != nil || strings.Contains(string(data), "${DS_") {
		t.Error("a provisioned dashboard cannot have __inputs")
	}
	if v := d.Templating.List; len(v) == 0 || v[0].Name != "datasource" || v[0].Type != "datasource" || v[0].Query != "prometheus" {
		t.Error("the first variable must choose the data source")
	}
	var notes []string
	for _, a := range d.Annotations.List {
		notes = append(notes, a.Name)
		if a.Datasource.UID != "${datasource}" {
			t.Errorf("the annotation %s has its own data source", a.Name)
		}
		checkMetrics(t, "the annotation "+a.Name, a.Expr)
	}
	if want := dashboards()[name]; !slices.Equal(notes, want) {
		t.Errorf("the annotations are %q; %q have to be pointed at", notes, want)
	}
	if len(d.Panels) < 10 {
		t.Fatalf("only %d panels", len(d.Panels))
	}
	return d.Panels
}

func TestDashboard(t *testing.T) {
	panels := dashboard(t, "holdbell")
	if panels[0].Type != "row" || !strings.Contains(panels[0].Title, "up") || !strings.Contains(panels[1].Targets[0].Expr, "holdbell_probe_up") {
		t.Error("the first row must say which probes are up or at fault")
	}
	if checkPanels(t, panels) == 0 {
		t.Error("no panel shows a temperature")
	}
}

func TestFleetDashboard(t *testing.T) {
	panels := dashboard(t, "holdbell-fleet")
	table := slices.IndexFunc(panels, func(p panel) bool { return p.Type == "table" })
	if table < 0 || !strings.HasPrefix(panels[table].Targets[0].Expr, "sort_desc(site:holdbell_need:max") {
		t.Error("the first table must have the kitchens from worst to best")
	}
	checkPanels(t, panels)
}

// checkPanels holds what every panel of a dashboard keeps to, and counts the queries for temperatures.
func checkPanels(t *testing.T, panels []panel) (celsius int) {
	t.Helper()
	for i, p := range panels {
		if p.Datasource.UID != "${datasource}" {
			t.Errorf("panel %q has its own data source", p.Title)
		}
		if s := p.FieldConfig.Defaults.Custom.SpanNulls; s != nil && s != false {
			t.Errorf("panel %q draws over gaps", p.Title)
		}
		if p.Type != "row" && len(p.Targets) == 0 {
			t.Errorf("panel %q asks for nothing", p.Title)
		}
		for _, q := range p.Targets {
			if q.Datasource.UID != "${datasource}" {
				t.Errorf("a query of panel %q has its own data source", p.Title)
			}
			if len(checkMetrics(t, p.Title, q.Expr)) == 0 {
				t.Errorf("panel %q asks for no metric of ours", p.Title)
			}
			if strings.Contains(q.Expr, "_celsius") {
				celsius++
				if p.FieldConfig.Defaults.Unit != "celsius" {
					t.Errorf("panel %q shows temperatures in %q", p.Title, p.FieldConfig.Defaults.Unit)
				}
				if p.FieldConfig.Defaults.Custom.SpanNulls != false {
					t.Errorf("panel %q does not say that gaps stay open", p.Title)
				}
			}
		}
		for _, o := range panels[:i] {
			a, b := p.GridPos, o.GridPos
			if a.X < b.X+b.W && b.X < a.X+a.W && a.Y < b.Y+b.H && b.Y < a.Y+a.H {
				t.Errorf("panels %q and %q overlap", o.Title, p.Title)
			}
		}
	}
	return celsius
}

// TestDashboardQueries has promtool read every query of the dashboards, as the expression of a rule.
func TestDashboardQueries(t *testing.T) {
	tool := promtool(t)
	type rule struct {
		Record string `json:"record"`
		Expr   string `json:"expr"`
	}
	var rules []rule
	for name := range dashboards() {
		for _, p := range dashboard(t, name) {
			for _, q := range p.Targets {
				expr := strings.NewReplacer("$instance", ".*", "$station", ".*", "$site", ".*", "$__range", "24h").Replace(q.Expr)
				rules = append(rules, rule{fmt.Sprintf("panel_%d", len(rules)), expr})
			}
		}
	}
	// JSON is YAML too.
	data, err := json.Marshal(map[string]any{"groups": []any{map[string]any{"name": "dashboard", "rules": rules}}})
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "queries.yml"), data, 0o644); err != nil {
		t.Fatal(err)
	}
	if out := run(t, dir, tool, "check", "rules", "queries.yml"); !strings.Contains(out, fmt.Sprintf("%d rules found", len(rules))) {
		t.Errorf("promtool says %s", out)
	}
}
