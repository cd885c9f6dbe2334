package sysfs

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"testing/fstest"
	"testing/synctest"
	"time"

	"holdbell/sensor"
	"holdbell/sensor/resist"
)

// board is a tree of kernel files whose reading may fail with an error number, as drivers' files do.
type board struct {
	fstest.MapFS
	errs map[string]error
	wait map[string]time.Duration
}

func (b *board) Open(name string) (fs.File, error) {
	f, err := b.MapFS.Open(name)
	if err != nil || b.errs[name] == nil && b.wait[name] == 0 {
		return f, err
	}
	return &failing{f, b.errs[name], b.wait[name]}, nil
}

type failing struct {
	fs.File
	err  error
	wait time.Duration
}

func (f *failing) Read(b []byte) (int, error) {
	time.Sleep(f.wait)
	if f.err != nil {
		return 0, &fs.PathError{Op: "read", Path: "?", Err: f.err}
	}
	return f.File.Read(b)
}

// files makes a tree of "path: content" lines; \n in a content is a new line.
func files(lines ...string) *board {
	b := &board{MapFS: fstest.MapFS{}, errs: map[string]error{}, wait: map[string]time.Duration{}}
	for _, l := range lines {
		name, content, _ := strings.Cut(l, "=")
		b.MapFS[name] = &fstest.MapFile{Data: []byte(strings.ReplaceAll(content, `\n`, "\n"))}
	}
	return b
}

const (
	iioDir = "sys/bus/iio/devices/iio:device0/"
	hwDir  = "sys/class/hwmon/hwmon1/"
	w1Dir  = "sys/bus/w1/devices/28-0316a2791234/"
)

