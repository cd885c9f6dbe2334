package max31855

import (
	"bytes"
	"context"
	_ "embed"
	"encoding/binary"
	"encoding/csv"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"holdbell/sensor"
	"holdbell/sensor/its90"
	"holdbell/sensor/sensortest"
)

// vectors are the datasheet's decoding tables and whole words composed of them.
//
//go:embed testdata/vectors.csv
var vectors []byte

func word(w uint32) (b [4]byte) {
	binary.BigEndian.PutUint32(b[:], w)
	return b
}

func TestVectors(t *testing.T) {
	c := csv.NewReader(bytes.NewReader(vectors))
	c.Comment = '#'
	rows, err := c.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, row := range rows[1:] {
		field, expected := row[1], row[4]
		raw, err := strconv.ParseUint(row[3], 0, 32)
		if err != nil {
			t.Fatal(err)
		}
		n++
		switch field {
		case "TC D[31:18]":
			// With a cold junction beside it, so that the word is not all zeros.
			f, fault := Decode(word(uint32(raw)<<18 | 0x1900))
			if want, err := strconv.ParseFloat(expected, 64); err != nil || f.HotCelsius() != want || fault != sensor.None {
				t.Errorf("%v: %+v, %v", row, f, fault)
			}
		case "CJ D[15:4]":
			f, fault := Decode(word(uint32(raw)<<4 | 100<<18))
			if want, err := strconv.ParseFloat(expected, 64); err != nil || f.ColdCelsius() != want || fault != sensor.None {
				t.Errorf("%v: %+v, %v", row, f, fault)
			}
		case "frame32":
			f, fault := Decode(word(uint32(raw)))
			frameRow(t, row, expected, f, fault)
		default:
			t.Fatalf("row %v has a field that this test does not know", row)
		}
	}
	if n != 28 {
		t.Fatalf("%d vectors, not 28", n)
	}
}

// frameRow checks a whole word's row: "tc=1000;cj=25;fault=0", "fault=OC;cj=25", or words that say that it
// must be refused. The all-zero word stands in the table twice, as decoded by the layout and as what it is in
// the field; the latter holds.
func frameRow(t *testing.T, row []string, expected string, f Frame, fault sensor.Fault) {
	if row[3] == "0x00000000" || strings.HasPrefix(expected, "invalid") {
		if fault != sensor.BusFault || f != (Frame{}) {
			t.Errorf("%v: %+v, %v", row, f, fault)
		}
		return
	}
	want := map[string]sensor.Fault{"0": sensor.None, "OC": sensor.Open, "SCG": sensor.ShortGND, "SCV": sensor.ShortVCC}
	for part := range strings.SplitSeq(expected, ";") {
		key, value, _ := strings.Cut(part, "=")
		switch key {
		case "fault":
			if w, ok := want[value]; !ok || fault != w {
				t.Errorf("%v: %v", row, fault)
			}
		case "tc":
			if fmt.Sprint(f.HotCelsius()) != value {
				t.Errorf("%v: hot %v", row, f.HotCelsius())
			}
		case "cj":
			if fmt.Sprint(f.ColdCelsius()) != value {
				t.Errorf("%v: cold %v", row, f.ColdCelsius())
			}
		default:
			t.Errorf("row %v: what is %q?", row, key)
		}
	}
}

func TestConformance(t *testing.T) {
	for _, typ := range []its90.Type{its90.K, its90.T, its90.S} {
		sensortest.Conformance(t, "MAX31855",
			func(tr sensor.Transport) (sensor.Probe, error) { return New(tr, Opts{Type: typ}) },
			func() sensor.Transport { return chip(0x01901900) })
	}
}

// chip is a transport behind which a MAX31855 sends one word.
type chip uint32

func (c chip) Tx(ctx context.Context, w, r []byte) error {
	if len(w) != 0 || len(r) != 4 {
		return fmt.Errorf("%d bytes out, %d in: the chip sends four and takes none", len(w), len(r))
	}
	binary.BigEndian.PutUint32(r, uint32(c))
	return ctx.Err()
}

func (c chip) String() string { return "SPI0.0" }

func reading(t *testing.T, o Opts, w uint32) (sensor.Reading, error) {
	t.Helper()
	d, err := New(chip(w), o)
	if err != nil {
		t.Fatal(err)
	}
	return d.Read(t.Context())
}

