package bus

import (
	"errors"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"holdbell/sensor"
)

// tree makes files below a new root; a name that ends in = carries its content behind it.
func tree(t *testing.T, files ...string) string {
	t.Helper()
	root := t.TempDir()
	for _, f := range files {
		name, content, _ := strings.Cut(f, "=")
		path := filepath.Join(root, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(content), 0o660); err != nil {
			t.Fatal(err)
		}
	}
	return root
}

func TestMissingNode(t *testing.T) {
	for _, c := range []struct {
		name  string
		files []string
		want  []string
	}{
		{"SPI0.0", nil, []string{"/dev/spidev0.0 is missing", "found no /dev/spidev*", `"dtparam=spi=on"`, "/boot/firmware/config.txt"}},
		{"SPI0.1", []string{"dev/spidev0.0", "dev/spidev10.0"}, []string{"found /dev/spidev0.0, /dev/spidev10.0", `"dtoverlay=spi0-2cs"`}},
		{"SPI0.2", []string{"dev/spidev0.0", "dev/spidev0.1"}, []string{"no overlay of Raspberry Pi OS", "SPI1.0 to SPI1.2"}},
		{"SPI1.2", nil, []string{`"dtoverlay=spi1-3cs"`}},
		{"SPI4.1", nil, []string{`"dtoverlay=spi4-2cs"`}},
		{"SPI0.0", []string{"sys/bus/iio/devices/iio:device0/name=maxim_thermocouple\n"},
			[]string{"the kernel's own driver has a maxim_thermocouple", "/sys/bus/iio/devices/iio:device0"}},
		{"SPI0.0", []string{"sys/bus/iio/devices/iio:device0/name=bmp280\n"}, []string{"found no /dev/spidev*; on Raspberry"}},
		{"I2C1", []string{"dev/i2c-20"}, []string{"/dev/i2c-1 is missing", "found /dev/i2c-20", `"dtparam=i2c_arm=on"`, "i2c-dev"}},
		{"I2C0", nil, []string{`"dtparam=i2c_vc=on"`}},
		{"I2C3", nil, []string{`"dtoverlay=i2c3"`}},
		{"I2C8", nil, []string{`"dtoverlay=i2c-gpio,bus=8"`}},
	} {
		h := New(Options{Root: tree(t, c.files...)})
		var tr sensor.Transport
		var err error
		if strings.HasPrefix(c.name, "SPI") {
			tr, err = h.SPI(c.name, mode1)
		} else {
			tr, err = h.I2C(c.name, 0x60)
		}
		if err != nil {
			t.Fatal(err)
		}
		err = within(t, tr, time.Minute)
		if !errors.Is(err, sensor.ErrNoDevice) || !strings.HasPrefix(err.Error(), c.name+": ") || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v", c.name, err)
		}
		for _, want := range c.want {
			if !strings.Contains(err.Error(), want) {
				t.Errorf("%s: %v\nsays nothing of %q", c.name, err, want)
			}
		}
		if err := h.Close(); err != nil {
			t.Error(err)
		}
	}
}

// TestClaimedByTheKernel: a chip select that another driver than spidev is bound to says whose it is.
func TestClaimedByTheKernel(t *testing.T) {
	for _, c := range []struct {
		driver string
		files  []string
		want   string // in the error
		not    string
	}{
		{"max31865", []string{"sys/bus/spi/devices/spi0.1/iio:device3/name=max31865\n"}, "driver max31865 holds this chip: write file: /sys/bus/iio/devices/iio:device3 ", ""},
		{"ads7846", nil, "driver ads7846 holds this chip select: take its overlay out, or give the probe another chip select", "file:"},
		{"spidev", nil, "dtoverlay=spi0-2cs", "holds"},
	} {
		root := tree(t, append(c.files, "dev/spidev0.0")...)
		device := filepath.Join(root, "sys/bus/spi/devices/spi0.1")
		if err := os.MkdirAll(device, 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.Symlink("../../../../bus/spi/drivers/"+c.driver, filepath.Join(device, "driver")); err != nil {
			t.Fatal(err)
		}
		h := New(Options{Root: root})
		err := within(t, spiOn(t, h, "SPI0.1"), time.Minute)
		if !errors.Is(err, sensor.ErrNoDevice) || !strings.Contains(err.Error(), c.want) || c.not != "" && strings.Contains(err.Error(), c.not) {
			t.Errorf("%s: %v", c.driver, err)
		}
		if err := h.Close(); err != nil {
			t.Error(err)
		}
	}
}

func TestPermissionDenied(t *testing.T) {
	root := tree(t, "dev/spidev0.0", "dev/i2c-1")
	for _, node := range []string{"/dev/spidev0.0", "/dev/i2c-1"} {
		if err := os.Chmod(root+node, 0o660); err != nil {
			t.Fatal(err)
		}
		if os.Getuid() == 0 { // else the file has the user's own group, which is not root's either
			if err := os.Chown(root+node, 0, 54321); err != nil {
				t.Fatal(err)
			}
		}
	}
	w := &wire{openErr: &fs.PathError{Op: "open", Path: "/dev/x", Err: syscall.EACCES}}
	h := w.host(root)
	defer h.Close()
	i2c, err := h.I2C("I2C1", 0x60)
	if err != nil {
		t.Fatal(err)
	}
	for _, tr := range []sensor.Transport{spiOn(t, h, "SPI0.0"), i2c} {
		err := within(t, tr, time.Minute)
		if !errors.Is(err, fs.ErrPermission) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%v: %v", tr, err)
		}
		for _, want := range []string{"permission denied", "owner ", "group ", "mode 0660", "this process is not in group ", "SupplementaryGroups="} {
			if !strings.Contains(err.Error(), want) {
				t.Errorf("%v: %v\nsays nothing of %q", tr, err, want)
			}
		}
	}
	if err := os.Chmod(root+"/dev/spidev0.0", 0o600); err != nil {
		t.Fatal(err)
	}
	said := board{root}.permission(place{node: "/dev/spidev0.0", group: "spi"})
	if !strings.Contains(said, "mode 0600") || !strings.Contains(said, `SUBSYSTEM=="spidev", GROUP="spi", MODE="0660"`) {
		t.Error(said)
	}
}

// TestLock has another process hold the lock on a node.
func TestLock(t *testing.T) {
	node := tree(t, "dev/spidev0.0") + "/dev/spidev0.0"
	first, err := lockNode(node)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := lockNode(node); err == nil || !strings.Contains(err.Error(), "in use by another program") {
		t.Errorf("locked twice: %v", err)
	}
	if err := first.Close(); err != nil {
		t.Fatal(err)
	}
	again, err := lockNode(node)
	if err != nil {
		t.Fatalf("after its release: %v", err)
	}
	if err := again.Close(); err != nil {
		t.Error(err)
	}

	if _, err := exec.LookPath("flock"); err != nil {
		t.Skip("util-linux's flock is not there: no second process tried")
	}
	holder := exec.Command("flock", "--exclusive", "--no-fork", node, "sh", "-c", "echo held; read wait")
	in, err := holder.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := holder.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := holder.Start(); err != nil {
		t.Fatal(err)
	}
	if _, err := out.Read(make([]byte, 5)); err != nil {
		t.Fatal(err)
	}
	_, err = lockNode(node)
	if err == nil || !strings.Contains(err.Error(), "in use by another program") {
		t.Errorf("locked by another process: %v", err)
	}
	t.Log(err)
	if err := in.Close(); err != nil {
		t.Fatal(err)
	}
	_ = holder.Wait() // read ends with 1 at the end of its input
}
