package max31856

import (
	"bytes"
	"context"
	_ "embed"
	"encoding/csv"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"holdbell/sensor"
	"holdbell/sensor/its90"
	"holdbell/sensor/sensortest"
)

// vectors are the datasheet's decoding tables and power-on values.
//
//go:embed testdata/vectors.csv
var vectors []byte

var kitchen = Opts{Type: its90.K, MainsHz: 60}

func TestVectors(t *testing.T) {
	r := csv.NewReader(bytes.NewReader(vectors))
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	resets, n := 0, 0
	for _, row := range rows[1:] {
		field, expected := row[1], row[4]
		raw, err := strconv.ParseUint(row[3], 0, 32)
		if err != nil {
			t.Fatal(err)
		}
		want, notNumber := strconv.ParseFloat(expected, 64)
		n++
		switch {
		case strings.HasPrefix(field, "CJTH:CJTL"):
			s := Decode([6]byte{byte(raw >> 8), byte(raw)})
			if notNumber != nil || s.ColdCelsius() != want {
				t.Errorf("%v: %v", row, s.ColdCelsius())
			}
		case strings.HasPrefix(field, "LTCBH:M:L"):
			// The five low bits mean nothing.
			for _, low := range []byte{0, 0x1f} {
				s := Decode([6]byte{0, 0, byte(raw >> 16), byte(raw >> 8), byte(raw) | low})
				if notNumber != nil || s.HotCelsius() != want {
					t.Errorf("%v: %v", row, s.HotCelsius())
				}
				if got := millidegrees(s.Hot); float64(got) != math.Round(want*1000) {
					t.Errorf("%v: %d thousandths", row, got)
				}
			}
		case strings.HasPrefix(field, "CJTO"):
			o := kitchen
			o.ColdJunctionOffset = want
			d, err := New(newChip(), o)
			if notNumber != nil || err != nil || d.want[regCJTO] != byte(raw) {
				t.Errorf("%v: %v", row, err)
			}
		case strings.HasPrefix(field, "reset reg "):
			reg, err := strconv.ParseUint(field[len("reset reg "):][:2], 16, 8)
			if err != nil || powerOn[reg] != byte(raw) {
				t.Errorf("%v: %#02x, %v", row, powerOn[reg], err)
			}
			resets++
		default:
			t.Fatalf("row %v has a field that this test does not know", row)
		}
	}
	if n != 41 || resets != numRegs {
		t.Fatalf("%d vectors, %d of them power-on values: not 41 and 16", n, resets)
	}
}

func TestConformance(t *testing.T) {
	sensortest.Conformance(t, "MAX31856",
		func(tr sensor.Transport) (sensor.Probe, error) { return New(tr, kitchen) },
		func() sensor.Transport { return newChip() })
}

// open makes a chip and a probe on it, and checks at the end that the chip was treated well.
func open(t *testing.T, o Opts) (*chip, *Dev) {
	t.Helper()
	c := newChip()
	d, err := New(c, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if len(c.abuses) > 0 {
			t.Error(c.abuses)
		}
	})
	return c, d
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

func TestSetUp(t *testing.T) {
	for _, c := range []struct {
		o        Opts
		cr0, cr1 byte
		offset   byte
	}{
		{Opts{Type: its90.K, MainsHz: 60}, 0x90, 0x03, 0},
		{Opts{Type: its90.K, MainsHz: 50}, 0x91, 0x03, 0},
		{Opts{Type: its90.B, MainsHz: 50, Averaging: 1}, 0x91, 0x00, 0},
		{Opts{Type: its90.E, MainsHz: 60, Averaging: 2}, 0x90, 0x11, 0},
		{Opts{Type: its90.J, MainsHz: 60, Averaging: 4, OpenDetect: Open40kFast}, 0xa0, 0x22, 0},
		{Opts{Type: its90.N, MainsHz: 60, Averaging: 8, OpenDetect: Open40kSlow}, 0xb0, 0x34, 0},
		{Opts{Type: its90.R, MainsHz: 60, Averaging: 16}, 0x90, 0x45, 0},
		{Opts{Type: its90.S, MainsHz: 60, ColdJunctionOffset: -0.5}, 0x90, 0x06, 0xf8},
		{Opts{Type: its90.T, MainsHz: 60, ColdJunctionOffset: 1.03}, 0x90, 0x07, 0x10},
	} {
		chip, d := open(t, c.o)
		expect(t, d, sensor.Stale, "first conversion under way")
		want := powerOn
		want[regCR0], want[regCR1], want[regCJTO] = c.cr0, c.cr1, c.offset
		if chip.regs != want {
			t.Errorf("%+v: registers % x, not % x", c.o, chip.regs, want)
		}
	}
}

