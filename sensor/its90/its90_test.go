package its90

import (
	"bytes"
	"compress/gzip"
	_ "embed"
	"encoding/csv"
	"errors"
	"io"
	"math"
	"strconv"
	"testing"

	"pgregory.net/rapid"
)

// nistTable is NIST SRD 60's table of all eight types at every degree: type,temp_c,emf_mv.
//
//go:embed testdata/nist_1c.csv.gz
var nistTable []byte

//go:embed testdata/cold_junction.csv
var coldJunctionTable []byte

func records(t testing.TB, r io.Reader) [][]string {
	t.Helper()
	c := csv.NewReader(r)
	c.Comment = '#'
	rows, err := c.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows[1:]
}

func number(t testing.TB, s string) float64 {
	t.Helper()
	f, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func letter(t testing.TB, s string) Type {
	t.Helper()
	typ, err := ParseType(s)
	if err != nil {
		t.Fatal(err)
	}
	return typ
}

func TestEveryPointOfTheTable(t *testing.T) {
	z, err := gzip.NewReader(bytes.NewReader(nistTable))
	if err != nil {
		t.Fatal(err)
	}
	rows := records(t, z)
	if len(rows) != 12026 {
		t.Fatalf("%d points, not the 12,026 of the table", len(rows))
	}
	for _, row := range rows {
		typ, celsius, printed := letter(t, row[0]), number(t, row[1]), number(t, row[2])
		got, err := EMF(typ, celsius)
		if err != nil {
			t.Fatalf("%v at %v °C: %v", typ, celsius, err)
		}
		if math.Round(got*1000) != math.Round(printed*1000) {
			t.Errorf("%v at %v °C: %.7f mV, the table prints %.3f", typ, celsius, got, printed)
		}
		if typ == B && celsius < 43 {
			continue
		}
		back, err := Temperature(typ, got)
		if err != nil {
			t.Errorf("%v at %.7f mV: %v", typ, got, err)
		} else if math.Abs(back-celsius) > 1e-6 {
			t.Errorf("%v: %v °C comes back as %v", typ, celsius, back)
		}
	}
}

// TestRises holds what the inverse stands on: looked at every hundredth of a degree, each curve rises
// everywhere above type B's fold and comes back from every one of those points.
func TestRises(t *testing.T) {
	for typ := B; typ <= T; typ++ {
		lo, hi := Range(typ)
		if typ == B {
			lo = math.Ceil(solvers[B].start[0]*100) / 100
		}
		worst, before := 0.0, math.Inf(-1)
		for i := range int((hi-lo)*100) + 1 {
			celsius := min(lo+float64(i)/100, hi)
			mv, err := EMF(typ, celsius)
			if err != nil {
				t.Fatal(err)
			}
			if mv <= before {
				t.Errorf("type %v falls at %.2f °C", typ, celsius)
			}
			before = mv
			back, err := Temperature(typ, mv)
			if err != nil {
				t.Fatalf("type %v at %.2f °C: %v", typ, celsius, err)
			}
			worst = max(worst, math.Abs(back-celsius))
		}
		if worst > 1e-6 {
			t.Errorf("type %v: back and forth differ by %.3g °C", typ, worst)
		}
		t.Logf("type %v: worst return %.2g °C", typ, worst)
	}
}

func TestColdJunctionProblems(t *testing.T) {
	degrees := func(s, unit string) float64 {
		f := number(t, s)
		if unit == "degF" {
			f = (f - 32) * 5 / 9
		}
		return f
	}
	n := 0
	// type,meas_mv,cj,true,unit,published_true,direction,source,use,note
	for _, row := range records(t, bytes.NewReader(coldJunctionTable)) {
		if row[8] != "yes" {
			continue
		}
		n++
		typ, cold := letter(t, row[0]), degrees(row[2], row[4])
		switch row[6] {
		case "mV+CJ->T":
			got, err := Compensate(typ, number(t, row[1]), cold)
			if err != nil {
				t.Fatal(err)
			}
			if math.Abs(got-degrees(row[3], row[4])) > 0.006 {
				t.Errorf("%v: %v °C", row, got)
			}
			// The published answers are rounded to a degree of their unit, one to a tenth.
			half := 0.5
			if row[4] == "degF" {
				half *= 5. / 9
			}
			if math.Abs(got-degrees(row[5], row[4])) > half {
				t.Errorf("%v: %v °C against the published answer", row, got)
			}
		case "T+CJ->mV":
			hot, err := EMF(typ, degrees(row[3], row[4]))
			if err != nil {
				t.Fatal(err)
			}
			ref, err := EMF(typ, cold)
			if err != nil {
				t.Fatal(err)
			}
			if got := hot - ref; math.Abs(got-number(t, row[5])) > 0.0011 {
				t.Errorf("%v: %.5f mV", row, got)
			}
		default:
			t.Fatalf("direction %q", row[6])
		}
	}
	if n != 12 {
		t.Fatalf("%d problems, not 12", n)
	}
}

func TestCoefficients(t *testing.T) {
	pieces, terms := 0, 0
	for typ := B; typ <= T; typ++ {
		c := curves[typ]
		from := c.min
		for i, p := range c.pieces {
			pieces++
			terms += len(p.c)
			if p.upTo <= from {
				t.Errorf("type %v: piece %d ends at %v °C, before it starts", typ, i, p.upTo)
			}
			from = p.upTo
			if i == 0 {
				continue
			}
			// Neighbours meet within 8e-8 mV.
			edge := c.pieces[i-1].upTo
			a := curve{pieces: c.pieces[i-1 : i]}
			b := curve{pieces: c.pieces[i : i+1]}
			left, _ := a.at(edge)
			right, _ := b.at(edge)
			if math.Abs(left-right) > 8e-8 {
				t.Errorf("type %v jumps by %.3g mV at %v °C", typ, right-left, edge)
			}
		}
		if from != c.max {
			t.Errorf("type %v: pieces end at %v, the range at %v", typ, from, c.max)
		}
	}
	// Of NIST's 352 coefficients 188 belong to the inverse polynomials and 3 to type K's exponential.
	if pieces != 18 || terms != 352-188-3 {
		t.Errorf("%d pieces and %d coefficients", pieces, terms)
	}
}

func TestOutOfRange(t *testing.T) {
	for _, c := range []struct {
		typ Type
		mv  float64
	}{
		{K, 54.887}, {K, -6.459}, {J, -8.096}, {B, 0}, {B, -0.0026}, {B, 13.821}, {T, 20.873}, {K, math.NaN()}, {K, math.Inf(1)}, {S, math.Inf(-1)},
	} {
		if got, err := Temperature(c.typ, c.mv); !errors.Is(err, ErrRange) {
			t.Errorf("type %v at %v mV: %v °C, %v", c.typ, c.mv, got, err)
		}
	}
	for _, c := range []struct {
		typ     Type
		celsius float64
	}{{K, 1372.1}, {K, -270.1}, {R, -50.1}, {B, -0.1}, {N, math.NaN()}, {N, math.Inf(1)}} {
		if got, err := EMF(c.typ, c.celsius); !errors.Is(err, ErrRange) {
			t.Errorf("type %v at %v °C: %v mV, %v", c.typ, c.celsius, got, err)
		}
	}
	if _, err := Compensate(R, 1, -60); !errors.Is(err, ErrRange) {
		t.Errorf("a cold junction outside the curve: %v", err)
	}
	for _, typ := range []Type{0, T + 1} {
		if _, err := EMF(typ, 20); err == nil {
			t.Errorf("%v has an EMF", typ)
		}
		if _, err := Temperature(typ, 1); err == nil {
			t.Errorf("%v has a temperature", typ)
		}
		if lo, hi := Range(typ); lo != 0 || hi != 0 {
			t.Errorf("%v has a range", typ)
		}
	}
}

func TestParseType(t *testing.T) {
	for typ := B; typ <= T; typ++ {
		if got, err := ParseType(typ.String()); got != typ || err != nil {
			t.Errorf("%v: %v, %v", typ, got, err)
		}
	}
	if got, err := ParseType("k"); got != K || err != nil {
		t.Errorf("k: %v, %v", got, err)
	}
	for _, s := range []string{"", "X", "KK", "\xcb"} {
		if got, err := ParseType(s); err == nil {
			t.Errorf("%q is %v", s, got)
		}
	}
}

func TestExponential(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.Float64Range(-60, 0).Draw(t, "x")
		if got, want := expNegative(x), math.Exp(x); math.Abs(got-want) > 1e-12 {
			t.Fatalf("%v: %v, not %v", x, got, want)
		}
	})
}

