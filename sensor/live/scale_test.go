package live_test

import (
	"context"
	"fmt"
	"runtime"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"holdbell/sensor"
	"holdbell/sensor/bus"
	"holdbell/sensor/its90"
	"holdbell/sensor/live"
	"holdbell/sensor/max31855"
)

// kitchenOf64 is sixteen chip selects on each of four buses, behind the real workers.
func kitchenOf64(tb testing.TB, tx func(bus int, w, r []byte) error) (*bus.Host, []live.Named) {
	tb.Helper()
	host := bus.New(bus.Options{OpenSPI: func(b, _ int, _ sensor.SPIConfig) (bus.Port, error) {
		return port(func(w, r []byte) error { return tx(b, w, r) }), nil
	}})
	var probes []live.Named
	for b := range 4 {
		for cs := range 16 {
			t, err := host.SPI(fmt.Sprintf("SPI%d.%d", b, cs), max31855.SPI())
			if err != nil {
				tb.Fatal(err)
			}
			p, err := max31855.New(t, max31855.Opts{Type: its90.K})
			if err != nil {
				tb.Fatal(err)
			}
			probes = append(probes, live.Named{Name: fmt.Sprintf("p%d-%d", b, cs), Probe: p})
		}
	}
	return host, probes
}

type port func(w, r []byte) error

func (p port) Tx(w, r []byte) error { return p(w, r) }
func (p port) Close() error         { return nil }

// warm is 65.5 °C with the chip at 25 °C (MAX31855 datasheet, tables 4 and 5).
func warm(_ int, _, r []byte) error {
	copy(r, []byte{0x04, 0x18, 0x19, 0x00})
	return nil
}

// BenchmarkSweepOf64 is one sweep a second of 64 probes on four buses, in real time. late-ms is the worst that
// a sweep came after its second, core-% the processor's time of the whole process a sweep, of one core.
func BenchmarkSweepOf64(b *testing.B) {
	host, probes := kitchenOf64(b, warm)
	defer host.Close()
	began := time.Now()
	src, err := live.New(probes, time.Second, func() sensor.Instant { return sensor.Instant{Wall: time.Now(), Mono: time.Since(began)} }, nil)
	if err != nil {
		b.Fatal(err)
	}
	first, err := src.Next(context.Background())
	if err != nil {
		b.Fatal(err)
	}
	var worst time.Duration
	used := cpu()
	n := 0
	for b.Loop() {
		n++
		s, err := src.Next(context.Background())
		if err != nil {
			b.Fatal(err)
		}
		for i, r := range s.Readings {
			if !r.Valid() {
				b.Fatalf("%s: %v", probes[i].Name, r.Fault)
			}
		}
		worst = max(worst, time.Since(began)-first.At.Mono-time.Duration(n)*time.Second)
	}
	b.ReportMetric(float64(worst)/1e6, "late-ms")
	b.ReportMetric(100*float64(cpu()-used)/float64(n)/1e9, "core-%")
}

func cpu() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// A bus that hangs through 1,000 sweeps costs no goroutine more, and its neighbours no reading.
func TestBlockedPollsGrowNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		release := make(chan struct{})
		host, probes := kitchenOf64(t, func(bus int, w, r []byte) error {
			if bus == 2 {
				<-release
			}
			return warm(bus, w, r)
		})
		began := time.Now()
		src, err := live.New(probes, time.Second, func() sensor.Instant { return sensor.Instant{Wall: time.Now(), Mono: time.Since(began)} }, nil)
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		sweep := func(n int) {
			for range n {
				s, err := src.Next(ctx)
				if err != nil {
					t.Fatal(err)
				}
				for i, r := range s.Readings {
					if blocked := i/16 == 2; r.Valid() == blocked {
						t.Fatalf("%s: %v", probes[i].Name, r)
					}
				}
			}
		}
		sweep(10)
		before := runtime.NumGoroutine()
		sweep(1000)
		if after := runtime.NumGoroutine(); after > before+5 { // the runtime has some of its own
			t.Errorf("%d goroutines, %d after 1,000 blocked polls", before, after)
		}
		if late := time.Since(began) - 1009*time.Second; late > time.Second {
			t.Errorf("1,010 sweeps took %v longer than their seconds", late)
		}
		cancel()
		close(release)
		if err := host.Close(); err != nil {
			t.Fatal(err)
		}
	})
}
