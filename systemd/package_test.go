package systemd

import (
	"crypto/sha256"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// need gives the path of a program, or skips; with HOLDBELL_REQUIRE=1 its absence fails.
func need(t *testing.T, program string) string {
	t.Helper()
	path, err := exec.LookPath(program)
	switch {
	case err == nil:
		return path
	case os.Getenv("HOLDBELL_REQUIRE") == "1":
		t.Fatalf("%s is not installed", program)
	}
	t.Skipf("%s is not installed: this part was not tested", program)
	return ""
}

func output(t *testing.T, cmd *exec.Cmd) string {
	t.Helper()
	var stderr strings.Builder
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%v: %v\n%s%s", cmd, err, out, stderr.String())
	}
	return string(out)
}

// build runs the package's build with a program of a few bytes in the daemon's place, and gives the packages.
func build(t *testing.T, architectures ...string) []string {
	t.Helper()
	need(t, "dpkg-deb")
	dir := t.TempDir()
	program := filepath.Join(dir, "program")
	if err := os.WriteFile(program, []byte("#!/bin/sh\n"), 0o700); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("bash", append([]string{"package/build.sh", filepath.Join(dir, "out")}, architectures...)...)
	cmd.Env = append(os.Environ(), "BIN="+program)
	var said strings.Builder
	cmd.Stderr = &said
	out, err := cmd.Output()
	if cmd.ProcessState.ExitCode() == 3 && os.Getenv("HOLDBELL_REQUIRE") != "1" {
		t.Skipf("the package was not tested: %s", said.String())
	}
	if err != nil {
		t.Fatalf("%v: %v\n%s", cmd, err, said.String())
	}
	return strings.Fields(string(out))
}

// TestPackage holds what dpkg finds in the packages, and that the same commit gives the same bytes.
func TestPackage(t *testing.T) {
	architectures := []string{"armhf", "arm64", "amd64"}
	debs, again := build(t, architectures...), build(t, architectures...)
	if len(debs) != len(architectures) || len(again) != len(debs) {
		t.Fatalf("built %q and %q", debs, again)
	}
	for i, deb := range debs {
		if got := strings.TrimSpace(output(t, exec.Command("dpkg-deb", "-f", deb, "Architecture"))); got != architectures[i] {
			t.Errorf("%s is for %s", deb, got)
		}
		if got := output(t, exec.Command("dpkg-deb", "-I", deb, "conffiles")); strings.TrimSpace(got) != "/etc/holdbell/kitchen.yaml" {
			t.Errorf("the configuration files are %q", got)
		}
		var files []string
		for _, line := range strings.Split(strings.TrimSpace(output(t, exec.Command("dpkg-deb", "-c", deb))), "\n") {
			f := strings.Fields(line)
			if f[1] != "root/root" {
				t.Errorf("not root's: %s", line)
			}
			if f[0][0] == '-' && !strings.HasPrefix(f[5], "./usr/share/doc/holdbell/examples/") {
				files = append(files, f[0]+" "+f[5])
			}
		}
		slices.Sort(files)
		want := []string{
			"-rw-r----- ./etc/holdbell/kitchen.yaml",
			"-rw-r--r-- ./usr/lib/systemd/system/holdbell.service",
			"-rw-r--r-- ./usr/lib/sysusers.d/holdbell.conf",
			"-rw-r--r-- ./usr/lib/udev/rules.d/60-holdbell.rules",
			"-rw-r--r-- ./usr/share/doc/holdbell/changelog.gz",
			"-rw-r--r-- ./usr/share/doc/holdbell/copyright",
			"-rw-r--r-- ./usr/share/lintian/overrides/holdbell",
			"-rw-r--r-- ./usr/share/man/man1/holdbell.1.gz",
			"-rwxr-xr-x ./usr/bin/holdbell",
		}
		if !slices.Equal(files, want) {
			t.Errorf("the files are\n%s\nwant\n%s", strings.Join(files, "\n"), strings.Join(want, "\n"))
		}
		if sum(t, deb) != sum(t, again[i]) || filepath.Base(deb) != filepath.Base(again[i]) {
			t.Errorf("two builds of %s differ", filepath.Base(deb))
		}
	}
}

