// Package systemd holds no code: it is the room of the unit and what belongs to it. These tests look at
// them as the service manager does.
package systemd

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
)

// unit reads the shipped unit: every value of every key, by section and key.
func unit(t *testing.T) map[string][]string {
	t.Helper()
	data, err := os.ReadFile("holdbell.service")
	if err != nil {
		t.Fatal(err)
	}
	out, section := map[string][]string{}, ""
	for i, line := range strings.Split(string(data), "\n") {
		switch key, value, pair := strings.Cut(line, "="); {
		case line == "" || line[0] == '#':
		case line[0] == '[':
			section = strings.Trim(line, "[]")
		case !pair:
			t.Errorf("line %d is no setting: %q", i+1, line)
		default:
			out[section+"."+key] = append(out[section+"."+key], value)
		}
	}
	return out
}

// TestUnit holds the settings that something else of ours relies on.
func TestUnit(t *testing.T) {
	u := unit(t)
	for key, want := range map[string]string{
		"Unit.StartLimitIntervalSec":       "0",
		"Service.Type":                     "notify",
		"Service.WatchdogSec":              "30",
		"Service.Restart":                  "always",
		"Service.RestartSec":               "5",
		"Service.RestartPreventExitStatus": "2",
		"Service.Environment":              "GOTRACEBACK=crash",
		"Service.User":                     "holdbell",
		"Service.SupplementaryGroups":      "spi i2c gpio",
		"Service.StateDirectory":           "holdbell", // /var/lib/holdbell, the ledger's default
		"Service.RuntimeDirectory":         "holdbell", // /run/holdbell, the control socket's
		"Service.PrivateDevices":           "no",
		"Service.DevicePolicy":             "closed",
		"Service.DeviceAllow":              "char-spi rw|char-i2c rw|char-gpiochip rw",
		"Service.NoNewPrivileges":          "yes",
		"Service.ProtectSystem":            "strict",
		"Service.MemoryDenyWriteExecute":   "yes",
		"Service.CapabilityBoundingSet":    "",
		"Service.RestrictAddressFamilies":  "AF_UNIX AF_INET AF_INET6",
		"Service.SystemCallFilter":         "@system-service|~@privileged @resources|adjtimex",
		"Service.SystemCallErrorNumber":    "EPERM",
		"Service.ExecStart":                "/usr/bin/holdbell run --config /etc/holdbell/kitchen.yaml",
		"Install.WantedBy":                 "multi-user.target",
	} {
		if got, ok := u[key]; !ok || strings.Join(got, "|") != want {
			t.Errorf("%s=%s, want %s", key, strings.Join(got, "|"), want)
		}
	}
	// What would take from the daemon what it needs: the nodes, the boot's id, the clock's state.
	for _, key := range []string{"DynamicUser", "ProtectClock", "ProcSubset", "PrivateNetwork"} {
		if v, ok := u["Service."+key]; ok {
			t.Errorf("%s=%v would blind the daemon", key, v)
		}
	}
}

// TestGroupsExist holds that every user and group that the unit names is made by the sysusers file, and
// that the udev rule gives each bus to one of them.
func TestGroupsExist(t *testing.T) {
	u := unit(t)
	users, err := os.ReadFile("holdbell.sysusers")
	if err != nil {
		t.Fatal(err)
	}
	udev, err := os.ReadFile("60-holdbell.rules")
	if err != nil {
		t.Fatal(err)
	}
	made := regexp.MustCompile(`(?m)^[ug] (\S+) `).FindAllStringSubmatch(string(users), -1)
	var names []string
	for _, m := range made {
		names = append(names, m[1])
	}
	groups := strings.Fields(u["Service.SupplementaryGroups"][0])
	for _, name := range append([]string{u["Service.User"][0], u["Service.Group"][0]}, groups...) {
		if !slices.Contains(names, name) {
			t.Errorf("the unit wants %s, which holdbell.sysusers does not make", name)
		}
	}
	for _, g := range groups {
		if !strings.Contains(string(udev), fmt.Sprintf("GROUP=%q", g)) {
			t.Errorf("no udev rule gives nodes to group %s", g)
		}
	}
}

// TestCrashIsRestarted tries the reason for GOTRACEBACK=crash: how a process of Go's ends after a panic
// and after the watchdog's SIGABRT, with the unit's environment and without.
func TestCrashIsRestarted(t *testing.T) {
	const helper = "HOLDBELL_TEST_CRASH"
	switch os.Getenv(helper) {
	case "panic":
		panic("as asked")
	case "abort":
		if err := syscall.Kill(os.Getpid(), syscall.SIGABRT); err != nil {
			t.Fatal(err)
		}
		select {}
	}
	never := unit(t)["Service.RestartPreventExitStatus"][0]
	for _, how := range []string{"panic", "abort"} {
		end := func(env ...string) syscall.WaitStatus {
			cmd := exec.CommandContext(t.Context(), os.Args[0], "-test.run=^TestCrashIsRestarted$")
			cmd.Env = append([]string{helper + "=" + how}, env...)
			var exit *exec.ExitError
			if err := cmd.Run(); !errors.As(err, &exit) {
				t.Fatalf("%s: %v", how, err)
			}
			return exit.Sys().(syscall.WaitStatus)
		}
		if s := end(unit(t)["Service.Environment"]...); s.Exited() && strconv.Itoa(s.ExitStatus()) == never {
			t.Errorf("after %s the process exits with %s, which is never restarted", how, never)
		}
		if s := end(); !s.Exited() || strconv.Itoa(s.ExitStatus()) != never {
			t.Logf("without the unit's environment, %s ends as %v: the setting is no longer needed", how, s)
		}
	}
}

// TestVerify has systemd read the unit. The daemon itself need not be installed.
func TestVerify(t *testing.T) {
	tool := need(t, "systemd-analyze")
	data, err := os.ReadFile("holdbell.service")
	if err != nil {
		t.Fatal(err)
	}
	text := strings.Replace(string(data), "ExecStart=/usr/bin/holdbell ", "ExecStart="+os.Args[0]+" ", 1)
	file := filepath.Join(t.TempDir(), "holdbell.service")
	if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	out, err := exec.CommandContext(t.Context(), tool, "verify", "--recursive-errors=no", file).CombinedOutput()
	if err != nil || strings.Contains(string(out), "holdbell.service:") {
		t.Errorf("systemd-analyze verify: %v\n%s", err, out)
	}
}

// mostExposure is the most that `systemd-analyze security` may count: 0 is sealed, 10 is open.
const mostExposure = 2.0

func TestExposure(t *testing.T) {
	tool := need(t, "systemd-analyze")
	out, err := exec.CommandContext(t.Context(), tool, "security", "--offline=yes", "--no-pager", "holdbell.service").CombinedOutput()
	if err != nil {
		t.Fatalf("systemd-analyze security: %v\n%s", err, out)
	}
	m := regexp.MustCompile(`Overall exposure level for holdbell.service: ([0-9.]+)`).FindSubmatch(out)
	if m == nil {
		t.Fatalf("no score in\n%s", out)
	}
	score, err := strconv.ParseFloat(string(m[1]), 64)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("exposure %.1f", score)
	if score > mostExposure {
		t.Errorf("exposure %.1f, more than %.1f:\n%s", score, mostExposure, out)
	}
}
