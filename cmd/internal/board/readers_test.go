package board

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/txtar"
	"golang.org/x/sys/unix"
)

var huge = strings.Repeat("0x01 ", mostText)

// of makes a board of files, "name=content" each.
func of(t *testing.T, files ...string) *board {
	t.Helper()
	a := new(txtar.Archive)
	for _, f := range files {
		name, data, _ := strings.Cut(f, "=")
		a.Files = append(a.Files, txtar.File{Name: name, Data: []byte(data)})
	}
	return plant(t, a)
}

// expect wants exactly these findings, each "word about: part of what was found".
func expect(t *testing.T, name string, found []Finding, want ...string) {
	t.Helper()
	bad := len(found) != len(want)
	for i := 0; i < len(found) && !bad; i++ {
		head, part, _ := strings.Cut(want[i], ": ")
		bad = fmt.Sprintf("%s %s", found[i].Word, found[i].About) != head || !strings.Contains(found[i].Found, part) ||
			(found[i].Word == OK) != (found[i].Mend == "")
	}
	if bad {
		t.Errorf("%s: found %q, want %q", name, found, want)
	}
}

func TestText(t *testing.T) {
	b := of(t, "empty=", "blank= \n\x00", "word=  0x01 0x02\n", "huge="+huge, "dir/file=")
	if err := syscall.Mkfifo(b.path("pipe"), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		file, want string
		ok         bool
	}{
		{"empty", "", true}, {"blank", "", true}, {"word", "0x01 0x02", true},
		{"huge", "", false}, {"dir", "", false}, {"pipe", "", false}, {"none", "", false},
	} {
		got, err := b.text(c.file)
		if got != c.want || (err == nil) != c.ok {
			t.Errorf("%s: %.20q, %v", c.file, got, err)
		}
	}
	if _, err := b.text("none"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a file that is not there: %v", err)
	}
	if b.names("none") != nil || b.names("word") != nil || !slices.Equal(b.names("dir"), []string{"file"}) {
		t.Error("folders are listed wrongly")
	}
	if os.Getuid() != 0 {
		if err := os.Chmod(b.path("word"), 0); err != nil {
			t.Fatal(err)
		}
		if _, err := b.text("word"); !errors.Is(err, fs.ErrPermission) {
			t.Errorf("a closed file: %v", err)
		}
	}
}

func TestRights(t *testing.T) {
	b := of(t, "OWNERS=f 10 20 0640\n", "f=")
	info, err := os.Stat(b.path("f"))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		u           user
		read, write bool
	}{
		{user{uid: 0}, true, true},
		{user{uid: 10, gids: []int{1}}, true, true},
		{user{uid: 11, gids: []int{1, 20}}, true, false},
		{user{uid: 11, gids: []int{1}}, false, false},
		{user{gone: true}, false, false},
	} {
		b.user = c.u
		if b.may(info, 4) != c.read || b.may(info, 6) != c.write {
			t.Errorf("%+v: read %v, write %v", c.u, b.may(info, 4), b.may(info, 6))
		}
	}
	// A group that is shut out is shut out, though everybody else may.
	if err := os.Chmod(b.path("f"), 0o604); err != nil {
		t.Fatal(err)
	}
	if info, err = os.Stat(b.path("f")); err != nil {
		t.Fatal(err)
	}
	b.user = user{uid: 11, gids: []int{20}}
	if b.may(info, 4) {
		t.Error("a member of a group that may not read reads as everybody")
	}
}

