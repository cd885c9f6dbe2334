package mcp9600

import (
	"bytes"
	"context"
	_ "embed"
	"encoding/csv"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"holdbell/sensor"
	"holdbell/sensor/its90"
	"holdbell/sensor/sensortest"
)

//go:embed testdata/vectors.csv
var vectors []byte

var kitchen = Opts{Type: its90.K, Filter: 2}

func TestVectors(t *testing.T) {
	r := csv.NewReader(bytes.NewReader(vectors))
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	temps, ids := 0, 0
	for _, row := range rows[1:] {
		raw, err := strconv.ParseUint(row[3], 0, 16)
		if err != nil {
			t.Fatal(err)
		}
		switch field := row[1]; {
		case strings.HasPrefix(field, "TH ("), strings.HasPrefix(field, "limit "):
			want, err := strconv.ParseFloat(row[4], 64)
			code := [2]byte{byte(raw >> 8), byte(raw)}
			if got := Celsius(code); err != nil || got != want {
				t.Errorf("%v: %v, %v", row, got, err)
			}
			if got := millidegrees(Sixteenths(code)); float64(got) != math.Round(want*1000) {
				t.Errorf("%v: %d thousandths", row, got)
			}
			temps++
		case strings.HasPrefix(field, "device ID"):
			want := map[byte]string{id9600: "MCP9600", id9601: "MCP9601"}[byte(raw)]
			if row[4] != want {
				t.Errorf("%v: %q", row, want)
			}
			ids++
		default:
			t.Fatalf("row %v has a field that this test does not know", row)
		}
	}
	if temps != 10 || ids != 2 {
		t.Fatalf("%d temperatures and %d identities, not 10 and 2", temps, ids)
	}
}

func TestConformance(t *testing.T) {
	for name, c := range map[string]struct {
		o  Opts
		id byte
	}{
		"MCP9600": {kitchen, id9600},
		"MCP9601": {Opts{Type: its90.T, OpenDetect: true}, id9601},
	} {
		t.Run(name, func(t *testing.T) {
			sensortest.Conformance(t, name,
				func(tr sensor.Transport) (sensor.Probe, error) { return New(tr, c.o) },
				func() sensor.Transport { return newChip(c.id) })
		})
	}
}