// TestBits pins the very bits, so that another processor's run of this test shows any difference.
func TestBits(t *testing.T) {
	for _, c := range []struct {
		typ  Type
		mv   float64
		want uint64
	}{
		{K, 4.096, 0x4058ffa4d27506d7}, {K, -3, 0xc0549c6d3541d68b}, {J, 31.44, 0x4081dad988dc312b}, {B, 5, 0x408fd04f214e0f12}, {S, 10.2, 0x409072ef76c4b47e}, {T, 9.288, 0x4068fff0472fc2be}, {E, 40, 0x4080c7eff1d8d2ee}, {N, 12.5, 0x407833597c5ac221}, {R, 18, 0x40980c8c1c3265df},
	} {
		got, err := Temperature(c.typ, c.mv)
		if err != nil {
			t.Fatal(err)
		}
		if math.Float64bits(got) != c.want {
			t.Errorf("type %v at %v mV: %#x (%v °C)", c.typ, c.mv, math.Float64bits(got), got)
		}
	}
}

func TestNothingAllocated(t *testing.T) {
	for typ := B; typ <= T; typ++ {
		if n := testing.AllocsPerRun(100, func() {
			if _, err := Compensate(typ, 2.5, 25); err != nil {
				t.Fatal(err)
			}
		}); n != 0 {
			t.Errorf("type %v: %v allocations", typ, n)
		}
	}
}