func pt100(t *testing.T) resist.RTD {
	t.Helper()
	r, err := resist.Platinum(100)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func read(t *testing.T, d *Dev) (sensor.Reading, error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	r, err := d.Read(ctx)
	if r.Valid() != (err == nil) {
		t.Fatalf("%v with error %v", r, err)
	}
	if err != nil && !strings.Contains(err.Error(), d.String()) {
		t.Errorf("the error %q does not name %s", err, d)
	}
	return r, err
}

func TestRead(t *testing.T) {
	for _, c := range []struct {
		name  string
		path  string
		tree  *board
		o     Opts
		want  float64
		fault sensor.Fault
		says  string
	}{
		// Scales as the drivers print them: Documentation/ABI/testing/sysfs-bus-iio, drivers/iio/temperature.
		{name: "max6675", path: iioDir, tree: files(iioDir+"name=maxim_thermocouple\\n", iioDir+"in_temp_raw=400\\n", iioDir+"in_temp_scale=250\\n"), want: 100},
		{name: "max31856 with its cold junction", path: iioDir, tree: files(iioDir+"name=max31856", iioDir+"in_temp_raw=8384", iioDir+"in_temp_scale=7.812500",
			iioDir+"in_temp_ambient_raw=1600", iioDir+"in_temp_ambient_scale=15.625000"), want: 65.5},
		{name: "cold junction below zero without its sign", path: iioDir, tree: files(iioDir+"name=x", iioDir+"in_temp_raw=-16", iioDir+"in_temp_scale=62.5",
			iioDir+"in_temp_ambient_raw=65520", iioDir+"in_temp_ambient_scale=62.5"), want: -1},
		{name: "mcp9600 without its sign", path: iioDir, tree: files(iioDir+"name=mcp9600", iioDir+"in_temp_raw=65520", iioDir+"in_temp_scale=62.500000"), want: -1},
		{name: "object of an infrared thermometer", path: iioDir + "in_temp_object_raw", tree: files(iioDir+"name=mlx90614", iioDir+"in_temp_object_raw=16907",
			iioDir+"in_temp_ambient_raw=14657", iioDir+"in_temp_object_scale=20", iioDir+"in_temp_object_offset=-13657.500000"), want: 64.99},
		{name: "one of many channels with a shared scale", path: iioDir + "in_temp1_raw", tree: files(iioDir+"name=ltc2983", iioDir+"in_temp0_raw=1", iioDir+"in_temp1_raw=65536",
			iioDir+"in_temp_scale=0.976562"), want: 63.999967},
		{name: "input is in thousandths", path: iioDir, tree: files(iioDir+"name=x", iioDir+"in_temp_input=23125"), want: 23.125},
		{name: "several channels and none named", path: iioDir, tree: files(iioDir+"in_temp0_raw=1", iioDir+"in_temp1_raw=2"), fault: sensor.BusFault, says: "in_temp0_raw, in_temp1_raw"},
		{name: "no temperature", path: iioDir, tree: files(iioDir + "in_voltage0_raw=1"), fault: sensor.BusFault, says: "measures no temperature"},
		{name: "no scale", path: iioDir, tree: files(iioDir + "in_temp_raw=1"), fault: sensor.BusFault, says: "in_temp_scale is not there"},
		{name: "cold junction out of its range", path: iioDir, tree: files(iioDir+"in_temp_raw=1", iioDir+"in_temp_scale=1", iioDir+"in_temp_ambient_raw=2047", iioDir+"in_temp_ambient_scale=62.5"),
			fault: sensor.CJImplausible, says: "127.94"},
		{name: "open by its own file", path: iioDir, tree: files(iioDir+"name=max31856", iioDir+"fault_oc=1", iioDir+"fault_ovuv=0", iioDir+"in_temp_raw=1"), fault: sensor.Open, says: "fault_oc"},
		{name: "over voltage by its own file", path: iioDir, tree: files(iioDir+"name=max31856", iioDir+"fault_oc=0", iioDir+"fault_ovuv=1\\n", iioDir+"in_temp_raw=1"), fault: sensor.OverUnderVoltage},
		{name: "an empty file", path: iioDir, tree: files(iioDir+"in_temp_raw=\\n", iioDir+"in_temp_scale=1"), fault: sensor.Stale, says: "empty"},
		{name: "no number", path: iioDir, tree: files(iioDir+"in_temp_raw=cold", iioDir+"in_temp_scale=1"), fault: sensor.BusFault, says: `"cold"`},
		{name: "above every thermocouple", path: iioDir, tree: files(iioDir + "in_temp_input=4095000"), fault: sensor.Range, says: "4095"},
		{name: "device not there", path: iioDir, tree: files("sys/x=1"), fault: sensor.BusFault, says: "is the driver loaded"},
		// 15-bit code of 138.51 ohms with a 400 ohm reference (IEC 60751: 100 °C).
		{name: "max31865 by platinum, not by its scale", path: iioDir, o: Opts{RTD: pt100(t), Reference: 400},
			tree: files(iioDir+"name=max31865", iioDir+"in_temp_raw=11346", iioDir+"in_temp_scale=31.250000", iioDir+"fault_ovuv=0"), want: 99.988},
		{name: "max31865 without its resistor", path: iioDir, tree: files(iioDir+"name=max31865", iioDir+"in_temp_raw=11346", iioDir+"in_temp_scale=31.25"), fault: sensor.BusFault, says: "reference:"},
		{name: "max31865 at the end of its range", path: iioDir, o: Opts{RTD: pt100(t), Reference: 400}, tree: files(iioDir+"name=max31865", iioDir+"in_temp_raw=32767"), fault: sensor.Open},

		{name: "hwmon", path: hwDir, tree: files(hwDir+"name=jc42", hwDir+"temp1_input=41250\\n"), want: 41.25},
		{name: "hwmon channel", path: hwDir + "temp2_input", tree: files(hwDir+"temp1_input=1", hwDir+"temp2_input=-5500"), want: -5.5},
		{name: "hwmon fault", path: hwDir, tree: files(hwDir+"temp1_input=41250", hwDir+"temp1_fault=1"), fault: sensor.Open, says: "temp1_fault"},

		// The kernel's own example (w1_therm), and what was seen of bad ones.
		{name: "1-wire", path: w1Dir, tree: files(w1Dir + `w1_slave=72 01 4b 46 7f ff 0e 10 57 : crc=57 YES\n72 01 4b 46 7f ff 0e 10 57 t=23125\n`), want: 23.125},
		{name: "1-wire below zero", path: w1Dir, tree: files(w1Dir + `w1_slave=5e ff 4b 46 7f ff 02 10 00 : crc=00 YES\n5e ff 4b 46 7f ff 02 10 00 t=-10125\n`), want: -10.125},
		{name: "1-wire check sum wrong, t= of the bad bytes", path: w1Dir, tree: files(w1Dir + `w1_slave=ff ff ff ff ff ff ff ff ff : crc=c9 NO\n72 01 4b 46 7f ff 0e 10 57 t=-62\n`),
			fault: sensor.BusFault, says: "check sum"},
		{name: "1-wire line on ground", path: w1Dir, tree: files(w1Dir + `w1_slave=00 00 00 00 00 00 00 00 00 : crc=00 YES\n00 00 00 00 00 00 00 00 00 t=0\n`), fault: sensor.ShortGND},
		{name: "1-wire power-on value", path: w1Dir, tree: files(w1Dir + `w1_slave=50 05 4b 46 7f ff 0c 10 1c : crc=1c YES\n50 05 4b 46 7f ff 0c 10 1c t=85000\n`), fault: sensor.Stale, says: "before its first conversion"},
		{name: "1-wire true 85", path: w1Dir, tree: files(w1Dir + `w1_slave=50 05 4b 46 7f ff 10 10 56 : crc=56 YES\n50 05 4b 46 7f ff 10 10 56 t=85000\n`), want: 85},
		{name: "1-wire empty file", path: w1Dir, tree: files(w1Dir + `w1_slave=`), fault: sensor.Stale, says: "empty"},
		{name: "1-wire half a file", path: w1Dir, tree: files(w1Dir + `w1_slave=72 01 4b`), fault: sensor.BusFault, says: "two lines"},
		{name: "1-wire without w1_slave", path: w1Dir, tree: files(w1Dir + `temperature=23125\n`), want: 23.125},
		{name: "1-wire without w1_slave, power-on", path: w1Dir, tree: files(w1Dir + `temperature=85000\n`), fault: sensor.Stale},
		{name: "1-wire without w1_slave, empty", path: w1Dir, tree: files(w1Dir + `temperature=`), fault: sensor.Stale},

		{name: "held by its name", path: "/sys/class/hwmon/hwmon0", o: Opts{Name: "jc42"}, tree: files("sys/class/hwmon/hwmon0/name=cpu", "sys/class/hwmon/hwmon0/temp1_input=1",
			"sys/class/hwmon/hwmon3/name=jc42", "sys/class/hwmon/hwmon3/temp1_input=50000"), want: 50},
		{name: "name twice", path: "/sys/class/hwmon/hwmon0", o: Opts{Name: "jc42"}, tree: files("sys/class/hwmon/hwmon0/name=cpu",
			"sys/class/hwmon/hwmon2/name=jc42", "sys/class/hwmon/hwmon3/name=jc42"), fault: sensor.BusFault, says: "hwmon3"},
		{name: "name gone", path: "/sys/class/hwmon/hwmon0", o: Opts{Name: "jc42"}, tree: files("sys/class/hwmon/hwmon0/name=cpu"), fault: sensor.BusFault, says: "called jc42"},
	} {
		t.Run(c.name, func(t *testing.T) {
			d, err := New(c.tree, c.path, c.o)
			if err != nil {
				t.Fatal(err)
			}
			r, err := read(t, d)
			if r.Fault != c.fault {
				t.Fatalf("fault %q (%v), not %q", r.Fault, err, c.fault)
			}
			if c.says != "" && !strings.Contains(err.Error(), c.says) {
				t.Errorf("error %q does not say %q", err, c.says)
			}
			if got := r.Temp.Celsius(); c.fault == sensor.None && (got < c.want-0.001 || got > c.want+0.001) {
				t.Errorf("%.3f °C, not %.3f", got, c.want)
			}
		})
	}
}

func TestKernelErrors(t *testing.T) {
	for _, c := range []struct {
		name  string
		err   error
		fault sensor.Fault
	}{
		{"maxim_thermocouple", syscall.EINVAL, sensor.Open},
		{"max31856", syscall.EIO, sensor.Open},
		{"mcp9600", syscall.EIO, sensor.BusFault},
		{"mcp9600", syscall.EREMOTEIO, sensor.BusFault},
		{"ltc2983", syscall.ETIMEDOUT, sensor.Stale},
		{"w1", syscall.EACCES, sensor.BusFault},
	} {
		tree := files(iioDir+"name="+c.name, iioDir+"in_temp_raw=400", iioDir+"in_temp_scale=250")
		tree.errs[iioDir+"in_temp_raw"] = c.err
		d, err := New(tree, iioDir, Opts{})
		if err != nil {
			t.Fatal(err)
		}
		r, err := read(t, d)
		if r.Fault != c.fault || !errors.Is(err, c.err) {
			t.Errorf("%s with %v: %v, %v", c.name, c.err, r.Fault, err)
		}
		tree.errs = nil
		if r, err := read(t, d); !r.Valid() {
			t.Errorf("%s did not recover: %v", c.name, err)
		}
	}
}

// A kernel that blocks is told as stale, keeps one goroutine, and its late answer is not taken for a new one.
func TestBlockedKernel(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		tree := files(iioDir + "in_temp_input=50000")
		tree.wait[iioDir+"in_temp_input"] = 10 * time.Second
		d, err := New(tree, iioDir, Opts{})
		if err != nil {
			t.Fatal(err)
		}
		for range 5 {
			if r, err := read(t, d); r.Fault != sensor.Stale || !errors.Is(err, context.DeadlineExceeded) {
				t.Fatalf("%v, %v", r, err)
			}
		}
		time.Sleep(time.Minute)
		tree.wait = nil
		tree.MapFS[iioDir+"in_temp_input"] = &fstest.MapFile{Data: []byte("60000")}
		r, err := read(t, d)
		if err != nil || r.Temp != 60_000 {
			t.Fatalf("%v, %v", r, err)
		}
	})
}

