package max31865

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
	"time"

	"holdbell/sensor"
	"holdbell/sensor/resist"
	"holdbell/sensor/sensortest"
)

// vectors are the datasheet's table 5 and table 9 as words, table9 is the latter in full.
var (
	//go:embed testdata/vectors.csv
	vectors []byte
	//go:embed testdata/table9.csv
	table9 []byte
)

func platinum(t testing.TB, r0 float64) resist.RTD {
	t.Helper()
	d, err := resist.Platinum(r0)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func kitchen(t testing.TB) Opts {
	return Opts{Sensor: platinum(t, 100), Wires: 3, Reference: 400, MainsHz: 60}
}

func rows(t *testing.T, data []byte) [][]string {
	t.Helper()
	r := csv.NewReader(bytes.NewReader(data))
	r.Comment = '#'
	all, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return all[1:]
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	f, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// half is half a step of the converter in ohms beside a reference of 400 Ω, and half of what the table prints.
const half = 400./32768/2 + 0.005

func TestVectors(t *testing.T) {
	ratios, degrees := 0, 0
	for _, row := range rows(t, vectors) {
		raw, err := strconv.ParseUint(row[3], 0, 16)
		if err != nil {
			t.Fatal(err)
		}
		code, flagged := Decode([2]byte{byte(raw >> 8), byte(raw)})
		if flagged {
			t.Errorf("%v is marked as faulty", row)
		}
		want := number(t, row[4])
		switch row[5] {
		case "ratio R/RREF":
			ratios++
			// Table 5 prints three places, cut off.
			if got := Ratio(code); math.Abs(got-want) > 0.001 {
				t.Errorf("%v: %v", row, got)
			}
		case "degC":
			degrees++
			c, d := newChip(), (*Dev)(nil)
			c.code = code
			if d, err = New(c, kitchen(t)); err != nil {
				t.Fatal(err)
			}
			expect(t, d, sensor.Stale, "set up")
			// The slope of platinum is at least 0.32 Ω/°C up to 550 °C.
			if got := expect(t, d, sensor.None, ""); math.Abs(got.Celsius()-want) > half/0.32 {
				t.Errorf("%v: %v", row, got)
			}
		default:
			t.Fatalf("row %v has a unit that this test does not know", row)
		}
	}
	if ratios != 6 || degrees != 46 {
		t.Fatalf("%d ratios and %d temperatures, not 6 and 46", ratios, degrees)
	}
}

func TestTable9(t *testing.T) {
	d := platinum(t, 100)
	all := rows(t, table9)
	for _, row := range all {
		raw, err := strconv.ParseUint(row[2], 16, 16)
		if err != nil {
			t.Fatal(err)
		}
		code, _ := Decode([2]byte{byte(raw >> 8), byte(raw)})
		celsius, ohms := number(t, row[0]), number(t, row[1])
		if float64(code) != number(t, row[3]) || math.Abs(Ratio(code)*400-ohms) > half {
			t.Errorf("%v: code %d, %v Ω", row, code, Ratio(code)*400)
		}
		if linear := float64(code)/32 - 256; math.Abs(linear-number(t, row[4])) > 0.005+1e-9 {
			t.Errorf("%v: the straight line gives %v", row, linear)
		}
		if got, err := d.Celsius(Ratio(code) * 400); err != nil || math.Abs(got-celsius) > half/0.32 {
			t.Errorf("%v: %v °C, %v", row, got, err)
		}
	}
	if len(all) != 46 {
		t.Fatalf("%d rows, not 46", len(all))
	}
}

func TestConformance(t *testing.T) {
	sensortest.Conformance(t, "MAX31865",
		func(tr sensor.Transport) (sensor.Probe, error) { return New(tr, kitchen(t)) },
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
		wires, hz int
		config    byte
	}{{2, 60, 0xc0}, {2, 50, 0xc1}, {3, 60, 0xd0}, {3, 50, 0xd1}, {4, 60, 0xc0}, {4, 50, 0xc1}} {
		o := kitchen(t)
		o.Wires, o.MainsHz = c.wires, c.hz
		chip, d := open(t, o)
		expect(t, d, sensor.Stale, "register 00h held 0x00")
		// 390.48 Ω at 850 °C and 18.52 Ω at -200 °C, rounded outwards: codes 31989 and 1516.
		want := [numRegs]byte{c.config, 0, 0, 0xf9, 0xea, 0x0b, 0xd8, 0}
		if chip.regs != want {
			t.Errorf("%+v: % x, not % x", c, chip.regs, want)
		}
		if got := expect(t, d, sensor.None, ""); math.Abs(got.Celsius()-100) > 0.02 {
			t.Errorf("%v", got)
		}
		if chip.regs[regConfig] != c.config || chip.cycles != 1 {
			t.Errorf("%+v: left at %#02x after %d cycles", c, chip.regs[regConfig], chip.cycles)
		}
	}
}

// TestShortScale: where the scale ends before platinum does, its end is the threshold, for that is what an open lead
// reads as.
func TestShortScale(t *testing.T) {
	o := kitchen(t)
	o.Reference = 220
	c, d := open(t, o)
	expect(t, d, sensor.Stale, "")
	if c.regs[regHigh] != 0xff || c.regs[regHigh+1] != 0xfe {
		t.Errorf("high threshold % x", c.regs[regHigh:regLow])
	}
	c.code = 32767
	expect(t, d, sensor.Open, "")
}

// TestTakenOver has a chip that converts with somebody else's filter and wiring: it is stopped before they change.
func TestTakenOver(t *testing.T) {
	c, d := open(t, kitchen(t))
	c.regs[regConfig] = cfgBias | cfgAuto | cfgNotch50
	expect(t, d, sensor.Stale, "set up anew")
	expect(t, d, sensor.None, "")
	// One that is already right was perhaps set up by this program's last run: its measurement may be old.
	again, err := New(c, kitchen(t))
	if err != nil {
		t.Fatal(err)
	}
	expect(t, again, sensor.Stale, "waiting for a whole conversion")
	expect(t, again, sensor.None, "")
}

func TestFaults(t *testing.T) {
	for _, f := range []struct {
		name  string
		code  uint16
		leads uint8
		volts bool
		want  sensor.Fault
		words string
	}{
		{"healthy", 11346, 0, false, sensor.None, ""},
		{"open", 32767, faultRefHigh, false, sensor.Open, "open"},
		{"open, with leads afloat", 32767, faultRefHigh | faultRTDLow, false, sensor.Open, "open"},
		{"FORCE- unconnected", 11346, faultRefHigh, false, sensor.Open, "jumpers"},
		{"hotter than platinum goes", 32000, 0, false, sensor.Open, "open"},
		{"shorted", 3, 0, false, sensor.Range, "touch each other"},
		{"no resistance at all", 0, 0, false, sensor.Range, "touch each other"},
		{"RTDIN+ on ground", 3, faultRTDLow, false, sensor.ShortGND, "ground"},
		{"RTDIN- on ground looks valid", 11346, faultRTDLow, false, sensor.ShortGND, "ground"},
		{"FORCE- on ground", 11346, faultRefLow, false, sensor.ShortGND, "ground"},
		{"beyond the supply", 11346, 0, true, sensor.OverUnderVoltage, "live metal"},
		{"beyond the supply and open", 32767, faultRefHigh, true, sensor.OverUnderVoltage, "live metal"},
	} {
		t.Run(f.name, func(t *testing.T) {
			c, d := open(t, kitchen(t))
			expect(t, d, sensor.Stale, "")
			expect(t, d, sensor.None, "")
			c.code, c.leads, c.volts = f.code, f.leads, f.volts
			for range 3 {
				expect(t, d, f.want, f.words)
			}
			// Healed, no fault stands over: it was cleared when it was told.
			c.code, c.leads, c.volts = 11346, 0, false
			if f.volts {
				// Conversions were held up meanwhile: the number may be from before.
				expect(t, d, sensor.Stale, "whole conversion")
			}
			expect(t, d, sensor.None, "")
		})
	}
}

// TestFaultBetweenReadings stands until it is told, even if the lead was mended since.
func TestFaultBetweenReadings(t *testing.T) {
	c, d := open(t, kitchen(t))
	expect(t, d, sensor.Stale, "")
	expect(t, d, sensor.None, "")
	c.code = 32767
	c.look(true) // a conversion
	c.code = 11346
	expect(t, d, sensor.Open, "")
	expect(t, d, sensor.None, "")
}

func TestImpossibleWords(t *testing.T) {
	for name, instead := range map[string]func(n int, r []byte){
		"marked as faulty without a fault": func(n int, r []byte) { r[1+regRTD+1] |= 1 },
		"a fault that goes by itself": func(n int, r []byte) {
			if n == 0 {
				r[1+regFault] |= faultRefLow
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			c := newChip()
			bus := &sensortest.Switch{Transport: c}
			d, err := New(bus, kitchen(t))
			if err != nil {
				t.Fatal(err)
			}
			expect(t, d, sensor.Stale, "")
			expect(t, d, sensor.None, "")
			n := 0
			bus.Instead = func(ctx context.Context, w, r []byte) error {
				if err := c.Tx(ctx, w, r); err != nil {
					return err
				}
				if len(r) > 0 {
					instead(n, r)
					n++
				}
				return nil
			}
			expect(t, d, sensor.BusFault, "look at the wiring")
			bus.Instead = nil
			expect(t, d, sensor.None, "")
		})
	}
}

// TestNothingMeasured: zeros without a fault are what the registers hold before the first conversion, and no
// resistance.
func TestNothingMeasured(t *testing.T) {
	c := newChip()
	bus := &sensortest.Switch{Transport: c}
	d, err := New(bus, kitchen(t))
	if err != nil {
		t.Fatal(err)
	}
	expect(t, d, sensor.Stale, "")
	bus.Instead = func(ctx context.Context, w, r []byte) error {
		err := c.Tx(ctx, w, r)
		if len(r) > regRTD+2 {
			r[1+regRTD], r[1+regRTD+1] = 0, 0
		}
		return err
	}
	expect(t, d, sensor.Stale, "power-on zeros")
}

func TestPowerLoss(t *testing.T) {
	c, d := open(t, kitchen(t))
	expect(t, d, sensor.Stale, "")
	expect(t, d, sensor.None, "")
	c.powerCut()
	expect(t, d, sensor.Stale, "set up anew")
	expect(t, d, sensor.None, "")
	// Any bit of the set-up counts, not the configuration alone; a threshold's lowest means nothing.
	for _, reg := range []int{regHigh, regHigh + 1, regLow, regLow + 1} {
		c.regs[reg] ^= 0x02
		expect(t, d, sensor.Stale, "set up anew")
		expect(t, d, sensor.None, "")
	}
	c.regs[regHigh+1] ^= 1
	expect(t, d, sensor.None, "")
}

// TestPowerLossInACycle: the reading that meets it is not believed.
func TestPowerLossInACycle(t *testing.T) {
	c, d := open(t, kitchen(t))
	bus := &sensortest.Switch{Transport: c}
	d.t = bus
	expect(t, d, sensor.Stale, "")
	expect(t, d, sensor.None, "")
	n := 0
	bus.Instead = func(ctx context.Context, w, r []byte) error {
		if n++; n == 3 {
			c.powerCut()
		}
		return c.Tx(ctx, w, r)
	}
	expect(t, d, sensor.BusFault, "not what was written")
	bus.Instead = nil
	expect(t, d, sensor.Stale, "set up anew")
	expect(t, d, sensor.None, "")
}

func TestReadBack(t *testing.T) {
	for _, reg := range []int{regConfig, regHigh, regHigh + 1, regLow, regLow + 1} {
		c, d := open(t, kitchen(t))
		c.stuck = map[int]byte{reg: 0x12}
		for range 3 {
			expect(t, d, sensor.BusFault, "not what was written")
		}
		c.stuck = nil
		expect(t, d, sensor.Stale, "set up anew")
		expect(t, d, sensor.None, "")
	}
}

// TestStartRefused has a chip that takes the set-up but will not start: only the last read shows it.
func TestStartRefused(t *testing.T) {
	c, d := open(t, kitchen(t))
	c.stuck = map[int]byte{regConfig: cfgBias | cfgThreeWire}
	for range 2 {
		expect(t, d, sensor.BusFault, "register 00h reads 0x90")
	}
}

func TestSlowCycle(t *testing.T) {
	c, d := open(t, kitchen(t))
	expect(t, d, sensor.Stale, "")
	c.slow = patience - 1
	expect(t, d, sensor.None, "")
	c.slow = patience
	expect(t, d, sensor.BusFault, "does not end")
	c.slow = 0
	expect(t, d, sensor.Stale, "set up anew")
	expect(t, d, sensor.None, "")
}

// TestTape holds what goes over the wires in a good reading.
func TestTape(t *testing.T) {
	running := []byte{0, 0xd0, 0x58, 0xa4, 0xf9, 0xea, 0x0b, 0xd8, 0}
	stopped := slices.Clone(running)
	stopped[1] = 0x90
	all := make([]byte, 9)
	tape := sensortest.NewTape(t,
		sensortest.IO{W: all, R: running}, sensortest.IO{W: []byte{0x80, 0x94}}, sensortest.IO{W: all, R: stopped}, sensortest.IO{W: []byte{0x80, 0xd0}},
		sensortest.IO{W: all, R: running}, sensortest.IO{W: []byte{0x80, 0x94}}, sensortest.IO{W: all, R: stopped}, sensortest.IO{W: []byte{0x80, 0xd0}})
	d, err := New(tape, kitchen(t))
	if err != nil {
		t.Fatal(err)
	}
	expect(t, d, sensor.Stale, "waiting")
	if got := expect(t, d, sensor.None, ""); math.Abs(got.Celsius()-100) > 0.02 {
		t.Error(got)
	}
}

func TestNew(t *testing.T) {
	for _, c := range []struct {
		change func(*Opts)
		want   string // in the error; empty when there is none
	}{
		{func(*Opts) {}, ""},
		{func(o *Opts) { o.Sensor, o.Reference = platinum(t, 1000), 4300 }, ""},
		{func(o *Opts) { o.Reference = 430 }, ""},
		{func(o *Opts) { o.Sensor = resist.RTD{} }, "Pt100 or a Pt1000"},
		{func(o *Opts) { o.Wires = 0 }, "2, 3 or 4"},
		{func(o *Opts) { o.Wires = 5 }, "2, 3 or 4"},
		{func(o *Opts) { o.MainsHz = 0 }, "50 or 60"},
		{func(o *Opts) { o.Reference = 0 }, "commonly 400 or 430"},
		{func(o *Opts) { o.Reference = math.NaN() }, "commonly 400 or 430"},
		{func(o *Opts) { o.Sensor = platinum(t, 1000) }, "commonly 4000 or 4300"},
		{func(o *Opts) { o.Reference = 4300 }, "commonly 400 or 430"},
	} {
		o := kitchen(t)
		c.change(&o)
		if _, err := New(newChip(), o); (err == nil) != (c.want == "") || err != nil && !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: %v", o, err)
		}
	}
	if c := SPI(); c.Mode != 1 || c.Hz > 5_000_000 {
		t.Errorf("bus set to %+v", c)
	}
	for hz, want := range map[int]time.Duration{60: 72_600 * time.Microsecond, 50: 87 * time.Millisecond} {
		o := kitchen(t)
		o.MainsHz = hz
		if _, d := open(t, o); d.MinInterval() != want {
			t.Errorf("%d Hz: %v", hz, d.MinInterval())
		}
	}
}

// FuzzRegisters feeds register files: no temperature unless the set-up stands, no fault does, and the
// resistance is one of platinum's.
func FuzzRegisters(f *testing.F) {
	f.Add([]byte{0xd0, 0x58, 0xa4, 0xf9, 0xea, 0x0b, 0xd8, 0}, []byte{0x90, 0x58, 0xa4, 0xf9, 0xea, 0x0b, 0xd8, 0})
	f.Add(powerOn[:], powerOn[:])
	f.Add(make([]byte, numRegs), make([]byte, numRegs))
	f.Fuzz(func(t *testing.T, first, second []byte) {
		if len(first) != numRegs || len(second) != numRegs {
			return
		}
		n := 0
		bus := &sensortest.Switch{Transport: newChip(), Instead: func(_ context.Context, _, r []byte) error {
			if len(r) > 0 {
				copy(r[1:], [][]byte{first, second}[n&1])
				n++
			}
			return nil
		}}
		d, err := New(bus, kitchen(t))
		if err != nil {
			t.Fatal(err)
		}
		for range 3 {
			n = 0
			r, err := d.Read(t.Context())
			if r.Valid() != (err == nil) {
				t.Fatalf("% x: %v, %v", first, r, err)
			}
			if r.Valid() && (d.differs(first, d.config) >= 0 || first[regFault]|second[regFault] >= faultVoltage || r.Temp < -201_000 || r.Temp > 851_000) {
				t.Fatalf("% x, % x: %v", first, second, r)
			}
		}
	})
}

func BenchmarkRead(b *testing.B) {
	d, err := New(newChip(), kitchen(b))
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