func TestFirstReadings(t *testing.T) {
	c, d := open(t, kitchen)
	expect(t, d, sensor.Stale, "register 00h held 0x00")
	if got := expect(t, d, sensor.None, ""); got != 100_938 {
		t.Errorf("%d", got)
	}

	// A chip that another process has set up already is not believed at once: what it holds may be older.
	again, err := New(c, kitchen)
	if err != nil {
		t.Fatal(err)
	}
	expect(t, again, sensor.Stale, "waiting")
	expect(t, again, sensor.None, "")

	// One that is running with another mains filter is stopped first; the chip minds otherwise.
	other := kitchen
	other.MainsHz = 50
	moved, err := New(c, other)
	if err != nil {
		t.Fatal(err)
	}
	expect(t, moved, sensor.Stale, "set up anew")
	expect(t, moved, sensor.None, "")
}

func TestPowerOnZerosAreNoTemperature(t *testing.T) {
	c, d := open(t, kitchen)
	c.data = [6]byte{}
	expect(t, d, sensor.Stale, "first conversion")
	for range 3 {
		expect(t, d, sensor.Stale, "power-on zeros")
	}
	// The zeros have not become the cold junction's level either.
	good := newChip().data
	zeros := c.data
	c.data = good
	expect(t, d, sensor.None, "")

	c, d = open(t, kitchen)
	c.data = zeros
	expect(t, d, sensor.Stale, "first conversion")
	c.data[1] = 0x04 // a sixty-fourth of a degree: a chip that is truly at freezing point
	if got := expect(t, d, sensor.None, ""); got != 0 {
		t.Errorf("%d", got)
	}
}

func TestBrownOut(t *testing.T) {
	c, d := open(t, Opts{Type: its90.T, MainsHz: 50, Averaging: 4})
	expect(t, d, sensor.Stale, "")
	expect(t, d, sensor.None, "")
	c.powerCut()
	expect(t, d, sensor.Stale, "register 00h held 0x00, not 0x91")
	if c.regs[regCR1] != 0x27 {
		t.Errorf("CR1 %#02x", c.regs[regCR1])
	}
	expect(t, d, sensor.None, "")
	// Any of the set-up registers counts, not CR0 alone.
	for reg := range numSetUp {
		c.regs[reg] ^= 0x08
		expect(t, d, sensor.Stale, "set up anew")
		expect(t, d, sensor.None, "")
	}
	c.abuses = nil // this test meddled with CR0 itself
}

func TestReadBack(t *testing.T) {
	for reg := range numSetUp {
		c, d := open(t, Opts{Type: its90.J, MainsHz: 60, Averaging: 2, ColdJunctionOffset: 1})
		c.stuck = map[int]byte{reg: 0x5a}
		c.regs[reg] = 0x5a
		for range 3 {
			expect(t, d, sensor.BusFault, "reads 0x5a after")
		}
		c.abuses = nil
		c.stuck = nil
		expect(t, d, sensor.Stale, "set up anew")
		expect(t, d, sensor.None, "")
	}
	// Bits 7 and 6 of MASK are reserved: nobody knows what they read as.
	c, d := open(t, kitchen)
	c.stuck = map[int]byte{regMASK: 0x3f}
	expect(t, d, sensor.Stale, "")
	expect(t, d, sensor.None, "")
}

// TestStartRefused has a chip that takes the set-up but will not start: only the last write shows it.
func TestStartRefused(t *testing.T) {
	c, d := open(t, kitchen)
	c.stuck = map[int]byte{regCR0: 0x10}
	for range 2 {
		expect(t, d, sensor.BusFault, "register 00h reads 0x10 after 0x90")
	}
}