func TestFaults(t *testing.T) {
	ignoring := func(f ...sensor.Fault) Opts { return Opts{Type: its90.K, IgnoreFaults: f} }
	const good = 100<<18 | 0x190<<4
	for _, c := range []struct {
		name string
		word uint32
		o    Opts
		want sensor.Fault
	}{
		{"good", good, ignoring(), sensor.None},
		{"open", good | bitFault | bitOpen, ignoring(), sensor.Open},
		{"short to ground", good | bitFault | bitShortGND, ignoring(), sensor.ShortGND},
		{"short to supply", good | bitFault | bitShortVCC, ignoring(), sensor.ShortVCC},
		{"open before shorts", good | bitFault | 7, ignoring(), sensor.Open},
		{"ignored short to ground", good | bitFault | bitShortGND, ignoring(sensor.ShortGND), sensor.None},
		{"the other short", good | bitFault | bitShortVCC, ignoring(sensor.ShortGND), sensor.ShortVCC},
		{"both shorts, one ignored", good | bitFault | bitShortVCC | bitShortGND, ignoring(sensor.ShortVCC), sensor.ShortGND},
		{"both ignored", good | bitFault | bitShortVCC | bitShortGND, ignoring(sensor.ShortVCC, sensor.ShortGND), sensor.None},
		{"open never ignored", good | bitFault | 7, ignoring(sensor.ShortVCC, sensor.ShortGND), sensor.Open},
		{"ignored short, input full scale", 0x1fff<<18 | 0x1900 | bitFault | bitShortGND, ignoring(sensor.ShortGND), sensor.Range},
		{"all zeros", 0, ignoring(), sensor.BusFault},
		{"all ones", 0xffffffff, ignoring(), sensor.BusFault},
		{"reserved bit 17", good | bitReserved17, ignoring(), sensor.BusFault},
		{"reserved bit 3", good | bitReserved3, ignoring(), sensor.BusFault},
		{"fault flag without a fault", good | bitFault, ignoring(), sensor.BusFault},
		{"fault without its flag", good | bitOpen, ignoring(), sensor.BusFault},
		{"cold junction at 127 °C", 0x64007f00, ignoring(), sensor.CJImplausible},
		{"cold junction at -55 °C", 0xf060c900, ignoring(), sensor.CJImplausible},
		{"cold junction at 125 °C", 150<<2<<18 | 125<<8, ignoring(), sensor.None},
		{"hotter than type K goes", 0x64001900, ignoring(), sensor.Range},
	} {
		r, err := reading(t, c.o, c.word)
		if r.Fault != c.want || (err == nil) != (c.want == sensor.None) {
			t.Errorf("%s: %v, %v", c.name, r, err)
		}
	}
}

func TestColdJunctionJump(t *testing.T) {
	cold := func(celsius uint32) sensortest.IO {
		w := word(100<<18 | celsius<<8)
		return sensortest.IO{R: w[:]}
	}
	tape := sensortest.NewTape(t, cold(25), cold(60), cold(25), cold(60), cold(60), cold(60), cold(60))
	d, err := New(tape, Opts{Type: its90.K})
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []sensor.Fault{sensor.None, sensor.CJImplausible, sensor.None, sensor.CJImplausible,
		sensor.CJImplausible, sensor.None, sensor.None} {
		if r, err := d.Read(t.Context()); r.Fault != want {
			t.Errorf("reading %d: %v, %v", i, r, err)
		}
	}
}

// TestLinearise goes the chip's own way: a junction at a known temperature gives a known voltage, which the
// chip turns into degrees by its straight line, in quarters. The correction must find the junction again.
func TestLinearise(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		typ := rapid.SampledFrom([]its90.Type{its90.E, its90.J, its90.K, its90.N, its90.R, its90.S, its90.T}).Draw(t, "type")
		lowest, highest := its90.Range(typ)
		tip := rapid.Float64Range(max(lowest, -200), highest).Draw(t, "tip")
		cold := int16(rapid.IntRange(-40*16, 125*16).Draw(t, "cold"))
		hot, err := its90.EMF(typ, tip)
		if err != nil {
			t.Fatal(err)
		}
		ref, err := its90.EMF(typ, float64(cold)/16)
		if err != nil {
			t.Fatal(err)
		}
		line := (hot-ref)*1000/Slope(typ) + float64(cold)/16
		if line < -2048 || line > 2047 {
			t.Skip("off the chip's scale")
		}
		got, err := Linearise(typ, Frame{Hot: int16(math.Round(line * 4)), Cold: cold})
		if err != nil {
			// Half a quarter degree can carry the ends of the range out of it.
			if errors.Is(err, its90.ErrRange) && (tip > highest-1 || tip < max(lowest, -200)+10) {
				return
			}
			t.Fatal(err)
		}
		// Half of the chip's step, through the curve's slope there against the line's.
		up, err := its90.EMF(typ, min(tip+0.5, highest))
		if err != nil {
			t.Fatal(err)
		}
		down, err := its90.EMF(typ, max(tip-0.5, lowest))
		if err != nil {
			t.Fatal(err)
		}
		slope := (up - down) * 1000 / (min(tip+0.5, highest) - max(tip-0.5, lowest))
		if step := 0.125 * Slope(typ) / slope; math.Abs(got-tip) > step*1.05+1e-6 {
			t.Fatalf("type %v: %v °C comes back as %v, more than %v off", typ, tip, got, step)
		}
	})
}