func TestSubject(t *testing.T) {
	const unit, passwd = "lib/systemd/system/holdbell.service=[Service]\nUser=holdbell\nSupplementaryGroups=spi i2c\n", "etc/passwd=holdbell:x:980:981:::\n"
	for _, c := range []struct {
		name  string
		files []string
		gids  []int
		want  string
	}{
		{"all there", []string{unit, passwd, "etc/group=spi:x:5:\ni2c:x:6:\nlamp:x:7:cook,holdbell\nbeer:x:8:cook\n"}, []int{981, 5, 6, 7}, "ok user: runs as holdbell"},
		{"groups taken back", []string{unit, passwd, "etc/systemd/system/holdbell.service.d/x.conf=[Service]\nSupplementaryGroups=\nSupplementaryGroups=i2c\n", "etc/group=i2c:x:6:\n"}, []int{981, 6}, "ok user: "},
		{"without a group", []string{unit, passwd, "etc/group=spi:x:5:\n"}, []int{981, 5}, "wrong user: i2c"},
		{"without files", []string{unit}, nil, "wrong user: whom this board does not know"},
		{"torn lines", []string{unit, "etc/passwd=holdbell\nholdbell:x:many:981:::\n:::\n", "etc/group=spi\nspi:x::\n"}, nil, "wrong user: whom this board does not know"},
		{"a huge table", []string{unit, "etc/passwd=" + huge}, nil, "wrong user: whom this board does not know"},
		{"the superuser", []string{"lib/systemd/system/holdbell.service=[Service]\nUser=root\n"}, nil, "ok user: runs as root"},
		{"no service", nil, []int{1000}, "ok user: those of cook"},
	} {
		b := of(t, c.files...)
		b.service = readService(b.root)
		b.user = b.subject()
		b.users()
		expect(t, c.name, b.found, c.want)
		if !slices.Equal(b.user.gids, c.gids) {
			t.Errorf("%s: groups %v, want %v", c.name, b.user.gids, c.gids)
		}
	}
	b := of(t)
	b.user = user{name: "root"}
	b.users()
	expect(t, "root without a service", b.found, "look user: may do anything")
	if me := thisProcess(); me.uid != os.Geteuid() || len(me.gids) == 0 || me.name == "" {
		t.Errorf("this process: %+v", me)
	}
}

const kitchen = "kitchen.yaml=rules: { food_code: us-fda-2022 }\nprobes:\n  - { name: a, chip: %s, bus: %s, offset: 0C, accuracy: 0.5C%s }\nstations: [ { name: s, purpose: cold-holding, air: a } ]\n"

func TestNodes(t *testing.T) {
	spi := fmt.Sprintf(kitchen, "max31855", "SPI0.1", ", type: K")
	b := of(t)
	b.nodes()
	expect(t, "no probe, no bus", b.found, "look probes: nothing is watched", "look buses: no SPI", "look buses: no I2C")
	if !strings.Contains(b.found[1].Mend, `"dtparam=spi=on"`) || !strings.Contains(b.found[2].Mend, `"dtparam=i2c_arm=on"`) {
		t.Errorf("what adds them: %q", b.found)
	}
	for _, c := range []struct {
		name  string
		files []string
		want  []string
	}{
		{"missing", []string{spi}, []string{"wrong SPI0.1: there is no /dev/spidev*", "ok SPI buffer: does not say"}},
		{"for root alone", []string{spi, "dev/spidev0.1=", "OWNERS=dev/spidev0.1 0 0 0600"}, []string{"wrong SPI0.1: no group but root's", "ok SPI buffer: "}},
		{"to read only", []string{spi, "dev/spidev0.1=", "OWNERS=dev/spidev0.1 0 1000 0640"}, []string{"wrong SPI0.1: no group but root's", "ok SPI buffer: "}},
		{"another group's", []string{spi, "dev/spidev0.1=", "OWNERS=dev/spidev0.1 0 5 0660", "etc/group=spi:x:5:"}, []string{"wrong SPI0.1: cook is not in group spi", "ok SPI buffer: "}},
		{"for everybody", []string{spi, "dev/spidev0.1=", "OWNERS=dev/spidev0.1 0 5 0666"}, []string{"ok SPI0.1: cook may use it", "ok SPI buffer: "}},
		{"no bus wanted", []string{"kitchen.yaml=rules: { food_code: us-fda-2022 }\nprobes: [ { name: a, file: /sys/class/hwmon/hwmon0, offset: 0C } ]\nstations: [ { name: s, purpose: cold-holding, air: a } ]\n"},
			[]string{"ok buses: no probe hangs on a bus"}},
	} {
		b := of(t, c.files...)
		b.user = b.self()
		b.nodes()
		expect(t, c.name, b.found, c.want...)
	}
}

