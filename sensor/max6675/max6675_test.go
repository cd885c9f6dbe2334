package max6675

import (
	"bytes"
	"context"
	_ "embed"
	"encoding/csv"
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

// vectors are words of the datasheet's and words composed by its layout.
//
//go:embed testdata/vectors.csv
var vectors []byte

func word(w uint16) [2]byte { return [2]byte{byte(w >> 8), byte(w)} }

func TestVectors(t *testing.T) {
	c := csv.NewReader(bytes.NewReader(vectors))
	c.Comment = '#'
	rows, err := c.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range rows[1:] {
		raw, err := strconv.ParseUint(row[3], 0, 16)
		if err != nil {
			t.Fatal(err)
		}
		quarters, fault := Decode(word(uint16(raw)))
		celsius, _, _ := strings.Cut(row[4], ";")
		switch {
		case row[4] == "open=1":
			if fault != sensor.Open {
				t.Errorf("%v: %v", row, fault)
			}
			continue
		case raw == 0: // the layout says 0 °C, a dead line says the same
			if fault != sensor.BusFault {
				t.Errorf("%v: %v", row, fault)
			}
		case raw == 0x7ff8: // the end of the scale: decoded, not believed
			if fault != sensor.Range {
				t.Errorf("%v: %v", row, fault)
			}
		case fault != sensor.None:
			t.Errorf("%v: %v", row, fault)
		}
		if got := fmt.Sprint(float64(quarters) / 4); got != celsius {
			t.Errorf("%v: %v °C", row, got)
		}
	}
	if len(rows)-1 != 7 {
		t.Fatalf("%d vectors, not 7", len(rows)-1)
	}
}

// chip is a transport behind which a MAX6675 sends one word.
type chip uint16

func (c chip) Tx(ctx context.Context, w, r []byte) error {
	if len(w) != 0 || len(r) != 2 {
		return fmt.Errorf("%d bytes out, %d in: the chip sends two and takes none", len(w), len(r))
	}
	r[0], r[1] = byte(c>>8), byte(c)
	return ctx.Err()
}

func (c chip) String() string { return "SPI0.0" }

func TestConformance(t *testing.T) {
	sensortest.Conformance(t, "MAX6675",
		func(tr sensor.Transport) (sensor.Probe, error) { return New(tr) },
		func() sensor.Transport { return chip(0x0c88) })
}

func TestFaults(t *testing.T) {
	for _, c := range []struct {
		name  string
		word  uint16
		want  sensor.Fault
		words string
	}{
		{"100.25 °C", 0x0c88, sensor.None, ""},
		{"the lowest bit floats", 0x0c89, sensor.None, ""},
		{"open", 0x0c88 | bitOpen, sensor.Open, "T+ and T-"},
		{"open and nothing else", bitOpen, sensor.Open, "T+ and T-"},
		{"all zeros", 0x0000, sensor.BusFault, "another chip"},
		{"all zeros but for what floats", 0x0001, sensor.BusFault, "another chip"},
		{"all ones", 0xffff, sensor.BusFault, "stuck high"},
		{"dummy bit", 0x0c88 | bitDummy, sensor.BusFault, "word 0x8c88"},
		{"device bit", 0x0c88 | bitDevice, sensor.BusFault, "word 0x0c8a"},
		{"end of the scale", 0x7ff8, sensor.Range, "1023.75"},
	} {
		d, err := New(chip(c.word))
		if err != nil {
			t.Fatal(err)
		}
		r, err := d.Read(t.Context())
		if r.Fault != c.want || (err == nil) != (c.want == sensor.None) || err != nil && !strings.Contains(err.Error(), c.words) {
			t.Errorf("%s: %v, %v", c.name, r, err)
		}
		// 75.25 °C of 41 µV are 3.08525 mV, and with type K's 1.000 mV at 25 °C make 4.085: NIST's table has 4.055 mV at
		// 99 °C and 4.096 mV at 100 °C.
		if r.Valid() && (r.Temp < 99_700 || r.Temp > 99_760) {
			t.Errorf("%s: %v", c.name, r.Temp)
		}
	}
}

func TestTape(t *testing.T) {
	d, err := New(sensortest.NewTape(t, sensortest.IO{R: []byte{0x03, 0x20}}, sensortest.IO{R: []byte{0x03, 0x24}}))
	if err != nil {
		t.Fatal(err)
	}
	if r, err := d.Read(t.Context()); err != nil || r.Temp != 25_000 {
		t.Error(r, err)
	}
	if r, err := d.Read(t.Context()); err == nil || r.Fault != sensor.Open {
		t.Error(r, err)
	}
	if d.MinInterval() != 220*time.Millisecond {
		t.Error(d.MinInterval())
	}
	if c := SPI(); c.Mode != 1 || c.Hz > 4_300_000 {
		t.Errorf("bus set to %+v", c)
	}
}

// TestLinearise goes the chip's own way: a tip gives a voltage, and the chip a line through where its board is.
// The tip must be found again to half of the chip's step and what the board's being elsewhere costs.
func TestLinearise(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tip := rapid.Float64Range(5, 900).Draw(t, "tip")
		at := rapid.Float64Range(10, 75).Draw(t, "board")
		hot, err := its90.EMF(its90.K, tip)
		if err != nil {
			t.Fatal(err)
		}
		cold, err := its90.EMF(its90.K, at)
		if err != nil {
			t.Fatal(err)
		}
		line := (hot-cold)/slope + at
		got, err := Linearise(uint16(math.Round(line * 4)))
		if err != nil || math.Abs(got-tip) > 0.135+0.3 {
			t.Fatalf("%v °C with the board at %v comes back as %v, %v", tip, at, got, err)
		}
	})
}

func FuzzDecode(f *testing.F) {
	for _, w := range []uint16{0, 1, 4, 0xffff, 0x7ff8, 0x0320, 0x8000, 2} {
		f.Add(w)
	}
	f.Fuzz(func(t *testing.T, w uint16) {
		quarters, fault := Decode(word(w))
		if fault == sensor.BusFault {
			if quarters != 0 {
				t.Fatalf("%#04x is refused with %d in it", w, quarters)
			}
			return
		}
		if back := quarters<<3 | w&(bitOpen|bitFloats); back != w || (fault == sensor.Open) != (w&bitOpen != 0) {
			t.Fatalf("%#04x: %d, %v", w, quarters, fault)
		}
		d, err := New(chip(w))
		if err != nil {
			t.Fatal(err)
		}
		if r, err := d.Read(t.Context()); r.Valid() != (err == nil) || r.Fault != fault || r.Valid() && (r.Temp < -2_000 || r.Temp > 1_030_000) {
			t.Fatalf("%#04x: %v, %v", w, r, err)
		}
	})
}

func BenchmarkRead(b *testing.B) {
	d, err := New(chip(0x0c88))
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
