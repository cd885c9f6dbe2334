package resist

import (
	"bytes"
	_ "embed"
	"encoding/csv"
	"errors"
	"math"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

//go:embed testdata/ntc_examples.csv
var ntcExamples []byte

// figures reads "name=number;name=number".
func figures(t *testing.T, s string) map[string]float64 {
	t.Helper()
	out := map[string]float64{}
	for _, part := range strings.FieldsFunc(s, func(r rune) bool { return r == ';' || r == ' ' }) {
		name, text, _ := strings.Cut(part, "=")
		if v, err := strconv.ParseFloat(strings.TrimSuffix(text, "k"), 64); err == nil {
			if strings.HasSuffix(text, "k") {
				v *= 1000
			}
			out[name] = v
		}
	}
	return out
}

func TestThermistorExamples(t *testing.T) {
	r := csv.NewReader(bytes.NewReader(ntcExamples))
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	four, three := 0, 0
	for _, row := range rows[1:] {
		params, input := figures(t, row[1]), figures(t, row[2])
		want, err := strconv.ParseFloat(row[3], 64)
		if err != nil {
			t.Fatal(err)
		}
		switch row[0] {
		case "4-term (Vishay)":
			d, err := Extended(params["R25"], [4]float64{params["A1"], params["B1"], params["C1"], params["D1"]})
			if err != nil {
				t.Fatal(err)
			}
			if got, err := d.Celsius(input["R"]); err != nil || math.Abs(got-want) > 0.0006 {
				t.Errorf("%v: %v, %v", row[2], got, err)
			}
			four++
		case "3-term Steinhart-Hart":
			d, err := SteinhartHart(params["a"], params["b"], params["c"])
			if err != nil {
				t.Fatal(err)
			}
			// The printed voltages are rounded to 0.01 V, which is 0.2 to 0.5 °C; computed from what is printed
			// they give the figure in the note.
			ohms := Divider{Series: 5000}.Ohms(input["V"] / 2.5)
			computed, err := strconv.ParseFloat(strings.TrimPrefix(row[7], "computed "), 64)
			if err != nil {
				t.Fatal(err)
			}
			if got, err := d.Celsius(ohms); err != nil || math.Abs(got-want) > 0.5 || math.Abs(got-computed) > 0.006 {
				t.Errorf("%v: %v, %v", row[2], got, err)
			}
			three++
		default:
			t.Fatalf("row %v has a model that this test does not know", row)
		}
	}
	if four != 8 || three != 2 {
		t.Fatalf("%d and %d examples, not 8 and 2", four, three)
	}
}

// TestBeta: exact at the reference, and the known error of the simple form against the same maker's four
// coefficients.
func TestBeta(t *testing.T) {
	d, err := Beta(10_000, 25, 3977)
	if err != nil {
		t.Fatal(err)
	}
	if got, err := d.Celsius(10_000); err != nil || math.Abs(got-25) > 1e-9 {
		t.Error(got, err)
	}
	if got, err := d.Celsius(32_554); err != nil || math.Abs(got-0.76) > 0.01 {
		t.Errorf("0 °C reads %v, %v", got, err)
	}
}

func TestNoThermistor(t *testing.T) {
	for name, err := range map[string]error{
		"no ohms":         second(Beta(0, 25, 3950)),
		"negative ohms":   second(Beta(-10_000, 25, 3950)),
		"no beta":         second(Beta(10_000, 25, 0)),
		"kelvin for °C":   second(Beta(10_000, 298.15*2, 3950)),
		"NaN":             second(Beta(math.NaN(), 25, 3950)),
		"a PTC":           second(SteinhartHart(1.295361e-3, -2.343159e-4, 1.018703e-7)),
		"zeros":           second(SteinhartHart(0, 0, 0)),
		"power of ten, a": second(SteinhartHart(1.295361e-2, 2.343159e-4, 1.018703e-7)),
		"power of ten, b": second(SteinhartHart(1.295361e-3, 2.343159e-3, 1.018703e-7)),
		"power of ten, c": second(SteinhartHart(1.295361e-3, 2.343159e-4, 1.018703e-5)),
		"turns round":     second(SteinhartHart(1.295361e-3, 2.343159e-4, -1.018703e-6)),
		"NaN coefficient": second(Extended(10_000, [4]float64{3.354016e-3, 2.56985e-4, math.NaN(), 0})),
	} {
		if err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	var none Thermistor
	if _, err := none.Celsius(10_000); !errors.Is(err, ErrRange) {
		t.Error(err)
	}
	if _, err := none.Ohms(25); !errors.Is(err, ErrRange) {
		t.Error(err)
	}
}

func second[T any](_ T, err error) error { return err }

// anyThermistor draws one of a kitchen's, by any of the three forms.
func anyThermistor(t *rapid.T) Thermistor {
	r25 := rapid.SampledFrom([]float64{1_000, 2_252, 10_000, 100_000, 200_000, 1_000_000}).Draw(t, "r25")
	beta := rapid.Float64Range(3000, 4700).Draw(t, "beta")
	d, err := Beta(r25, 25, beta)
	if rapid.Bool().Draw(t, "cubic") {
		c := rapid.Float64Range(0, 2e-7).Draw(t, "c")
		x := math.Log(r25)
		d, err = SteinhartHart(1/298.15-x/beta-c*x*x*x, 1/beta, c)
	}
	if err != nil {
		t.Skip(err)
	}
	return d
}

// TestThermistorLaws: there and back is where it began, warmer is fewer ohms, and outside is an error.
func TestThermistorLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := anyThermistor(t)
		hottest, coldest := d.Range()
		// Logarithmically, as resistances are.
		x := rapid.Float64Range(0, 1).Draw(t, "x")
		ohms := math.Exp(math.Log(hottest) + x*(math.Log(coldest)-math.Log(hottest)))
		ohms = min(max(ohms, hottest), coldest)
		c, err := d.Celsius(ohms)
		if err != nil {
			t.Fatal(err)
		}
		back, err := d.Ohms(c)
		if err != nil || math.Abs(back/ohms-1) > 1e-7 {
			t.Fatalf("%v Ω is %v °C is %v Ω, %v", ohms, c, back, err)
		}
		if less, err := d.Celsius(ohms * 0.999); err == nil && !(less > c) {
			t.Fatalf("%v °C at %v Ω, %v at fewer", c, ohms, less)
		}
		for _, out := range []float64{hottest * 0.999, coldest * 1.001, 0, -1, math.Inf(1), math.NaN()} {
			if _, err := d.Celsius(out); !errors.Is(err, ErrRange) {
				t.Fatalf("%v Ω: %v", out, err)
			}
		}
		for _, out := range []float64{-274, -80, 400, math.NaN(), math.Inf(1)} {
			if _, err := d.Ohms(out); !errors.Is(err, ErrRange) {
				t.Fatalf("%v °C: %v", out, err)
			}
		}
	})
}