func TestStatus(t *testing.T) {
	for _, s := range []struct {
		status byte
		want   sensor.Fault
	}{
		{0, sensor.None},
		{srOpen, sensor.Open},
		{srVoltage, sensor.OverUnderVoltage},
		{srVoltage | srOpen, sensor.OverUnderVoltage},
		{srHotRange, sensor.Range},
		{srHotRange | srOpen, sensor.Open},
		{srColdRange, sensor.CJImplausible},
		{srColdHigh, sensor.CJImplausible},
		{srColdLow, sensor.CJImplausible},
		{srHotHigh, sensor.Range},
		{srHotLow, sensor.Range},
	} {
		c, d := open(t, kitchen)
		expect(t, d, sensor.Stale, "")
		c.data[5] = s.status
		expect(t, d, s.want, "")
		c.data[5] = 0
		if s.status&srVoltage != 0 {
			// Conversions were suspended: the numbers are from before.
			expect(t, d, sensor.Stale, "whole conversion")
		}
		expect(t, d, sensor.None, "")
	}
	// A status bit with every value beside it: never a temperature.
	for status := 1; status < 256; status++ {
		c, d := open(t, kitchen)
		expect(t, d, sensor.Stale, "")
		c.data[5] = byte(status)
		if r, err := d.Read(t.Context()); r.Valid() || err == nil {
			t.Errorf("status %#02x: %v, %v", status, r, err)
		}
	}
}

func TestColdJunctionJump(t *testing.T) {
	c, d := open(t, kitchen)
	expect(t, d, sensor.Stale, "")
	expect(t, d, sensor.None, "")
	c.data[0] = 0x3c // 60 °C
	expect(t, d, sensor.CJImplausible, "jumped from 25.00 to 60.00")
	c.data[0] = 0x19
	expect(t, d, sensor.None, "")
	c.data[0] = 0x3c
	expect(t, d, sensor.CJImplausible, "")
	expect(t, d, sensor.CJImplausible, "")
	expect(t, d, sensor.None, "")
}

func TestOutsideTheType(t *testing.T) {
	c, d := open(t, Opts{Type: its90.T, MainsHz: 60})
	expect(t, d, sensor.Stale, "")
	c.data[2], c.data[3] = 0x3e, 0x80 // 1000 °C
	expect(t, d, sensor.Range, "type T")
}

// TestOneTransactionAReading holds what keeps measurement and set-up of one moment.
func TestOneTransactionAReading(t *testing.T) {
	want := [numRegs]byte{0x91, 0x03, 0xff, 0x7f, 0xc0, 0x7f, 0xff, 0x80, 0x00, 0x00, 0x19, 0x00, 0x06, 0x4f, 0x00, 0x00}
	all := sensortest.IO{W: make([]byte, 17), R: append([]byte{0xff}, want[:]...)}
	d, err := New(sensortest.NewTape(t, all, all), Opts{Type: its90.K, MainsHz: 50})
	if err != nil {
		t.Fatal(err)
	}
	expect(t, d, sensor.Stale, "waiting")
	expect(t, d, sensor.None, "")
}

func TestNew(t *testing.T) {
	for _, c := range []struct {
		o    Opts
		want string
	}{
		{Opts{Type: its90.K}, "50 or 60"},
		{Opts{Type: its90.K, MainsHz: 400}, "50 or 60"},
		{Opts{MainsHz: 50}, "letter"},
		{Opts{Type: its90.K, MainsHz: 50, Averaging: 3}, "1, 2, 4, 8 and 16"},
		{Opts{Type: its90.K, MainsHz: 50, Averaging: -1}, "1, 2, 4, 8 and 16"},
		{Opts{Type: its90.K, MainsHz: 50, OpenDetect: 3}, "open detection"},
		{Opts{Type: its90.K, MainsHz: 50, ColdJunctionOffset: 8}, "-8 to +7.9375"},
		{Opts{Type: its90.K, MainsHz: 50, ColdJunctionOffset: math.NaN()}, "-8 to +7.9375"},
		{Opts{Type: its90.K, MainsHz: 50, IgnoreFaults: []sensor.Fault{sensor.Open}}, `"open" cannot be ignored`},
	} {
		if _, err := New(newChip(), c.o); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: %v", c.o, err)
		}
	}
	o := kitchen
	o.IgnoreFaults = []sensor.Fault{sensor.ShortGND, sensor.ShortVCC}
	if _, err := New(newChip(), o); err != nil {
		t.Error(err)
	}
	if c := SPI(); c.Mode != 1 || c.Hz > 5_000_000 {
		t.Errorf("bus set to %+v", c)
	}
}

