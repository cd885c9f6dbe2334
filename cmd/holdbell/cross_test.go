package main

import (
	"debug/buildinfo"
	"debug/elf"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// need names the program that a test cannot do without. Missing, it skips the test, or fails it where
// HOLDBELL_REQUIRE=1 says that everything has to be there.
func need(t *testing.T, program string) string {
	t.Helper()
	path, err := exec.LookPath(program)
	if err != nil {
		if os.Getenv("HOLDBELL_REQUIRE") == "1" {
			t.Fatalf("%s is not installed", program)
		}
		t.Skipf("%s is not installed: this part was not tested", program)
	}
	return path
}

// TestCrossBuilds builds the binary of every board and starts each once. It takes minutes, so it waits for
// HOLDBELL_CROSS=1.
func TestCrossBuilds(t *testing.T) {
	if os.Getenv("HOLDBELL_CROSS") != "1" {
		t.Skip("HOLDBELL_CROSS is not 1: the boards' binaries were not built")
	}
	const limit = 25 << 20
	for _, b := range []struct{ arch, arm, qemu, cpu string }{
		{"amd64", "", "qemu-x86_64-static", ""},
		{"arm64", "", "qemu-aarch64-static", ""},
		{"arm", "6", "qemu-arm-static", "arm1176"}, // of the first Raspberry Pi: dies of an instruction of ARMv7
		{"arm", "7", "qemu-arm-static", ""},
		{"riscv64", "", "qemu-riscv64-static", ""},
	} {
		t.Run(b.arch+b.arm, func(t *testing.T) {
			bin := filepath.Join(t.TempDir(), "holdbell")
			build := exec.Command("go", "build", "-trimpath", "-ldflags=-s -w", "-o", bin, ".")
			build.Env = append(os.Environ(), "CGO_ENABLED=0", "GOOS=linux", "GOARCH="+b.arch, "GOARM="+b.arm, "GOFLAGS=")
			if out, err := build.CombinedOutput(); err != nil {
				t.Fatalf("go build: %v\n%s", err, out)
			}
			info, err := os.Stat(bin)
			if err != nil {
				t.Fatal(err)
			}
			t.Logf("%.1f MiB", float64(info.Size())/(1<<20))
			if info.Size() >= limit {
				t.Errorf("%d bytes; the limit is %d", info.Size(), limit)
			}
			f, err := elf.Open(bin)
			if err != nil {
				t.Fatal(err)
			}
			defer f.Close()
			for _, p := range f.Progs {
				if p.Type == elf.PT_INTERP {
					t.Error("the binary wants a dynamic loader")
				}
			}
			built, err := buildinfo.ReadFile(bin)
			if err != nil {
				t.Fatal(err)
			}
			for _, s := range built.Settings {
				if s.Key == "GOARM" && s.Value != b.arm {
					t.Errorf("built with GOARM=%s, not %s", s.Value, b.arm)
				}
			}
			args := []string{bin, "version"}
			if b.cpu != "" {
				args = append([]string{"-cpu", b.cpu}, args...)
			}
			out, err := exec.Command(need(t, b.qemu), args...).CombinedOutput()
			if err != nil {
				t.Fatalf("%s: %v\n%s", b.qemu, err, out)
			}
			if !strings.Contains(string(out), "linux/"+b.arch) {
				t.Errorf("version says %q", out)
			}
		})
	}
}
