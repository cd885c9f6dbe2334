package resist

import (
	"bytes"
	_ "embed"
	"encoding/csv"
	"errors"
	"math"
	"strconv"
	"testing"

	"pgregory.net/rapid"
)

// pt100 are rows of the standard's table, each with where it was read.
//
//go:embed testdata/pt100.csv
var pt100 []byte

func platinum(t testing.TB, r0 float64) *RTD {
	t.Helper()
	d, err := Platinum(r0)
	if err != nil {
		t.Fatal(err)
	}
	return &d
}

func TestPublishedRows(t *testing.T) {
	r := csv.NewReader(bytes.NewReader(pt100))
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	small, large := platinum(t, 100), platinum(t, 1000)
	published := 0
	for _, row := range rows[1:] {
		celsius, e1 := strconv.ParseFloat(row[0], 64)
		ohms, e2 := strconv.ParseFloat(row[1], 64)
		computed, e3 := strconv.ParseFloat(row[4], 64)
		if err := errors.Join(e1, e2, e3); err != nil {
			t.Fatal(err)
		}
		if row[2] == "published" {
			published++
		}
		got, err := small.Ohms(celsius)
		// The table is printed to a hundredth, the other column to four places.
		if err != nil || math.Abs(got-ohms) > 0.005+1e-9 || math.Abs(got-computed) > 0.5e-4+1e-9 {
			t.Errorf("%v: %v Ω, %v", row, got, err)
		}
		if ten, err := large.Ohms(celsius); err != nil || math.Abs(ten-10*got) > 1e-9 {
			t.Errorf("%v: a Pt1000 has %v Ω, %v", row, ten, err)
		}
		back, err := small.Celsius(ohms)
		// Half a hundredth of an ohm over the slope, which is least at the hot end: 0.29 Ω/°C.
		if err != nil || math.Abs(back-celsius) > 0.005/0.29 {
			t.Errorf("%v: %v °C, %v", row, back, err)
		}
	}
	if len(rows)-1 != 86 || published != 82 {
		t.Fatalf("%d rows, %d of them published: not 86 and 82", len(rows)-1, published)
	}
}

// TestRoundTrip with industrial platinum and with what certificates may say: the two ways agree to a
// millionth of a degree, and resistance rises with temperature.
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r0 := rapid.SampledFrom([]float64{100, 100.013, 500, 1000}).Draw(t, "r0")
		a := PlatinumA * rapid.Float64Range(0.99, 1.01).Draw(t, "a")
		b := PlatinumB * rapid.Float64Range(0, 1.05).Draw(t, "b")
		c := PlatinumC * rapid.Float64Range(0, 1.05).Draw(t, "c")
		d, err := NewRTD(r0, a, b, c)
		if err != nil {
			t.Fatal(err)
		}
		at := rapid.Float64Range(-201, 850).Draw(t, "celsius")
		ohms, err := d.Ohms(at)
		if err != nil {
			t.Fatal(err)
		}
		if back, err := d.Celsius(ohms); err != nil || math.Abs(back-at) > 1e-6 {
			t.Fatalf("%v °C is %v Ω and comes back as %v, %v", at, ohms, back, err)
		}
		more, err := d.Ohms(at + rapid.Float64Range(1e-6, 1).Draw(t, "step"))
		if err != nil || more <= ohms {
			t.Fatalf("%v Ω at %v °C, and no more above it: %v, %v", ohms, at, more, err)
		}
	})
}

// TestSlope: with a wrong one Newton's steps would still arrive, only later.
func TestSlope(t *testing.T) {
	d := platinum(t, 100)
	for at := -200.5; at < 850; at += 10 {
		up, slope := d.at(at + 1e-3)
		down, _ := d.at(at - 1e-3)
		if got := (up - down) / 2e-3; math.Abs(got-slope) > 1e-8 {
			t.Errorf("at %v °C: %v, not %v", at, slope, got)
		}
	}
}

