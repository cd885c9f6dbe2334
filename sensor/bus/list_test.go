package bus

import (
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// plant makes files and, for "path -> target", symbolic links under a new root.
func plant(t *testing.T, entries ...string) string {
	t.Helper()
	root := t.TempDir()
	for _, e := range entries {
		name, target, link := strings.Cut(e, " -> ")
		name, content, _ := strings.Cut(name, "=")
		path := filepath.Join(root, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		var err error
		if link {
			err = os.Symlink(target, path)
		} else {
			err = os.WriteFile(path, []byte(content), 0o660)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	return root
}

func TestList(t *testing.T) {
	root := plant(t, "dev/spidev10.0", "dev/spidev0.1", "dev/spidev0.0", "dev/spidev2.0", "dev/i2c-1", "dev/i2c-10", "dev/i2cx",
		"sys/class/i2c-adapter/i2c-1/of_node/clock-frequency=\x00\x01\x86\xa0",
		"sys/bus/i2c/devices/1-0048/driver -> ../../drivers/ads1015",
		"sys/bus/i2c/devices/10-0018/driver -> ../../drivers/jc42")
	f, err := os.Open(filepath.Join(root, "dev/spidev0.1"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX); err != nil {
		t.Fatal(err)
	}
	nodes := List(root + "/")
	var names []string
	for _, n := range nodes {
		names = append(names, n.Name)
		if want := 0; n.Name == "SPI0.1" {
			want = os.Getpid()
			if n.Holder != want {
				t.Errorf("%s is held by %d, not %d", n.Name, n.Holder, want)
			}
		} else if n.Holder != want {
			t.Errorf("%s is held by %d", n.Name, n.Holder)
		}
	}
	if got := strings.Join(names, " "); got != "SPI0.0 SPI0.1 SPI2.0 SPI10.0 I2C1 I2C10" {
		t.Errorf("found %s", got)
	}
	bus1 := nodes[4]
	if bus1.Hz != 100_000 || strings.Join(bus1.Claimed, ",") != "0x48 (ads1015)" || bus1.Path != "/dev/i2c-1" {
		t.Errorf("%+v", bus1)
	}
	if Missing(nodes) != nil {
		t.Errorf("missing: %v", Missing(nodes))
	}
	if lines := Missing(List(t.TempDir())); len(lines) != 2 || !strings.Contains(lines[0], "dtparam=spi=on") {
		t.Errorf("missing: %v", lines)
	}
}

func TestListRefused(t *testing.T) {
	if os.Getuid() == 0 {
		// The superuser may open anything; the kernel's answer for others is TestPermission's matter.
		t.Log("as root: nothing is refused")
		for _, n := range List(plant(t, "dev/spidev0.0")) {
			if n.Refused != "" {
				t.Errorf("refused: %s", n.Refused)
			}
		}
		return
	}
	root := plant(t, "dev/spidev0.0")
	if err := os.Chmod(filepath.Join(root, "dev/spidev0.0"), 0); err != nil {
		t.Fatal(err)
	}
	if n := List(root)[0]; !strings.Contains(n.Refused, "SUBSYSTEM") {
		t.Errorf("refused: %q", n.Refused)
	}
}

func TestWant(t *testing.T) {
	root := plant(t, "dev/spidev0.0", "dev/i2c-1")
	for _, c := range []struct{ name, path, found, add, rule string }{
		{"SPI0.0", "/dev/spidev0.0", "", "dtparam=spi=on", `SUBSYSTEM=="spidev", GROUP="spi"`},
		{"SPI0.1", "/dev/spidev0.1", "/dev/spidev0.0", "dtoverlay=spi0-2cs", `SUBSYSTEM=="spidev"`},
		{"I2C1", "/dev/i2c-1", "", "dtparam=i2c_arm=on", `SUBSYSTEM=="i2c-dev", GROUP="i2c"`},
		{"I2C3", "/dev/i2c-3", "/dev/i2c-1", "dtoverlay=i2c3", `SUBSYSTEM=="i2c-dev"`},
	} {
		n, err := Want(root+"/", c.name)
		if err != nil || n.Path != c.path || n.Found != c.found || !strings.Contains(n.Add, c.add) || !strings.Contains(n.Rule, c.rule) {
			t.Errorf("%s: %+v, %v", c.name, n, err)
		}
	}
	for _, bad := range []string{"", "SPI0", "I2C1.0", "spi0.0", "SPI0.0 "} {
		if n, err := Want(root, bad); err == nil {
			t.Errorf("%q names %+v", bad, n)
		}
	}
}