func open(t *testing.T, id byte, o Opts) (*chip, *Dev) {
	t.Helper()
	c := newChip(id)
	d, err := New(c, o)
	if err != nil {
		t.Fatal(err)
	}
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

// settled is a chip that has been set up and gives temperatures.
func settled(t *testing.T, id byte, o Opts) (*chip, *Dev) {
	t.Helper()
	c, d := open(t, id, o)
	expect(t, d, sensor.Stale, "set up anew")
	expect(t, d, sensor.Stale, "began after the set-up")
	if got := expect(t, d, sensor.None, ""); got != 100_313 {
		t.Errorf("%d", got)
	}
	return c, d
}

func TestSetUp(t *testing.T) {
	for _, c := range []struct {
		o              Opts
		sensor, device byte
		interval       time.Duration
	}{
		{Opts{Type: its90.K}, 0x00, 0x00, 570 * time.Millisecond},
		{Opts{Type: its90.J, Filter: 7}, 0x17, 0x00, 570 * time.Millisecond},
		{Opts{Type: its90.T}, 0x20, 0x00, 570 * time.Millisecond},
		{Opts{Type: its90.N, CoarseCold: true}, 0x30, 0x80, 383 * time.Millisecond},
		{Opts{Type: its90.S}, 0x40, 0x00, 570 * time.Millisecond},
		{Opts{Type: its90.E, Filter: 1}, 0x51, 0x00, 570 * time.Millisecond},
		{Opts{Type: its90.B}, 0x60, 0x00, 570 * time.Millisecond},
		{Opts{Type: its90.R}, 0x70, 0x00, 570 * time.Millisecond},
	} {
		chip, d := open(t, id9600, c.o)
		chip.sensor, chip.device = 0x77, 0x03 // as another program left it
		expect(t, d, sensor.Stale, "set up anew")
		if chip.sensor != c.sensor || chip.device != c.device || d.MinInterval() != c.interval {
			t.Errorf("%+v: %#02x, %#02x, %v", c.o, chip.sensor, chip.device, d.MinInterval())
		}
	}
}

// TestTraffic holds what crosses the bus: one identification by a write-read, never an empty write, and no
// more than a reading needs.
func TestTraffic(t *testing.T) {
	c, d := settled(t, id9600, kitchen)
	c.logging = true
	expect(t, d, sensor.None, "")
	want := []string{"20>2", "05>1", "06>1", "04>1", "02>2", "00>2", "00>2", "04 00>0"}
	if !slices.Equal(c.log, want) {
		t.Errorf("%q", c.log)
	}
}

func TestStatus(t *testing.T) {
	for _, s := range []struct {
		id, status byte
		want       sensor.Fault
		words      string
	}{
		{id9600, statusInput, sensor.Range, "leads"},
		{id9601, statusInput, sensor.Open, "no thermocouple"},
		{id9601, statusShort, sensor.ShortGND, "ground or the supply"},
		{id9601, statusShort | statusInput, sensor.ShortGND, "ground or the supply"},
		{id9600, statusShort, sensor.BusFault, "does not know"},
	} {
		c, d := settled(t, s.id, kitchen)
		c.status = s.status
		expect(t, d, s.want, s.words)
		expect(t, d, s.want, s.words)
		c.status = 0
		// What the filter holds of the fault is thrown away.
		expect(t, d, sensor.Stale, "set up anew")
		expect(t, d, sensor.Stale, "began after the set-up")
		expect(t, d, sensor.None, "")
		c, d = settled(t, s.id, Opts{Type: its90.K}) // no filter
		c.status = s.status
		expect(t, d, s.want, s.words)
		c.status = 0
		expect(t, d, sensor.None, "")
	}
}

// TestOldConversion: a temperature that was read once is not read again, whatever its register holds.
func TestOldConversion(t *testing.T) {
	c, d := settled(t, id9601, kitchen)
	c.late = true
	for range 5 {
		expect(t, d, sensor.Stale, "no new conversion")
	}
	c.late = false
	expect(t, d, sensor.None, "")
}

func TestBrownOut(t *testing.T) {
	c, d := settled(t, id9600, kitchen)
	c.powerCut()
	expect(t, d, sensor.Stale, "set up anew")
	if c.sensor != 0x02 {
		t.Errorf("sensor configuration %#02x", c.sensor)
	}
	expect(t, d, sensor.Stale, "")
	expect(t, d, sensor.None, "")
	// A type K without a filter is set up as the chip wakes up: power-on zeros must not pass for 0 °C.
	c, d = settled(t, id9600, Opts{Type: its90.K})
	c.powerCut()
	c.late = true
	expect(t, d, sensor.Stale, "no new conversion")
}

func TestReadBack(t *testing.T) {
	c, d := open(t, id9600, kitchen)
	c.stuck = true
	for range 3 {
		expect(t, d, sensor.BusFault, "does not read back")
	}
	c.stuck = false
	expect(t, d, sensor.Stale, "set up anew")
	expect(t, d, sensor.Stale, "")
	expect(t, d, sensor.None, "")
	c.sensor |= 0x08
	expect(t, d, sensor.BusFault, "always 0")
}

func TestIdentity(t *testing.T) {
	for id, words := range map[byte]string{0x00: "stuck low", 0xff: "stuck high", 0x42: "neither"} {
		_, d := open(t, id, kitchen)
		expect(t, d, sensor.BusFault, words)
	}
	_, d := open(t, id9600, Opts{Type: its90.K, OpenDetect: true})
	expect(t, d, sensor.BusFault, "cannot tell an open thermocouple")
	c, d := open(t, id9601, Opts{Type: its90.K, OpenDetect: true})
	expect(t, d, sensor.Stale, "")
	c.status |= statusInput
	expect(t, d, sensor.Open, "MCP9601 on I2C1 0x67")
}

// TestFirstCallMissed: the first identification may come to nothing, and is made again after a pause; later ones
// are not, so that a dead chip holds nobody up.
func TestFirstCallMissed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := newChip(id9600)
		calls := 0
		bus := &sensortest.Switch{Transport: c}
		bus.Instead = func(ctx context.Context, w, r []byte) error {
			calls++
			if calls < 3 {
				return context.Canceled
			}
			return c.Tx(ctx, w, r)
		}
		d, err := New(bus, kitchen)
		if err != nil {
			t.Fatal(err)
		}
		began := time.Now()
		expect(t, d, sensor.Stale, "set up anew")
		if took := time.Since(began); took != 2*pause {
			t.Errorf("took %v", took)
		}
		c.id = 0
		for range 3 {
			expect(t, d, sensor.BusFault, "")
		}
	})
}

