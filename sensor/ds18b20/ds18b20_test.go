package ds18b20

import (
	"context"
	"errors"
	"math"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/onewire"

	"holdbell/sensor"
	"holdbell/sensor/kitchen/chip"
	"holdbell/sensor/sensortest"
)

const serial = "28-0000075b2a3c"

// line is a simulated bridge with sensors, as a transport. Its time stands still until the test moves it.
type line struct {
	c    *chip.DS2482
	now  time.Duration
	pins map[string]*chip.Pins
	// each lets a second pass with each reset of the line.
	each bool
	log  []byte // first bytes of the bytes written to the line
}

func newLine(t testing.TB, serials ...string) *line {
	t.Helper()
	l := &line{c: chip.NewDS2482(), pins: map[string]*chip.Pins{}}
	for i, s := range serials {
		p := &chip.Pins{Tip: 65.0625 + float64(i)}
		l.pins[s] = p
		a, err := ParseSerial(s)
		if err != nil {
			t.Fatal(err)
		}
		if err := l.c.Add(uint64(a)<<8>>16, func() chip.Pins { return *p }); err != nil {
			t.Fatal(err)
		}
	}
	return l
}

func (l *line) String() string { return "I2C1 0x18" }

func (l *line) Tx(ctx context.Context, w, r []byte) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if l.each && len(w) == 1 && w[0] == 0xb4 {
		l.now += time.Second
	}
	if len(w) == 2 && w[0] == 0xa5 {
		l.log = append(l.log, w[1])
	}
	return l.c.Tx(l.now, w, r)
}