func TestHeldNode(t *testing.T) {
	b := of(t, fmt.Sprintf(kitchen, "max31855", "SPI0.1", ", type: K"), "dev/spidev0.1=")
	f, err := os.Open(b.path("dev/spidev0.1"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX); err != nil {
		t.Fatal(err)
	}
	b.nodes()
	expect(t, "held", b.found, fmt.Sprintf("look SPI0.1: process %d has it", os.Getpid()), "ok SPI buffer: ")
}

func TestSpeed(t *testing.T) {
	for _, c := range []struct {
		hz     int
		tender bool
		want   string
	}{
		{0, true, "ok I2C1 speed: does not say"}, {100_000, false, "ok I2C1 speed: 100 kHz"}, {400_000, false, "ok I2C1 speed: 400"},
		{1_000_000, false, "wrong I2C1 speed: 400 kHz"}, {400_000, true, "wrong I2C1 speed: mcp9600"}, {100_000, true, "look I2C1 speed: stretches"},
		{10_000, true, "ok I2C1 speed: 10 kHz"},
	} {
		b := of(t)
		b.speed("I2C1", c.hz, c.tender)
		expect(t, fmt.Sprint(c.hz, c.tender), b.found, c.want)
	}
}

func TestTransfer(t *testing.T) {
	for text, want := range map[string]string{
		"4096\n": "ok SPI buffer: 4096 bytes", "32": "ok SPI buffer: 32", "31": "wrong SPI buffer: 31 bytes", "-1": "wrong SPI buffer: -1",
		"": "look SPI buffer: \"\"", "many": "look SPI buffer: no number", huge: "ok SPI buffer: does not say", strings.Repeat("9", 300): "look SPI buffer: …",
	} {
		b := of(t, "sys/module/spidev/parameters/bufsiz="+text)
		b.transfer()
		expect(t, fmt.Sprintf("%.20q", text), b.found, want)
	}
}

func TestKernelFiles(t *testing.T) {
	probe := func(s string) string {
		return "kitchen.yaml=rules: { food_code: us-fda-2022 }\nprobes: [ { name: a, " + s + ", offset: 0C, accuracy: 0.5C } ]\nstations: [ { name: s, purpose: cold-holding, air: a } ]\n"
	}
	iio := "file: \"/sys/bus/iio/devices/iio:device0\""
	w1 := "file: /sys/bus/w1/devices/28-0316a2791234/w1_slave"
	for _, c := range []struct {
		name  string
		files []string
		want  string
	}{
		{"there", []string{probe(iio), "sys/bus/iio/devices/iio:device0/in_temp_raw=1"}, "ok a: is there"},
		{"gone", []string{probe(iio), "sys/bus/iio/devices/iio:device1/in_temp_raw=1"}, "wrong a: is not there"},
		{"moved", []string{probe(iio + ", driver: max31856"), "sys/bus/iio/devices/iio:device1/in_temp_raw=1", "sys/bus/iio/devices/iio:device1/name=max31856"}, "ok a: is now /sys/bus/iio/devices/iio:device1"},
		{"another's", []string{probe(iio + ", driver: max31856"), "sys/bus/iio/devices/iio:device0/in_temp_raw=1", "sys/bus/iio/devices/iio:device0/name=bmp280"}, "wrong a: is a bmp280 and no max31856"},
		{"of another class", []string{probe(iio + ", driver: jc42"), "sys/class/hwmon/hwmon0/temp1_input=1", "sys/class/hwmon/hwmon0/name=jc42"}, "wrong a: is not there"},
		{"on one wire", []string{probe(w1), "sys/bus/w1/devices/28-0316a2791234/w1_slave="}, "ok a: is there"},
	} {
		b := of(t, c.files...)
		b.kernelFiles()
		expect(t, c.name, b.found, c.want)
	}
}

func TestClock(t *testing.T) {
	for _, c := range []struct {
		name       string
		files      []string
		set, known bool
		want       []string
	}{
		{"set", []string{"sys/class/rtc/rtc0/name=rpi-rtc"}, true, true, []string{"ok clock: set by", "ok clock chip: rtc0 (rpi-rtc)"}},
		{"by its chip", []string{"sys/class/rtc/rtc0/name="}, false, true, []string{"look clock: by its chip", "ok clock chip: rtc0"}},
		{"by nobody", nil, false, true, []string{"wrong clock: not set", "look clock chip: none"}},
		{"nobody says", []string{"sys/class/rtc/rtc0/name=" + huge}, false, false, []string{"ok clock: does not say", "ok clock chip: rtc0"}},
	} {
		b := of(t, c.files...)
		b.synced = func() (bool, bool) { return c.set, c.known }
		b.clock()
		expect(t, c.name, b.found, c.want...)
	}
}

func TestSpace(t *testing.T) {
	const dir = "OWNERS=var/lib/holdbell 1000 1000 0750\n"
	for _, c := range []struct {
		name  string
		files []string
		stat  func(string, *unix.Statfs_t) error
		want  []string
	}{
		{"no folder", nil, space(1, 1, 0), []string{"wrong record: is not there"}},
		{"a file", []string{"var/lib/holdbell="}, space(1e9, 1e9, 0), []string{"wrong record: is no folder"}},
		{"another's", []string{"var/lib/holdbell/x="}, space(9e9, 9e9, 0), []string{"wrong record: cook may not write", "ok card space: 9.0 GB free"}},
		{"read only", []string{dir, "var/lib/holdbell/x="}, space(9e9, 9e9, unix.ST_RDONLY), []string{"wrong record: read only", "ok card space: "}},
		{"fails", []string{dir, "var/lib/holdbell/x="}, func(string, *unix.Statfs_t) error { return syscall.EIO }, []string{"look record: input/output error"}},
		{"roomy", []string{dir, "var/lib/holdbell/x="}, space(smallSpace, 9e9, 0), []string{"ok record: may write", "ok card space: 536 MB free"}},
		{"small", []string{dir, "var/lib/holdbell/x="}, space(smallSpace-4096, 9e9, 0), []string{"ok record: ", "look card space: "}},
		{"full", []string{dir, "var/lib/holdbell/x="}, space(leastSpace-4096, 9e9, 0), []string{"ok record: ", "wrong card space: 67 MB"}},
		{"nothing at all", []string{dir, "var/lib/holdbell/x="}, space(0, 9e9, 0), []string{"ok record: ", "wrong card space: 0 kB free"}},
		{"says nothing", []string{dir, "var/lib/holdbell/x="}, space(0, 0, 0), []string{"ok record: ", "ok card space: does not say"}},
	} {
		b := of(t, c.files...)
		b.user, b.statfs = b.self(), c.stat
		b.space(filepath.Dir(b.config.Ledger))
		expect(t, c.name, b.found, c.want...)
	}
}

func TestWear(t *testing.T) {
	for _, c := range []struct{ life, eol, want string }{
		{"0x01 0x01", "0x01", "ok card wear: at most 10 %"},
		{"0x02 0x08", "0x01", "ok card wear: at most 80 %"},
		{"0x09 0x01", "0x01", "look card wear: at most 90 %"},
		{"0x0b 0x01", "0x01", "wrong card wear: longer than its maker"},
		{"0x01 0x01", "0x02", "look card wear: most of its spare"},
		{"0x00 0x00", "0x03", "wrong card wear: does not say how much it has lived, and nearly all"},
		{"", "", "ok card wear: does not say"},
		{"0x00 0x00", "0x00", "ok card wear: does not say"},
		{"ten 0x1ff -1", "normal", "ok card wear: does not say"},
		{huge, huge, "ok card wear: does not say"},
		{"0x0b", huge, "wrong card wear: longer"},
	} {
		b := of(t, "sys/block/mmcblk0/device/life_time="+c.life, "sys/block/mmcblk0/device/pre_eol_info="+c.eol, "sys/block/ram0/size=1")
		b.wear()
		expect(t, fmt.Sprintf("%.20q %.20q", c.life, c.eol), b.found, c.want)
	}
	b := of(t)
	b.wear()
	expect(t, "no card", b.found, "ok card wear: does not say")
}

func TestUnit(t *testing.T) {
	unit := func(dir, text string) string { return dir + "/holdbell.service=" + text }
	for _, c := range []struct {
		name  string
		files []string
		want  string
	}{
		{"none", nil, "look unit: no holdbell.service"},
		{"30 s", []string{unit("usr/lib/systemd/system", "[Service]\nWatchdogSec=30\n")}, "ok unit: for 30 s"},
		{"the administrator's own first", []string{unit("usr/lib/systemd/system", "[Service]\nWatchdogSec=30\n"), unit("etc/systemd/system", "[Service]\nWatchdogSec=1min 30s\n")}, "ok unit: for 90 s"},
		{"off", []string{unit("lib/systemd/system", "[Service]\nUser=x\n")}, "wrong unit: is off"},
		{"in another section", []string{unit("lib/systemd/system", "[Unit]\nWatchdogSec=30\n")}, "wrong unit: is off"},
		{"a comment", []string{unit("lib/systemd/system", "[Service]\n#WatchdogSec=30\n; WatchdogSec=30\n")}, "wrong unit: is off"},
		{"a later drop-in", []string{unit("lib/systemd/system", "[Service]\nWatchdogSec=30\n"), "lib/systemd/system/holdbell.service.d/20.conf=[Service]\nWatchdogSec=40\n",
			"etc/systemd/system/holdbell.service.d/10.conf=[Service]\nWatchdogSec=0\n"}, "ok unit: for 40 s"},
		{"a drop-in that hides another", []string{unit("lib/systemd/system", "[Service]\nWatchdogSec=30\n"), "lib/systemd/system/holdbell.service.d/20.conf=[Service]\nWatchdogSec=40\n",
			"etc/systemd/system/holdbell.service.d/20.conf="}, "ok unit: for 30 s"},
		{"nonsense", []string{unit("lib/systemd/system", "[Service]\nWatchdogSec=soon\n")}, "look unit: \"soon\" cannot be read"},
		{"empty", []string{unit("lib/systemd/system", "")}, "wrong unit: is off"},
		{"huge", []string{unit("lib/systemd/system", huge)}, "look unit: no holdbell.service"},
	} {
		b := of(t, c.files...)
		b.service = readService(b.root)
		b.unit()
		expect(t, c.name, b.found, c.want)
	}
}

func TestWatchdog(t *testing.T) {
	dog := func(n int, state, timeout string) []string {
		return []string{fmt.Sprintf("sys/class/watchdog/watchdog%d/state=%s", n, state), fmt.Sprintf("sys/class/watchdog/watchdog%d/timeout=%s", n, timeout)}
	}
	for _, c := range []struct {
		name  string
		files []string
		want  string
	}{
		{"none", nil, "ok watchdog: does not say"},
		{"a kernel that does not say", []string{"sys/class/watchdog/watchdog0/identity=x"}, "ok watchdog: does not say"},
		{"at work", dog(0, "active\n", "15\n"), "ok watchdog: for 15 s"},
		{"long", dog(0, "active", "60"), "look watchdog: for 60 s"},
		{"idle", dog(0, "inactive", "60"), "look watchdog: is idle"},
		{"the second is at work", append(dog(0, "inactive", "60"), dog(1, "active", "10")...), "ok watchdog: watchdog1 restarts a board that hangs for 10 s"},
		{"refused", append(dog(0, "inactive", "15"), "etc/systemd/system.conf=[Manager]\nRuntimeWatchdogSec=20s\n"), "wrong watchdog: asks for 20 s"},
		{"mended by a drop-in", append(dog(0, "inactive", "15"), "etc/systemd/system.conf=[Manager]\nRuntimeWatchdogSec=20s\n", "etc/systemd/system.conf.d/w.conf=[Manager]\nRuntimeWatchdogSec=15\n"), "look watchdog: is idle"},
		{"without a time", dog(0, "active", ""), "ok watchdog: watchdog0 restarts"},
		{"an impossible time", dog(0, "active", "99999999999999999999"), "ok watchdog: watchdog0 restarts"},
		{"nonsense", dog(0, "perhaps", "15"), "ok watchdog: does not say"},
		{"huge", dog(0, huge, huge), "ok watchdog: does not say"},
	} {
		b := of(t, c.files...)
		b.watchdog()
		expect(t, c.name, b.found, c.want)
	}
}

func FuzzSpan(f *testing.F) {
	for _, s := range []string{"", "30", "1min 30s", "0", "infinity", "2h1us", "1.5 s", ".", "9e9", "999999999999h", "3 weeks", "٣s"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if d, ok := span(s); d < 0 || !ok && d != 0 || d > math.MaxInt64/2+1 {
			t.Errorf("%q is %v, %v", s, d, ok)
		}
	})
}

func TestSpan(t *testing.T) {
	for s, want := range map[string]time.Duration{
		"": 0, "off": 0, "infinity": 0, "0": 0, "0s": 0, "30": 30 * time.Second, "15s": 15 * time.Second, "1min 30s": 90 * time.Second,
		"1min30": 90 * time.Second, "1.5 min": 90 * time.Second, "2h": 2 * time.Hour, "500ms": 500 * time.Millisecond, "7 us": 7 * time.Microsecond,
		"soon": -1, "s": -1, "1 week": -1, "-5": -1, "1..2": -1, "9999999999h": -1,
	} {
		got, ok := span(s)
		if ok != (want >= 0) || ok && got != want {
			t.Errorf("%q is %v, %v; want %v", s, got, ok, want)
		}
	}
}