func FuzzTemperature(f *testing.F) {
	for typ := range T + 2 {
		for _, mv := range []float64{0, 4.096, -6.4577, 54.886, math.NaN(), math.Inf(-1), 5e-324, -0.0026} {
			f.Add(uint8(typ), mv)
		}
	}
	f.Fuzz(func(t *testing.T, n uint8, mv float64) {
		celsius, err := Temperature(Type(n), mv)
		if err != nil {
			return
		}
		lo, hi := Range(Type(n))
		if !(celsius >= lo && celsius <= hi) {
			t.Fatalf("type %v at %v mV: %v °C", Type(n), mv, celsius)
		}
		back, err := EMF(Type(n), celsius)
		// A microvolt's thousandth: far below a thousandth of a degree on every curve.
		if err != nil || math.Abs(back-mv) > 1e-7 {
			t.Fatalf("type %v at %v mV: %v °C gives %v mV, %v", Type(n), mv, celsius, back, err)
		}
	})
}

func benchmark(b *testing.B, typ Type) {
	s := &solvers[typ]
	var mv [1024]float64
	for i := range mv {
		mv[i] = s.low + (s.high-s.low)*float64(i*619%len(mv))/float64(len(mv))
	}
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		if _, err := Temperature(typ, mv[i%len(mv)]); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkTemperature(b *testing.B) {
	for typ := B; typ <= T; typ++ {
		b.Run(typ.String(), func(b *testing.B) { benchmark(b, typ) })
	}
}

func BenchmarkCompensateKitchen(b *testing.B) {
	b.ReportAllocs()
	mv := 1.6
	for b.Loop() {
		mv = 4.2 - mv
		if _, err := Compensate(K, mv, 25); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkTables(b *testing.B) {
	for b.Loop() {
		newSolvers()
	}
}