func open(t testing.TB, tr sensor.Transport) *Dev {
	t.Helper()
	b, err := NewBridge(tr)
	if err != nil {
		t.Fatal(err)
	}
	d, err := b.Probe(serial)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func expect(t *testing.T, d *Dev, want sensor.Fault, words string) sensor.Temp {
	t.Helper()
	r, err := d.Read(t.Context())
	if r.Fault != want || (err == nil) != (want == sensor.None) {
		t.Errorf("%v, %v: not %q", r, err, want)
	}
	if err != nil && !strings.Contains(err.Error(), words) {
		t.Errorf("%v: says nothing of %q", err, words)
	}
	return r.Temp
}

// inTime runs f in virtual time, so that the drivers' waits cost nothing.
func inTime(t *testing.T, f func(t *testing.T)) { t.Helper(); synctest.Test(t, f) }

func TestConformance(t *testing.T) {
	sensortest.Conformance(t, "DS18B20",
		func(tr sensor.Transport) (sensor.Probe, error) {
			b, err := NewBridge(tr)
			if err != nil {
				return nil, err
			}
			return b.Probe(serial)
		},
		func() sensor.Transport {
			l := newLine(t, serial)
			l.each = true
			return l
		}, sensortest.Wraps)
}

func TestReadings(t *testing.T) {
	inTime(t, func(t *testing.T) {
		l := newLine(t, serial)
		d := open(t, l)
		expect(t, d, sensor.Stale, "first conversion")
		// Each reading is of the conversion that the one before has started.
		for _, c := range []float64{-55, -10.125, -0.0625, 0, 0.0625, 25.0625, 65.5, 84.9375, 85, 85.0625, 125} {
			l.pins[serial].Tip = c
			l.now += time.Second
			expect(t, d, sensor.None, "")
			l.now += time.Second
			if got := expect(t, d, sensor.None, ""); float64(got) != math.Round(c*1000) {
				t.Errorf("%v, not %v", got, c)
			}
		}
		if strings.Contains(string(l.log), "\x48") {
			t.Error("the permanent memory was written")
		}
	})
}

// TestPowerOnValue: 85 °C after a lost supply is not believed, at any moment, and neither is it at the beginning.
func TestPowerOnValue(t *testing.T) {
	inTime(t, func(t *testing.T) {
		l := newLine(t, serial)
		d := open(t, l)
		expect(t, d, sensor.Stale, "")
		for range 3 { // no conversion ends
			expect(t, d, sensor.Stale, "before it has measured anything")
		}
		l.now += time.Second
		expect(t, d, sensor.None, "")
		l.now += time.Second
		l.c.PowerCycle(l.now)
		expect(t, d, sensor.BusFault, "bridge has lost its supply")
		expect(t, d, sensor.Stale, "")
		l.now += time.Second
		expect(t, d, sensor.None, "")
	})
}

// TestSensorLosesItsSupply, the bridge keeps its own.
func TestSensorLosesItsSupply(t *testing.T) {
	inTime(t, func(t *testing.T) {
		for _, tip := range []float64{65, 84, 85} {
			l := newLine(t, serial)
			l.pins[serial].Tip = tip
			d := open(t, l)
			expect(t, d, sensor.Stale, "")
			l.now += time.Second
			if tip == 85 {
				expect(t, d, sensor.Stale, "exactly 85")
				l.pins[serial].Tip = 84.5
				l.now += time.Second
			}
			expect(t, d, sensor.None, "")
			// A new bridge of the simulator with the same sensor is what a brown-out of the sensor looks like.
			fresh := newLine(t, serial)
			fresh.pins[serial].Tip = tip
			if err := fresh.c.Tx(0, []byte{0xd2, 0xe1}, make([]byte, 1)); err != nil { // set up as the driver does
				t.Fatal(err)
			}
			l.c = fresh.c
			l.now += time.Second
			expect(t, d, sensor.Stale, "lost its supply")
			l.now += time.Second
			if tip != 85 {
				expect(t, d, sensor.None, "")
			}
		}
	})
}

func TestFaults(t *testing.T) {
	inTime(t, func(t *testing.T) {
		const other = "28-0000000000aa"
		for _, c := range []struct {
			name    string
			serials []string
			wiring  map[string]chip.Wiring
			want    sensor.Fault
			words   string
		}{
			{"alone and open", []string{serial}, map[string]chip.Wiring{serial: chip.Open}, sensor.Open, "nothing answers"},
			{"open beside another", []string{serial, other}, map[string]chip.Wiring{serial: chip.Open}, sensor.Open, "does not answer"},
			{"not there", []string{other}, nil, sensor.Open, "does not answer"},
			{"shorted", []string{serial}, map[string]chip.Wiring{serial: chip.ToGround}, sensor.ShortGND, "shorted to ground"},
			{"shorted by another", []string{serial, other}, map[string]chip.Wiring{other: chip.ToGround}, sensor.ShortGND, "shorted to ground"},
			{"other one open", []string{serial, other}, map[string]chip.Wiring{other: chip.Open}, sensor.None, ""},
		} {
			for _, early := range []bool{true, false} {
				l := newLine(t, c.serials...)
				l.each = true
				d := open(t, l)
				if !early && l.pins[serial] != nil {
					expect(t, d, sensor.Stale, "")
					expect(t, d, sensor.None, "")
				}
				for s, w := range c.wiring {
					l.pins[s].Wiring = w
				}
				if early && c.want == sensor.None {
					expect(t, d, sensor.Stale, "")
				}
				for range 3 {
					expect(t, d, c.want, c.words)
				}
				for _, p := range l.pins {
					p.Wiring = chip.Intact
				}
				if l.pins[serial] == nil {
					continue
				}
				if d.dev == nil {
					expect(t, d, sensor.Stale, "")
				}
				expect(t, d, sensor.None, "")
			}
		}
	})
}

// TestZeros: a scratchpad of zeros has the right checksum.
func TestZeros(t *testing.T) {
	inTime(t, func(t *testing.T) {
		l := newLine(t, serial)
		l.each = true
		bus := &sensortest.Switch{Transport: l}
		d := open(t, bus)
		expect(t, d, sensor.Stale, "")
		expect(t, d, sensor.None, "")
		bus.Instead = func(ctx context.Context, w, r []byte) error {
			err := l.Tx(ctx, w, r)
			if len(w) == 2 && w[0] == 0xe1 && w[1] == 0xe1 {
				clear(r) // the data register alone
			}
			return err
		}
		for range 5 {
			expect(t, d, sensor.BusFault, "zeros")
		}
		if !onewire.CheckCRC(make([]byte, 9)) {
			t.Error("the checksum of zeros is wrong after all")
		}
	})
}

// TestTwoSensors share a bridge and are read at once.
func TestTwoSensors(t *testing.T) {
	inTime(t, func(t *testing.T) {
		const other = "28-0000000000aa"
		l := newLine(t, serial, other)
		d := open(t, l)
		e, err := d.bridge.Probe(other)
		if err != nil {
			t.Fatal(err)
		}
		if d.MinInterval() != 850*time.Millisecond {
			t.Errorf("%v", d.MinInterval())
		}
		expect(t, d, sensor.Stale, "")
		expect(t, e, sensor.Stale, "")
		for range 5 {
			l.now += time.Second
			done := make(chan error)
			for p, want := range map[*Dev]sensor.Temp{d: 65_063, e: 66_063} {
				go func() {
					r, err := p.Read(t.Context())
					if err == nil && r.Temp != want {
						err = errors.New(r.Temp.String())
					}
					done <- err
				}()
			}
			for range 2 {
				if err := <-done; err != nil {
					t.Error(err)
				}
			}
		}
	})
}

func TestNames(t *testing.T) {
	a, err := ParseSerial(serial)
	var rom [8]byte
	for i := range rom {
		rom[i] = byte(a >> (8 * i))
	}
	if err != nil || !onewire.CheckCRC(rom[:]) || rom[0] != 0x28 || rom[1] != 0x3c || rom[6] != 0 {
		t.Errorf("% x, %v", rom, err)
	}
	for s, words := range map[string]string{"": "write it as", "28-0000075B2A3C": "write it as", "28-75b2a3c": "write it as", "10-0000075b2a3c": "family 10"} {
		if _, err := ParseSerial(s); err == nil || !strings.Contains(err.Error(), words) {
			t.Errorf("%q: %v", s, err)
		}
	}
	d := open(t, newLine(t, serial))
	if _, err := d.bridge.Probe(serial); err == nil || !strings.Contains(err.Error(), "two probes") {
		t.Error(err)
	}
	if _, err := d.bridge.Probe("x"); err == nil {
		t.Error("a serial of no form")
	}
	if _, err := d.bridge.Search(false); err == nil {
		t.Error("the line was searched")
	}
	if err := (&gate{}).Tx(0, nil, nil); err == nil {
		t.Error("the driver reached the bus outside of a read")
	}
}

// FuzzScratchpad: whatever the scratchpad holds, a temperature is one that a marked sensor at full resolution
// has.
func FuzzScratchpad(f *testing.F) {
	f.Add([]byte{0x50, 0x05, 0x35, 0xca, 0x7f, 0xff, 0x0c, 0x10})
	f.Add([]byte{0x91, 0x01, 0x35, 0xca, 0x7f, 0xff, 0x0c, 0x10})
	f.Add(make([]byte, 8))
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) != 8 {
			return
		}
		pad := append(b[:8:8], onewire.CalcCRC(b))
		synctest.Test(t, func(t *testing.T) {
			l := newLine(t, serial)
			l.each = true
			bus := &sensortest.Switch{Transport: l}
			d := open(t, bus)
			expect(t, d, sensor.Stale, "")
			expect(t, d, sensor.None, "")
			n := 0
			bus.Instead = func(ctx context.Context, w, r []byte) error {
				err := l.Tx(ctx, w, r)
				if len(w) == 2 && w[0] == 0xe1 && w[1] == 0xe1 {
					r[0] = pad[n%9]
					n++
				}
				return err
			}
			r, err := d.Read(t.Context())
			raw := int16(uint16(b[1])<<8 | uint16(b[0]))
			if r.Valid() != (err == nil) || r.Valid() && (b[2] != d.mark[0] || b[3] != d.mark[1] || b[4] != twelveBits ||
				float64(r.Temp) != math.Round(float64(raw)*62.5) || r.Temp == powerOn) {
				t.Fatalf("% x: %v, %v", pad, r, err)
			}
		})
	})
}