// TestSlope repeats datasheet table 1, p. 8, in microvolts a degree, and sees that each line stays near
// its curve: a swapped pair of rows would not. The chip's J and R lines are drawn to their upper ends.
func TestSlope(t *testing.T) {
	for typ, want := range map[its90.Type]float64{its90.K: 41.276, its90.J: 57.953, its90.N: 36.256, its90.S: 9.587,
		its90.T: 52.18, its90.E: 76.373, its90.R: 10.506, its90.B: 0} {
		if got := Slope(typ); got != want {
			t.Errorf("type %v: %v µV, not %v", typ, got, want)
		}
		if want == 0 {
			continue
		}
		_, highest := its90.Range(typ)
		mv, err := its90.EMF(typ, min(highest, 1000))
		if err != nil {
			t.Fatal(err)
		}
		if mean := mv * 1000 / min(highest, 1000); math.Abs(mean/want-1) > 0.02 {
			t.Errorf("type %v: %v µV, but its curve rises by %.3f on average", typ, want, mean)
		}
	}
}

func TestReadingIsRounded(t *testing.T) {
	// 65.5 °C by the line with the chip at 25 °C: 40.5 °C of 41.276 µV are 1.671678 mV, and with type K's
	// 1.000219 mV at 25 °C make 2.671897 mV: in NIST's table between 65 °C (2.644) and 66 °C (2.685).
	r, err := reading(t, Opts{Type: its90.K}, 262<<18|0x1900)
	if err != nil || r.Temp < 65_650 || r.Temp > 65_710 {
		t.Fatal(r, err)
	}
	back, err := its90.EMF(its90.K, r.Temp.Celsius())
	if err != nil || math.Abs(back-2.671897) > 3e-5 {
		t.Errorf("%v mV, %v", back, err)
	}
}

func TestNew(t *testing.T) {
	for _, c := range []struct {
		o    Opts
		want string // in the error; empty when there is none
	}{
		{Opts{Type: its90.K}, ""},
		{Opts{Type: its90.R, IgnoreFaults: []sensor.Fault{sensor.ShortVCC}}, ""},
		{Opts{}, "part number"},
		{Opts{Type: its90.B}, "type B"},
		{Opts{Type: its90.K, IgnoreFaults: []sensor.Fault{sensor.Open}}, `"open" cannot be ignored`},
		{Opts{Type: its90.K, IgnoreFaults: []sensor.Fault{sensor.BusFault}}, `"bus_fault" cannot be ignored`},
	} {
		d, err := New(chip(0), c.o)
		if (err == nil) != (c.want == "") || err != nil && !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: %v, %v", c.o, d, err)
		}
	}
	if c := SPI(); c.Mode != 0 || c.Hz > 5_000_000 {
		t.Errorf("bus set to %+v", c)
	}
	d, err := New(chip(0), Opts{Type: its90.K})
	if err != nil || d.MinInterval() != 100*time.Millisecond || d.String() != "MAX31855 on SPI0.0" {
		t.Error(d, err)
	}
}

func FuzzDecode(f *testing.F) {
	for _, w := range []uint32{0, 0xffffffff, 0x01901900, 0xf060c900, 0x7ffd1901, 0x64007f00, 0x00020000, 8} {
		f.Add(w)
	}
	f.Fuzz(func(t *testing.T, w uint32) {
		frame, fault := Decode(word(w))
		if fault == sensor.BusFault {
			if frame != (Frame{}) {
				t.Fatalf("%#x: a refused word gives %+v", w, frame)
			}
			return
		}
		// What was taken apart must give the word again.
		back := uint32(frame.Hot)<<18 | uint32(uint16(frame.Cold)<<4)
		for bit, set := range map[uint32]bool{bitOpen: frame.Open, bitShortGND: frame.ShortGND, bitShortVCC: frame.ShortVCC} {
			if set {
				back |= bit | bitFault
			}
		}
		if back != w {
			t.Fatalf("%#08x comes back as %#08x", w, back)
		}
		d, err := New(chip(w), Opts{Type: its90.K})
		if err != nil {
			t.Fatal(err)
		}
		r, err := d.Read(t.Context())
		if r.Valid() != (err == nil) || r.Valid() && (fault != sensor.None || r.Temp < -270_000 || r.Temp > 1_372_000) {
			t.Fatalf("%#08x: %v, %v", w, r, err)
		}
	})
}

func BenchmarkRead(b *testing.B) {
	d, err := New(chip(0x01901900), Opts{Type: its90.K})
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	ctx := context.Background()
	for b.Loop() {
		if _, err := d.Read(ctx); err != nil {
			b.Fatal(err)
		}
	}
}
