package bus

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os/exec"
	"runtime"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"holdbell/sensor"
)

// wire is a fake board: every port opened on it does what the wire says at that moment.
type wire struct {
	opens, closes atomic.Int32
	openErr       error
	tx            func(name string, w, r []byte) error
	config        atomic.Value // the last SPI opening's
}

type wirePort struct {
	*wire
	name   string
	closed bool
}

func (p *wirePort) Tx(w, r []byte) error {
	if p.closed {
		panic("transaction on a closed port")
	}
	return p.tx(p.name, w, r)
}

func (p *wirePort) Close() error {
	if p.closed {
		panic("closed twice")
	}
	p.closed = true
	p.closes.Add(1)
	return nil
}

func (w *wire) open(name string) (Port, error) {
	w.opens.Add(1)
	if w.openErr != nil {
		return nil, w.openErr
	}
	return &wirePort{wire: w, name: name}, nil
}

func (w *wire) host(root string) *Host {
	return New(Options{
		Root: root,
		OpenSPI: func(bus, cs int, c sensor.SPIConfig) (Port, error) {
			w.config.Store(c)
			return w.open(fmt.Sprintf("SPI%d.%d", bus, cs))
		},
		OpenI2C: func(bus int, addr uint16) (Port, error) { return w.open(fmt.Sprintf("I2C%d", bus)) },
	})
}

func echo(_ string, w, r []byte) error {
	copy(r, w)
	return nil
}

var mode1 = sensor.SPIConfig{Hz: 5_000_000, Mode: 1}

func spiOn(t testing.TB, h *Host, name string) sensor.Transport {
	t.Helper()
	tr, err := h.SPI(name, mode1)
	if err != nil {
		t.Fatal(err)
	}
	return tr
}

func within(t testing.TB, tr sensor.Transport, d time.Duration) error {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), d)
	defer cancel()
	began := time.Now()
	err := tr.Tx(ctx, []byte{1, 2}, make([]byte, 2))
	if took := time.Since(began); took > d {
		t.Errorf("took %v of %v", took, d)
	}
	return err
}

