package accuracy

import (
	"bytes"
	_ "embed"
	"encoding/csv"
	"math"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"holdbell/sensor"
	"holdbell/sensor/its90"
)

// published are the classes as tables in public documents have them.
//
//go:embed testdata/tc_tolerances.csv
var published []byte

func TestPublishedClasses(t *testing.T) {
	r := csv.NewReader(bytes.NewReader(published))
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	number := func(s string) float64 {
		if s == "" {
			return 0
		}
		f, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatal(err)
		}
		return f
	}
	classes := map[string]Class{"IEC 60584-1 1": IEC1, "IEC 60584-1 2": IEC2, "IEC 60584-1 3": IEC3,
		"ASTM E230 standard": ASTMStandard, "ASTM E230 special": ASTMSpecial}
	for _, row := range rows[1:] {
		class, ok := classes[row[0]+" "+row[1]]
		if !ok {
			t.Fatalf("%v: what class is that?", row)
		}
		typ, err := its90.ParseType(row[2])
		if err != nil {
			t.Fatal(err)
		}
		low, high, fixed, fraction := number(row[3]), number(row[4]), number(row[5]), number(row[6])
		for _, at := range []float64{low + 0.5, (low + high) / 2, high - 0.5} {
			want := max(fixed, fraction*math.Abs(at))
			if strings.HasPrefix(row[7], "1+0.003") {
				want = 1 + 0.003*(at-1100)
			}
			// The segments meet where one side overtakes the other, rounded to whole degrees in the table.
			if got, ok := Wire(class, typ, at); !ok || math.Abs(got-want) > 0.01 {
				t.Errorf("%v at %g °C: %v, %v, want %v", row, at, got, ok, want)
			}
		}
	}
	if len(rows)-1 != 52 {
		t.Fatalf("%d rows, not 52", len(rows)-1)
	}
}

func TestOutsideAClass(t *testing.T) {
	for _, c := range []struct {
		class Class
		typ   its90.Type
		at    float64
	}{{IEC1, its90.K, -41}, {IEC1, its90.T, 351}, {IEC3, its90.K, 41}, {IEC1, its90.B, 700}, {ASTMSpecial, its90.K, -1},
		{PlatinumA, its90.K, 20}, {"", its90.K, 20}, {IEC2, 0, 20}, {IEC2, its90.K, math.NaN()}} {
		if h, ok := Wire(c.class, c.typ, c.at); ok {
			t.Errorf("%+v: %v", c, h)
		}
	}
	for _, at := range []float64{-101, 451, math.NaN()} {
		if h, ok := Platinum(PlatinumA, at); ok {
			t.Errorf("class A at %g °C: %v", at, h)
		}
	}
}

// TestPlatinum against IEC 60751's classes at 0 and 100 °C.
func TestPlatinum(t *testing.T) {
	for _, c := range []struct {
		class    Class
		at, want float64
	}{{PlatinumA, 0, 0.15}, {PlatinumA, 100, 0.35}, {PlatinumA, -100, 0.35}, {PlatinumB, 0, 0.3}, {PlatinumB, 100, 0.8}} {
		if got, ok := Platinum(c.class, c.at); !ok || math.Abs(got-c.want) > 1e-12 {
			t.Errorf("%+v: %v, %v", c, got, ok)
		}
	}
}

// TestFood is worked by hand, each in tenths rounded up.
func TestFood(t *testing.T) {
	for _, c := range []struct {
		chain Chain
		want  sensor.Temp
	}{
		{Chain{Chip: "max31855", Type: its90.K}, 4500},              // 2.5 + 2
		{Chain{Chip: "max31855", Type: its90.K, Class: IEC1}, 3500}, // 1.5 + 2
		{Chain{Chip: "max31855", Type: its90.T, Class: ASTMSpecial}, 2500},
		{Chain{Chip: "max6675", Type: its90.K}, 4800}, // 2.5 + 2.25
		// At 100 °C: 0.7 · 40.5 + 11.7 + 0.0015 · 3096 µV = 44.7 µV of 41.4 µV/°C make 1.08 °C; at 0 °C 41.5 µV of 39.5
		// µV/°C make 1.05 °C.
		{Chain{Chip: "max31856", Type: its90.K, Class: IEC1}, 2600},
		{Chain{Chip: "max31865", Wires: 3}, 1700},                   // 0.8 + 0.5 + 0.36
		{Chain{Chip: "max31865", Wires: 4, Class: PlatinumA}, 1300}, // 0.35 + 0.86
		{Chain{Chip: "max31865", Wires: 2, Class: PlatinumA}, 0},
		{Chain{Chip: "max31855", Type: its90.K, Class: IEC3}, 0}, // ends at 40 °C
		{Chain{Chip: "max31856", Type: its90.B}, 0},              // a class above 600 °C alone
		{Chain{Chip: "mcp9600", Type: its90.K}, 4000},            // 2.5 + 1.5
		{Chain{Chip: "mcp9808"}, 500},
		{Chain{Chip: "ds18b20"}, 2000}, // above 85 °C
		// 2.5 of the wire; 3 + 1.25 + 0.003 · 75 = 4.475 of the amplifier; at 100 °C 0.5 V, and 1.75 V with a reference of
		// 1.25 V: 0.15 % of it are 0.15 and 0.525 °C, 0.2 % of the reference 0.5 °C.
		{Chain{Chip: "ads1115", Type: its90.K}, 7200},
		{Chain{Chip: "ads1115", Type: its90.K, Reference: 1.25}, 8000},
		{Chain{Chip: "ads1115", Type: its90.K, Reference: 1.25, Class: IEC1}, 7000},
		{Chain{Chip: "ads1115"}, 0},
		// At 100 °C T²/beta = 373.15² / 3950 = 35.25 K: 2 % of it are 0.705; 1 % of 373.15 · 75 / 298.15 is 0.939; and 0.8.
		{Chain{Chip: "ads1115", Thermistor: &Thermistor{Beta: 3950, R25Off: 0.01, BetaOff: 0.01, Series: 0.01}}, 2500},
		{Chain{Chip: "ads1115", Thermistor: &Thermistor{Beta: 3950, R25Off: 0.01, Series: 0.01}}, 0},
		{Chain{Chip: "ads1115", Thermistor: &Thermistor{Beta: 3950, BetaOff: 0.01, Series: 0.01}}, 0},
		{Chain{Chip: "ads1115", Thermistor: &Thermistor{Beta: 3950, R25Off: 0.01, BetaOff: 0.01}}, 0},
		{Chain{}, 0},
	} {
		if got := c.chain.Food(); got != c.want {
			t.Errorf("%+v: %d, want %d", c.chain, got, c.want)
		}
	}
}