func TestLinearise(t *testing.T) {
	tree := files(iioDir+"name=maxim_thermocouple", iioDir+"in_temp_raw=400", iioDir+"in_temp_scale=250",
		iioDir+"in_temp_ambient_raw=400", iioDir+"in_temp_ambient_scale=62.500000")
	d, err := New(tree, iioDir, Opts{Linearise: func(hot, cold float64) (float64, error) { return hot + cold/100, nil }})
	if err != nil {
		t.Fatal(err)
	}
	if r, err := read(t, d); r.Temp != 100_250 {
		t.Errorf("%v, %v", r, err)
	}
}

func TestNewRefuses(t *testing.T) {
	for _, p := range []string{"", "/", "/etc/passwd", "/sys/bus/iio/devices", "/sys/bus/w1/devices/w1_bus_master1"} {
		if _, err := New(files(), p, Opts{}); err == nil {
			t.Errorf("%q is taken", p)
		}
	}
	if _, err := New(nil, iioDir, Opts{}); err == nil {
		t.Error("no tree is taken")
	}
}

// A real directory with the symbolic links of a real board: what os.DirFS makes of them.
func TestLinkedTree(t *testing.T) {
	root := t.TempDir()
	device := filepath.Join(root, "sys/devices/spi0/iio:device0")
	for name, content := range map[string]string{"name": "max31856\n", "in_temp_raw": "8384\n", "in_temp_scale": "7.812500\n"} {
		write(t, filepath.Join(device, name), content)
	}
	class := filepath.Join(root, "sys/bus/iio/devices")
	if err := os.MkdirAll(class, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink("../../../devices/spi0/iio:device0", filepath.Join(class, "iio:device0")); err != nil {
		t.Fatal(err)
	}
	write(t, filepath.Join(root, "sys/bus/w1/devices/28-0316a2791234/w1_slave"), "")
	write(t, filepath.Join(root, "sys/bus/w1/devices/w1_bus_master1/x"), "")
	write(t, filepath.Join(root, "sys/class/hwmon/hwmon0/name"), "jc42\n")
	write(t, filepath.Join(root, "sys/class/hwmon/hwmon0/temp1_input"), "41250\n")
	write(t, filepath.Join(root, "sys/class/hwmon/hwmon0/temp1_label"), "case\n")

	found := List(os.DirFS(root))
	want := []Found{
		{"/sys/bus/iio/devices/iio:device0/in_temp_raw", "max31856", ""},
		{"/sys/bus/w1/devices/28-0316a2791234", "1-wire family 28", ""},
		{"/sys/class/hwmon/hwmon0/temp1_input", "jc42", "case"},
	}
	if len(found) != len(want) {
		t.Fatalf("%v", found)
	}
	for i := range want {
		if found[i] != want[i] {
			t.Errorf("%v, not %v", found[i], want[i])
		}
	}
	d, err := New(os.DirFS(root), found[0].Path, Opts{})
	if err != nil {
		t.Fatal(err)
	}
	if r, err := read(t, d); r.Temp != 65_500 {
		t.Errorf("%v, %v", r, err)
	}
}

func write(t *testing.T, file, content string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, []byte(content), 0o644); err != nil {
		t.Fatal(err)
	}
}

func FuzzSlave(f *testing.F) {
	f.Add("72 01 4b 46 7f ff 0e 10 57 : crc=57 YES\n72 01 4b 46 7f ff 0e 10 57 t=23125\n")
	f.Add("00 : crc=YES\nt=")
	f.Fuzz(func(t *testing.T, s string) {
		c, err := decodeSlave(s)
		if err == nil && !strings.Contains(s, "YES") {
			t.Errorf("%q gives %g without a good check sum", s, c)
		}
	})
}