// TestHostThatDoesNotWait reads the byte before the one that was sent.
func TestHostThatDoesNotWait(t *testing.T) {
	for _, o := range []Opts{{Type: its90.K}, {Type: its90.T}, kitchen} {
		c, d := settled(t, id9600, o)
		c.hasty = true
		for range 10 {
			if r, err := d.Read(t.Context()); r.Valid() || err == nil {
				t.Errorf("%v, %v", r, err)
			}
		}
	}
}

// TestTwoReads: a byte that flips in one read of the hot junction costs another, and one that flips in each is a
// fault.
func TestTwoReads(t *testing.T) {
	c, d := settled(t, id9600, kitchen)
	reads, flips := 0, 1
	bus := &sensortest.Switch{Transport: c}
	bus.Instead = func(ctx context.Context, w, r []byte) error {
		err := c.Tx(ctx, w, r)
		if w[0] == regHot {
			if reads++; reads <= flips {
				r[0] ^= byte(reads)
			}
		}
		return err
	}
	d.t = bus
	if got := expect(t, d, sensor.None, ""); got != 100_313 || reads != 3 {
		t.Errorf("%d after %d reads", got, reads)
	}
	reads, flips = 0, 100
	expect(t, d, sensor.BusFault, "reads differently each time")
}

func TestColdJunctionAndRange(t *testing.T) {
	c, d := settled(t, id9601, kitchen)
	c.cold = 60 * 16
	expect(t, d, sensor.CJImplausible, "jumped from 25.00 to 60.00")
	c.cold = 400
	expect(t, d, sensor.None, "")
	c.hot = 1500 * 16
	expect(t, d, sensor.Range, "type K")
}

func TestNew(t *testing.T) {
	for _, c := range []struct {
		o    Opts
		want string
	}{
		{Opts{}, "letter"},
		{Opts{Type: 99}, "letter"},
		{Opts{Type: its90.K, Filter: -1}, "0 to 7"},
		{Opts{Type: its90.K, Filter: 8}, "0 to 7"},
	} {
		if _, err := New(newChip(id9600), c.o); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: %v", c.o, err)
		}
	}
}

func FuzzRead(f *testing.F) {
	f.Add(byte(0x40), byte(0x40), int16(1605), int16(400), byte(0x02), byte(0))
	f.Add(byte(0x41), byte(0x50), int16(-1), int16(-640), byte(0x02), byte(0))
	f.Add(byte(0xff), byte(0xff), int16(-1), int16(-1), byte(0xff), byte(0xff))
	f.Add(byte(0), byte(0), int16(0), int16(0), byte(0), byte(0))
	f.Fuzz(func(t *testing.T, id, status byte, hot, cold int16, sensorReg, device byte) {
		c, d := settled(t, id9601, kitchen)
		c.id, c.status, c.hot, c.cold, c.sensor, c.device = id, status, hot, cold, sensorReg, device
		r, err := d.Read(t.Context())
		if r.Valid() != (err == nil) {
			t.Fatalf("%v, %v", r, err)
		}
		if r.Valid() && (id != id9600 && id != id9601 || status&(statusInput|statusShort) != 0 ||
			sensorReg != d.sensor || device != 0 || math.Abs(float64(r.Temp)-float64(hot)*62.5) > 0.5) {
			t.Fatalf("%v of %#02x %#02x %d %#02x %#02x", r, id, status, hot, sensorReg, device)
		}
	})
}

func BenchmarkRead(b *testing.B) {
	d, err := New(newChip(id9600), kitchen)
	if err != nil {
		b.Fatal(err)
	}
	ctx := context.Background()
	for range 2 {
		if _, err := d.Read(ctx); err == nil {
			b.Fatal("believed at once")
		}
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := d.Read(ctx); err != nil {
			b.Fatal(err)
		}
	}
}