// TestLintian: Debian's own checker of packages finds no error and nothing to warn of, but what the overrides give a
// reason for. It looks at a package without the daemon, which has a test of its own.
func TestLintian(t *testing.T) {
	lintian := need(t, "lintian")
	for _, deb := range build(t, "armhf") {
		if out, err := exec.Command(lintian, "--no-cfg", "--fail-on", "error,warning", deb).CombinedOutput(); err != nil {
			t.Errorf("%v\n%s", err, out)
		}
	}
}

func sum(t *testing.T, path string) [sha256.Size]byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return sha256.Sum256(b)
}

// TestScripts plays dpkg: it calls the package's scripts as dpkg does (deb-policy chapter 6), in an empty tree and
// with tools that only write down what they were told, and holds what they would do to the service. The whole
// life under a real dpkg and systemd is proven on the virtual board (virtual-board/package.sh).
func TestScripts(t *testing.T) {
	for _, tc := range []struct {
		name    string
		calls   []string // a script and its arguments
		answers string   // names of tools that say no
		systemd bool
		want    []string // what the tools were told about the service, in order
	}{
		{"installation", []string{"preinst install", "postinst configure"}, "", true, []string{
			"deb-systemd-helper unmask", "deb-systemd-helper --quiet", "deb-systemd-helper enable",
			"systemctl --system", "systemctl --quiet", "deb-systemd-invoke start"}},
		{"installation of what was disabled", []string{"preinst install 1", "postinst configure 1"}, "deb-systemd-helper--quiet systemctl--quiet", true, []string{
			"deb-systemd-helper unmask", "deb-systemd-helper --quiet", "deb-systemd-helper update-state",
			"systemctl --system", "systemctl --quiet"}},
		{"upgrade", []string{"prerm upgrade 2", "preinst upgrade 1", "postrm upgrade 2", "postinst configure 1"}, "", true, []string{
			"deb-systemd-helper unmask", "deb-systemd-helper --quiet", "deb-systemd-helper enable",
			"systemctl --system", "systemctl try-restart"}},
		{"installation into an image", []string{"preinst install", "postinst configure"}, "", false, []string{
			"deb-systemd-helper unmask", "deb-systemd-helper --quiet", "deb-systemd-helper enable"}},
		{"removal", []string{"prerm remove", "postrm remove"}, "", true, []string{"deb-systemd-invoke stop", "systemctl --system"}},
		{"purge", []string{"postrm purge"}, "", true, []string{
			"deb-systemd-helper purge", "deb-systemd-helper unmask", "systemctl --system"}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			root, tools := t.TempDir(), t.TempDir()
			said := filepath.Join(tools, "said")
			for _, dir := range []string{"run", "etc/holdbell", "var/lib/holdbell"} {
				if err := os.MkdirAll(filepath.Join(root, dir), 0o755); err != nil {
					t.Fatal(err)
				}
			}
			if tc.systemd {
				if err := os.MkdirAll(filepath.Join(root, "run/systemd/system"), 0o755); err != nil {
					t.Fatal(err)
				}
			}
			for _, tool := range []string{"systemctl", "deb-systemd-helper", "deb-systemd-invoke", "systemd-sysusers", "chgrp", "udevadm", "dpkg-statoverride"} {
				script := "#!/bin/sh\necho \"" + tool + " $1\" >>" + said + "\ncase \" " + tc.answers + " dpkg-statoverride--list \" in *\" " + tool + "$1 \"*) exit 1;; esac\n"
				if err := os.WriteFile(filepath.Join(tools, tool), []byte(script), 0o700); err != nil {
					t.Fatal(err)
				}
			}
			for _, call := range tc.calls {
				args := strings.Fields(call)
				cmd := exec.Command("sh", append([]string{filepath.Join("package", args[0])}, args[1:]...)...)
				cmd.Env = append(os.Environ(), "DPKG_ROOT="+root, "PATH="+tools+":"+os.Getenv("PATH"))
				output(t, cmd)
			}
			text, err := os.ReadFile(said)
			if err != nil {
				t.Fatal(err)
			}
			var got []string
			for _, line := range strings.Split(strings.TrimSpace(string(text)), "\n") {
				if strings.HasPrefix(line, "systemctl") || strings.HasPrefix(line, "deb-systemd") {
					got = append(got, line)
				}
			}
			if !slices.Equal(got, tc.want) {
				t.Errorf("the scripts do\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(tc.want, "\n"))
			}
			_, kept := os.Stat(filepath.Join(root, "var/lib/holdbell"))
			if purged := tc.name == "purge"; (kept != nil) != purged {
				t.Errorf("the record: %v", kept)
			}
		})
	}
}
