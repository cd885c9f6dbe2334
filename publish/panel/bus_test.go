package panel

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"holdbell/sensor/bus"
)

// slowPort is a device on an I2C bus of 100 kHz: nine clocks a byte, and one byte for the address.
type slowPort struct{ took func(int) }

func (p slowPort) Tx(w, r []byte) error {
	n := 1 + len(w) + len(r)
	time.Sleep(time.Duration(9*n) * 10 * time.Microsecond)
	p.took(n)
	return nil
}

func (p slowPort) Close() error { return nil }

// TestThermometersGoFirst holds that a thermometer on the display's own bus waits for one short transaction at most,
// even while whole pictures are drawn.
func TestThermometersGoFirst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		drawn := 0
		host := bus.New(bus.Options{OpenI2C: func(_ int, addr uint16) (bus.Port, error) {
			return slowPort{func(n int) {
				if addr == 0x3c {
					drawn += n
				}
			}}, nil
		}})
		defer host.Close()
		probe, err := host.I2C("I2C1", 0x67)
		if err != nil {
			t.Fatal(err)
		}
		display, err := host.I2C("I2C1", 0x3c)
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan int)
		go func() {
			pictures := 0
			for ctx.Err() == nil {
				o, err := openOLED(ctx, display, 64)
				if err == nil && o.show(ctx, view{head: "brisket", temp: "151°F", coarse: "151°F", line: []string{"OK"}}, 0, '*') == nil {
					pictures++
				}
			}
			ended <- pictures
		}()
		var longest time.Duration
		for range 2000 {
			time.Sleep(7 * time.Millisecond)
			began := time.Now()
			if err := probe.Tx(ctx, []byte{0}, make([]byte, 2)); err != nil {
				t.Fatal(err)
			}
			longest = max(longest, time.Since(began))
		}
		cancel()
		if pictures := <-ended; pictures < 10 || drawn < 10*1024 {
			t.Fatalf("only %d pictures of %d bytes were drawn meanwhile", pictures, drawn)
		}
		own := 4 * 90 * time.Microsecond
		if longest > own+36*90*time.Microsecond {
			t.Errorf("a thermometer waited %v, of which its own transaction is %v", longest, own)
		}
		t.Logf("the longest reading took %v", longest)
	})
}
