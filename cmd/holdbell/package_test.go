package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"testing"
)

// TestPackagedConfig: a board that was just installed to has no probe yet. The service runs all the same and is
// healthy, and the page says what to do next.
func TestPackagedConfig(t *testing.T) {
	dir := shortDir(t)
	text, err := os.ReadFile("../../systemd/package/kitchen.yaml")
	if err != nil {
		t.Fatal(err)
	}
	config := filepath.Join(dir, "kitchen.yaml")
	here := strings.Replace(string(text), "127.0.0.1:9834\" }", "127.0.0.1:0\" }", 1)
	put(t, config, here+"\nledger: { path: "+filepath.Join(dir, "ledger.db")+" }")
	p := start(t, "holdbell", "run", "--config", config, "--socket", filepath.Join(dir, "s"))
	_, at, _ := strings.Cut(p.until("what=page"), " at=")
	var health struct{ Status string }
	eventually(t, "it is healthy", func() bool {
		return json.Unmarshal(get("http://"+at+"/healthz"), &health) == nil && health.Status == "watching"
	})
	if page := string(get("http://" + at + "/")); !strings.Contains(page, "holdbell probes") {
		t.Errorf("the page does not say what to do next:\n%s", page)
	}
	if got := p.end(syscall.SIGTERM); got != exitOK {
		t.Errorf("SIGTERM ended it with %d", got)
	}
}

// TestManualPage holds that the package's manual page names the verbs that there are, and no others.
func TestManualPage(t *testing.T) {
	page, err := os.ReadFile("../../systemd/package/holdbell.1")
	if err != nil {
		t.Fatal(err)
	}
	var help bytes.Buffer
	if got := holdbell([]string{"--help"}, &help, &help); got != exitOK {
		t.Fatalf("--help ended with %d", got)
	}
	_, verbs, _ := strings.Cut(help.String(), "Available Commands:\n")
	verbs, _, _ = strings.Cut(verbs, "\n\n")
	var want, got []string
	for _, m := range regexp.MustCompile(`(?m)^  (\S+)`).FindAllStringSubmatch(verbs, -1) {
		if m[1] != "help" && m[1] != "completion" {
			want = append(want, m[1])
		}
	}
	_, section, _ := strings.Cut(string(page), ".SH VERBS\n")
	section, _, _ = strings.Cut(section, ".SH ")
	for _, m := range regexp.MustCompile(`(?m)^\.TP\n\.BI? (\S+)`).FindAllStringSubmatch(section, -1) {
		got = append(got, m[1])
	}
	slices.Sort(got)
	slices.Sort(want)
	if len(want) == 0 || !slices.Equal(got, want) {
		t.Errorf("the page has %q, the program %q", got, want)
	}
}