func TestTransaction(t *testing.T) {
	w := &wire{tx: echo}
	h := w.host(t.TempDir())
	tr := spiOn(t, h, "SPI0.1")
	if w.opens.Load() != 0 {
		t.Error("opened before it was used")
	}
	r := make([]byte, 3)
	for i := range byte(3) {
		if err := tr.Tx(t.Context(), []byte{i, 5, 6}, r); err != nil || r[0] != i || r[2] != 6 {
			t.Errorf("% x, %v", r, err)
		}
	}
	if w.opens.Load() != 1 || w.config.Load() != mode1 {
		t.Errorf("opened %d times, as %+v", w.opens.Load(), w.config.Load())
	}
	for name, bad := range map[string][2][]byte{"no bytes": {}, "unequal": {make([]byte, 2), make([]byte, 3)}} {
		if err := tr.Tx(t.Context(), bad[0], bad[1]); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	if err := h.Close(); err != nil || w.closes.Load() != 1 {
		t.Errorf("%v, %d closed", err, w.closes.Load())
	}
	if err := tr.Tx(t.Context(), []byte{1}, nil); !errors.Is(err, errClosed) {
		t.Errorf("after Close: %v", err)
	}
	if _, err := h.SPI("SPI0.0", mode1); err == nil {
		t.Error("a transport after Close")
	}
	if err := h.Close(); err != nil {
		t.Error(err)
	}
}

func TestNames(t *testing.T) {
	h := (&wire{tx: echo}).host(t.TempDir())
	defer h.Close()
	for _, name := range []string{"", "SPI", "SPI0", "spi0.0", "SPI0.0 ", " SPI0.0", "SPI00.0", "SPI0.-1", "SPI-1.0", "SPI0.256",
		"SPI65536.0", "/dev/spidev0.0", "I2C1", "SPI0.0x"} {
		if _, err := h.SPI(name, mode1); err == nil || !strings.Contains(err.Error(), `such as "SPI0.1"`) {
			t.Errorf("%q: %v", name, err)
		}
	}
	for _, name := range []string{"", "I2C", "i2c1", "I2C1 ", "I2C-1", "I2C01", "/dev/i2c-1", "SPI0.0", "I2C1 0x60"} {
		if _, err := h.I2C(name, 0x60); err == nil || !strings.Contains(err.Error(), `such as "I2C1"`) {
			t.Errorf("%q: %v", name, err)
		}
	}
	for _, addr := range []uint16{0, 7, 0x78, 0x160} {
		if _, err := h.I2C("I2C1", addr); err == nil {
			t.Errorf("address %#x", addr)
		}
	}
	for _, c := range []sensor.SPIConfig{{}, {Hz: 50}, {Hz: 1000, Mode: 4}, {Hz: 1000, Mode: -1}, {Hz: 2_000_000_000}} {
		if _, err := h.SPI("SPI3.0", c); err == nil {
			t.Errorf("%+v", c)
		}
	}
	if tr := spiOn(t, h, "SPI10.2"); tr.String() != "SPI10.2" {
		t.Error(tr)
	}
	if _, err := h.SPI("SPI10.2", mode1); err == nil || !strings.Contains(err.Error(), "two probes") {
		t.Errorf("two chips on one select: %v", err)
	}
	for range 2 {
		if tr, err := h.I2C("I2C1", 0x60); err != nil || tr.String() != "I2C1 0x60" {
			t.Error(tr, err)
		}
	}
}

// TestHungBus wedges SPI0 and looks at everything that must not happen.
func TestHungBus(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		release := make(chan struct{})
		hanging := true
		w := &wire{tx: func(name string, w, r []byte) error {
			if hanging && name == "SPI0.0" {
				<-release
				r[0] = 0xee // the kernel writes its answer late
			}
			return nil
		}}
		h := w.host(t.TempDir())
		wedged, neighbour, other := spiOn(t, h, "SPI0.0"), spiOn(t, h, "SPI0.1"), spiOn(t, h, "SPI1.0")
		if err := within(t, neighbour, time.Second); err != nil {
			t.Fatal(err)
		}

		r := make([]byte, 2)
		ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
		err := wedged.Tx(ctx, nil, r)
		cancel()
		if !errors.Is(err, context.DeadlineExceeded) || !strings.Contains(err.Error(), "SPI0.0: no answer in time") {
			t.Fatal(err)
		}
		synctest.Wait()
		before := runtime.NumGoroutine()
		for range 1000 {
			for _, tr := range []sensor.Transport{wedged, neighbour} {
				err := within(t, tr, 10*time.Millisecond)
				if !errors.Is(err, context.DeadlineExceeded) || !strings.Contains(err.Error(), "a transaction of SPI0.0 holds the bus") {
					t.Fatal(err)
				}
			}
			if err := within(t, other, 10*time.Millisecond); err != nil {
				t.Fatalf("another bus: %v", err)
			}
		}
		synctest.Wait()
		if n := runtime.NumGoroutine(); n > before+5 { // the runtime has some of its own
			t.Errorf("%d goroutines, %d before", n, before)
		}

		// It wakes up: the late answer reaches nobody, the device is opened anew, values flow again.
		hanging = false
		close(release)
		synctest.Wait()
		if r[0] != 0 {
			t.Error("a late answer was written into the caller's buffer")
		}
		if w.closes.Load() != 1 {
			t.Errorf("%d ports closed after the hang", w.closes.Load())
		}
		for _, tr := range []sensor.Transport{wedged, neighbour, other} {
			if err := within(t, tr, time.Second); err != nil {
				t.Errorf("%v: %v", tr, err)
			}
		}
		if w.opens.Load() != 4 {
			t.Errorf("%d openings", w.opens.Load())
		}
		if err := h.Close(); err != nil {
			t.Error(err)
		}
	})
}

func TestCloseWhileHung(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		release := make(chan struct{})
		w := &wire{tx: func(name string, _, _ []byte) error {
			if name != "SPI2.0" {
				<-release
			}
			return nil
		}}
		h := w.host(t.TempDir())
		for _, name := range []string{"SPI0.0", "SPI1.0", "SPI2.0"} {
			err := within(t, spiOn(t, h, name), time.Millisecond)
			if (err == nil) != (name == "SPI2.0") {
				t.Errorf("%s: %v", name, err)
			}
		}
		began := time.Now()
		err := h.Close()
		if err == nil || !strings.Contains(err.Error(), "SPI0") || !strings.Contains(err.Error(), "SPI1") || strings.Contains(err.Error(), "SPI2") {
			t.Error(err)
		}
		if took := time.Since(began); took > closeWait {
			t.Errorf("took %v", took)
		}
		close(release)
	})
}