func TestDivider(t *testing.T) {
	for _, top := range []bool{false, true} {
		d := Divider{Series: 10_000, Top: top}
		if got := d.Ohms(0.5); got != 10_000 {
			t.Errorf("half: %v", got)
		}
		open, short := 1.0, 0.0
		if top {
			open, short = short, open
		}
		if !math.IsInf(d.Ohms(open), 1) || d.Ohms(short) != 0 || !math.IsNaN(d.Ohms(math.NaN())) {
			t.Errorf("%+v: %v open, %v shorted", d, d.Ohms(open), d.Ohms(short))
		}
		if !math.IsInf(d.Ohms(2*open-0.5), 1) || d.Ohms(2*short-0.5) != 0 {
			t.Errorf("%+v: beyond its ends", d)
		}
		if d.Ratio(math.Inf(1)) != open || d.Ratio(0) != short {
			t.Errorf("%+v: %v, %v", d, d.Ratio(math.Inf(1)), d.Ratio(0))
		}
		rapid.Check(t, func(t *rapid.T) {
			ohms := math.Exp(rapid.Float64Range(0, 17).Draw(t, "ln ohms"))
			if back := d.Ohms(d.Ratio(ohms)); math.Abs(back/ohms-1) > 1e-6 {
				t.Fatalf("%v comes back as %v", ohms, back)
			}
		})
	}
}

func TestThermistorAllocates(t *testing.T) {
	d, err := Beta(100_000, 25, 3950)
	if err != nil {
		t.Fatal(err)
	}
	if n := testing.AllocsPerRun(100, func() {
		if c, err := d.Celsius(Divider{Series: 10_000}.Ohms(0.5)); err != nil || c < 80 {
			t.Fatal(c, err)
		}
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func BenchmarkThermistor(b *testing.B) {
	d, err := SteinhartHart(1.295361e-3, 2.343159e-4, 1.018703e-7)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := d.Celsius(Divider{Series: 5000}.Ohms(0.5)); err != nil {
			b.Fatal(err)
		}
	}
}