// TestBetterClassesClaimNoLess: class 1 is never wider than class 2, special never than standard, A never than B, and no
// chain is better than its thermometer.
func TestBetterClassesClaimNoLess(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		at := rapid.Float64Range(-200, 1700).Draw(t, "at")
		typ := rapid.SampledFrom([]its90.Type{its90.B, its90.E, its90.J, its90.K, its90.N, its90.R, its90.S, its90.T}).Draw(t, "type")
		for better, worse := range map[Class]Class{IEC1: IEC2, ASTMSpecial: ASTMStandard} {
			b, ok1 := Wire(better, typ, at)
			w, ok2 := Wire(worse, typ, at)
			if ok1 && ok2 && b > w {
				t.Fatalf("%v of type %v at %g °C: %v, but %v %v", better, typ, at, b, worse, w)
			}
		}
		if a, ok := Platinum(PlatinumA, at); ok {
			if b, ok := Platinum(PlatinumB, at); !ok || a > b {
				t.Fatalf("%g °C: %v and %v", at, a, b)
			}
		}
		for _, chip := range []string{"max31855", "max31856", "max6675", "mcp9600"} {
			for _, class := range Classes(false) {
				all, ok := Chain{Chip: chip, Type: typ, Class: class}.At(at)
				wire, known := Wire(class, typ, at)
				if ok && (!known || !(all > wire)) {
					t.Fatalf("%s, %v, type %v at %g °C: %v with wire of %v, %v", chip, class, typ, at, all, wire, known)
				}
			}
		}
	})
}

// TestThermistorByItsCurve: what each tolerance costs is what the curve itself gives with the figures moved by it.
func TestThermistorByItsCurve(t *testing.T) {
	curve := func(r25, beta, celsius float64) (ohms float64) {
		return r25 * math.Exp(beta*(1/(celsius+273.15)-1/298.15))
	}
	inverse := func(r25, beta, ohms float64) float64 { return 1/(1/298.15+math.Log(ohms/r25)/beta) - 273.15 }
	rapid.Check(t, func(t *rapid.T) {
		at, beta := rapid.Float64Range(0, 100).Draw(t, "at"), rapid.Float64Range(3000, 4500).Draw(t, "beta")
		const off, none = 0.001, 1e-12
		for _, c := range []struct {
			claim Thermistor
			r25   float64
			beta  float64
		}{{Thermistor{beta, off, none, none}, 1 + off, 1}, {Thermistor{beta, none, off, none}, 1, 1 + off}, {Thermistor{beta, none, none, off}, 1 + off, 1}} {
			want := math.Abs(inverse(10e3, beta, curve(10e3*c.r25, beta*c.beta, at)) - at)
			if got, ok := c.claim.at(at); !ok || math.Abs(got-betaFits-want) > 0.01*want+1e-6 {
				t.Fatalf("%+v at %g °C: %g, want %g", c.claim, at, got-betaFits, want)
			}
		}
	})
}

// TestBetaFits: the published part's own curve, in ln(R/R25), against that by its beta.
func TestBetaFits(t *testing.T) {
	worst := 0.0
	for l := -2.6; l < 1.2; l += 0.01 { // 740 Ω to 33 kΩ of 10 kΩ
		own := 1/(3.354016e-3+2.569850e-4*l+2.620131e-6*l*l+6.383091e-8*l*l*l) - 273.15
		if own >= 0 && own <= 100 {
			worst = max(worst, math.Abs(own-(1/(1/298.15+l/3977)-273.15)))
		}
	}
	if worst > betaFits || worst < betaFits-0.1 {
		t.Errorf("%g °C apart", worst)
	}
}