func TestMinInterval(t *testing.T) {
	for _, c := range []struct {
		o    Opts
		want time.Duration
	}{
		{Opts{Type: its90.K, MainsHz: 60}, 170 * time.Millisecond},
		{Opts{Type: its90.K, MainsHz: 50}, 200 * time.Millisecond},
		{Opts{Type: its90.K, MainsHz: 60, Averaging: 4}, 269_990 * time.Microsecond},
		{Opts{Type: its90.K, MainsHz: 50, Averaging: 16}, 800 * time.Millisecond},
		{Opts{Type: its90.K, MainsHz: 50, Averaging: 16, OpenDetect: Open40kSlow}, 910 * time.Millisecond},
		{Opts{Type: its90.K, MainsHz: 60, OpenDetect: Open40kFast}, 192 * time.Millisecond},
	} {
		if _, d := open(t, c.o); d.MinInterval() != c.want {
			t.Errorf("%+v: %v", c.o, d.MinInterval())
		}
	}
}

func FuzzDecode(f *testing.F) {
	f.Add([]byte{0x19, 0x00, 0x06, 0x4f, 0x00, 0x00})
	f.Add([]byte{0, 0, 0, 0, 0, 0})
	f.Add([]byte{0xff, 0xff, 0xff, 0xff, 0xff, 0xff})
	f.Add([]byte{0xc9, 0x00, 0xf0, 0x60, 0x00, 0x02})
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) != 6 {
			return
		}
		s := Decode([6]byte(b))
		cold, hot := uint16(s.Cold)<<2, uint32(s.Hot)<<5&0xffffff
		back := []byte{byte(cold >> 8), byte(cold) | b[1]&3, byte(hot >> 16), byte(hot >> 8), byte(hot) | b[4]&0x1f, s.Status}
		if !bytes.Equal(back, b) {
			t.Fatalf("% x comes back as % x", b, back)
		}
		if got, exact := float64(millidegrees(s.Hot)), s.HotCelsius()*1000; math.Abs(got-exact) > 0.5 {
			t.Fatalf("%v thousandths for %v", got, exact)
		}
		c := newChip()
		copy(c.data[:], b)
		d, err := New(c, kitchen)
		if err != nil {
			t.Fatal(err)
		}
		expect(t, d, sensor.Stale, "")
		r, err := d.Read(t.Context())
		if r.Valid() != (err == nil) || r.Valid() && (b[5] != 0 || r.Temp < -270_000 || r.Temp > 1_372_000) {
			t.Fatalf("% x: %v, %v", b, r, err)
		}
	})
}

// FuzzRegisters feeds whole register files that a chip with the right set-up cannot have sent.
func FuzzRegisters(f *testing.F) {
	f.Add([]byte{0x90, 0x03, 0xff, 0x7f, 0xc0, 0x7f, 0xff, 0x80, 0x00, 0x00, 0x19, 0x00, 0x06, 0x4f, 0x00, 0x00})
	f.Add(make([]byte, 16))
	f.Add(powerOn[:])
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) != numRegs {
			return
		}
		bus := &sensortest.Switch{Instead: func(_ context.Context, _, r []byte) error {
			if len(r) > 0 {
				copy(r[1:], b)
			}
			return nil
		}}
		bus.Transport = newChip()
		d, err := New(bus, kitchen)
		if err != nil {
			t.Fatal(err)
		}
		for range 3 {
			r, err := d.Read(t.Context())
			if r.Valid() != (err == nil) || r.Valid() && differs(b, d.want) >= 0 {
				t.Fatalf("% x: %v, %v", b, r, err)
			}
		}
	})
}

func BenchmarkRead(b *testing.B) {
	d, err := New(newChip(), kitchen)
	if err != nil {
		b.Fatal(err)
	}
	ctx := context.Background()
	if _, err := d.Read(ctx); err == nil {
		b.Fatal("believed at once")
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := d.Read(ctx); err != nil {
			b.Fatal(err)
		}
	}
}