// TestSeam at 0 °C, where one equation takes over from the other.
func TestSeam(t *testing.T) {
	d := platinum(t, 100)
	for _, at := range []float64{-1e-3, -1e-9, 0, 1e-9, 1e-3} {
		ohms, err := d.Ohms(at)
		if err != nil {
			t.Fatal(err)
		}
		if back, err := d.Celsius(ohms); err != nil || math.Abs(back-at) > 1e-10 {
			t.Errorf("%v °C comes back as %v, %v", at, back, err)
		}
	}
}

// TestCertificate has coefficients in Callendar's form turned as NewRTD says: the standard's own alpha is
// 3.85055e-3 (IEC 60751), delta 1.49990 and beta 0.10863 (its well-known equivalents, from memory).
func TestCertificate(t *testing.T) {
	const alpha, delta, beta = 3.85055e-3, 1.49990, 0.10863
	for name, pair := range map[string][2]float64{
		"A": {alpha * (1 + delta/100), PlatinumA},
		"B": {-alpha * delta / 1e4, PlatinumB},
		"C": {-alpha * beta / 1e8, PlatinumC},
	} {
		if math.Abs(pair[0]/pair[1]-1) > 1e-4 {
			t.Errorf("%s: %v, not %v", name, pair[0], pair[1])
		}
	}
}

func TestOutOfRange(t *testing.T) {
	d := platinum(t, 100)
	for _, v := range []float64{-201.1, 851.1, math.NaN(), math.Inf(1), math.Inf(-1)} {
		if ohms, err := d.Ohms(v); !errors.Is(err, ErrRange) {
			t.Errorf("%v °C: %v, %v", v, ohms, err)
		}
	}
	for _, v := range []float64{0, -1, 18, 391, math.NaN(), math.Inf(1)} {
		if celsius, err := d.Celsius(v); !errors.Is(err, ErrRange) {
			t.Errorf("%v Ω: %v, %v", v, celsius, err)
		}
	}
	if _, err := new(RTD).Celsius(0); !errors.Is(err, ErrRange) {
		t.Errorf("the zero RTD: %v", err)
	}
}

func TestNoThermometer(t *testing.T) {
	for _, c := range [][4]float64{
		{0, PlatinumA, PlatinumB, PlatinumC},
		{-100, PlatinumA, PlatinumB, PlatinumC},
		{math.NaN(), PlatinumA, PlatinumB, PlatinumC},
		{100, 0, 0, 0},
		{100, -PlatinumA, PlatinumB, PlatinumC},
		{100, PlatinumA, -5.775e-5, PlatinumC},  // turns back near 34 °C
		{100, PlatinumA, PlatinumB, -4.183e-10}, // turns back far below freezing
		{100, math.NaN(), PlatinumB, PlatinumC},
	} {
		if _, err := NewRTD(c[0], c[1], c[2], c[3]); err == nil {
			t.Errorf("%v was taken", c)
		}
	}
}

func TestNothingAllocated(t *testing.T) {
	d := platinum(t, 100)
	if n := testing.AllocsPerRun(100, func() {
		if _, err := d.Celsius(60.26); err != nil {
			t.Fatal(err)
		}
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func FuzzCelsius(f *testing.F) {
	for _, v := range []float64{0, 18.52, 60.26, 100, 138.51, 390.48, -1, 1e300} {
		f.Add(v)
	}
	f.Fuzz(func(t *testing.T, ohms float64) {
		d := platinum(t, 100)
		celsius, err := d.Celsius(ohms)
		if err != nil {
			return
		}
		if !(celsius >= -201.001 && celsius <= 851.001) {
			t.Fatalf("%v Ω: %v °C", ohms, celsius)
		}
	})
}

func BenchmarkCelsius(b *testing.B) {
	d := platinum(b, 100)
	for _, c := range []struct {
		name string
		ohms float64
	}{{"above freezing", 125}, {"below freezing", 60}} {
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := d.Celsius(c.ohms); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