// TestReopening counts openings while everything fails, and sees values flow when it no longer does.
func TestReopening(t *testing.T) {
	for _, missing := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			flaw := errors.New("sysfs-spi: Tx() failed: input/output error")
			w := &wire{tx: func(string, []byte, []byte) error { return flaw }}
			want := flaw
			if missing {
				w.openErr = fs.ErrNotExist
				want = sensor.ErrNoDevice
			}
			h := w.host(t.TempDir())
			defer h.Close()
			tr := spiOn(t, h, "SPI0.0")
			began := time.Now()
			var at []time.Duration
			for time.Since(began) < 10*time.Minute {
				n := w.opens.Load()
				if err := within(t, tr, time.Second); !errors.Is(err, want) {
					t.Fatal(err)
				}
				if w.opens.Load() > n {
					at = append(at, time.Since(began))
				}
				time.Sleep(100 * time.Millisecond)
			}
			// At once, then after 1, 2, 4, 8, 16, 32 and from then on 60 s.
			pauses := []time.Duration{0, 100 * time.Millisecond, time.Second, 2 * time.Second, 4 * time.Second, 8 * time.Second,
				16 * time.Second, 32 * time.Second, time.Minute, time.Minute, time.Minute}
			if len(at) < len(pauses) {
				t.Fatalf("opened at %v", at)
			}
			last := time.Duration(0)
			for i, p := range pauses {
				if got := at[i] - last; got != p {
					t.Errorf("opening %d after %v, not %v", i, got, p)
				}
				last = at[i]
			}
			if !missing && w.closes.Load() != w.opens.Load() {
				t.Errorf("%d opened, %d closed", w.opens.Load(), w.closes.Load())
			}

			w.openErr, w.tx = nil, echo
			time.Sleep(longestWait)
			for range 3 {
				if err := within(t, tr, time.Second); err != nil {
					t.Error(err)
				}
			}
			// The pauses start from the beginning again.
			n := w.opens.Load()
			w.tx = func(string, []byte, []byte) error { return flaw }
			_ = within(t, tr, time.Second)
			w.tx = echo
			if err := within(t, tr, time.Second); err != nil || w.opens.Load() != n+1 {
				t.Errorf("%v, %d openings", err, w.opens.Load()-n)
			}
		})
	}
}

func TestI2CRetries(t *testing.T) {
	for _, c := range []struct {
		name  string
		err   error
		fails int
		calls int
		ok    bool
	}{
		{"none", nil, 0, 1, true},
		{"no acknowledge once", syscall.EREMOTEIO, 1, 2, true},
		{"in periph's words", fmt.Errorf("sysfs-i2c: %v", syscall.EREMOTEIO), 2, 3, true},
		{"clock held", syscall.ETIMEDOUT, 2, 3, true},
		{"arbitration lost", syscall.EAGAIN, 1, 2, true},
		{"no acknowledge for ever", syscall.EREMOTEIO, 99, 3, false},
		{"something else", syscall.EIO, 1, 1, false},
	} {
		calls := 0
		w := &wire{}
		w.tx = func(string, []byte, []byte) error {
			if calls++; calls <= c.fails {
				return c.err
			}
			return nil
		}
		h := w.host(t.TempDir())
		tr, err := h.I2C("I2C1", 0x60)
		if err != nil {
			t.Fatal(err)
		}
		err = within(t, tr, time.Minute)
		if (err == nil) != c.ok || calls != c.calls || !c.ok && !errors.Is(err, c.err) {
			t.Errorf("%s: %v after %d calls", c.name, err, calls)
		}
		if err := h.Close(); err != nil {
			t.Error(err)
		}
	}
	// SPI has no acknowledge: an error there is no passing one.
	calls := 0
	w := &wire{tx: func(string, []byte, []byte) error { calls++; return syscall.EAGAIN }}
	h := w.host(t.TempDir())
	defer h.Close()
	if err := within(t, spiOn(t, h, "SPI0.0"), time.Minute); err == nil || calls != 1 {
		t.Errorf("SPI: %v after %d calls", err, calls)
	}
}

// TestImports holds what this package is careful about: neither the GPIO drivers that open every gpiochip
// nor the one that maps the processor's registers come in, and no registry is filled by periph's host.
func TestImports(t *testing.T) {
	if _, err := exec.LookPath("go"); err != nil {
		t.Skip("the go command is not there")
	}
	out, err := exec.Command("go", "list", "-deps", ".").Output()
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(out), "periph.io/x/host/v3/sysfs") {
		t.Fatal("the list does not even hold sysfs")
	}
	for dep := range strings.Lines(string(out)) {
		dep = strings.TrimSpace(dep)
		for _, bad := range []string{"bcm283x", "gpioioctl", "allwinner", "pmem"} {
			if strings.Contains(dep, bad) {
				t.Errorf("%s comes in", dep)
			}
		}
		if dep == "periph.io/x/host/v3" {
			t.Errorf("%s comes in, which starts every driver", dep)
		}
	}
}

func TestNothingAllocated(t *testing.T) {
	h := (&wire{tx: echo}).host(t.TempDir())
	defer h.Close()
	tr := spiOn(t, h, "SPI0.0")
	ctx := context.Background()
	w, r := make([]byte, 17), make([]byte, 17)
	if n := testing.AllocsPerRun(100, func() {
		if err := tr.Tx(ctx, w, r); err != nil {
			t.Fatal(err)
		}
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func BenchmarkTx(b *testing.B) {
	h := (&wire{tx: echo}).host(b.TempDir())
	defer h.Close()
	tr := spiOn(b, h, "SPI0.0")
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	w, r := make([]byte, 17), make([]byte, 17)
	b.ReportAllocs()
	for b.Loop() {
		if err := tr.Tx(ctx, w, r); err != nil {
			b.Fatal(err)
		}
	}
}
