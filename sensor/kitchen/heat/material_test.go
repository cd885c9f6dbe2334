package heat

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func near(t rapid.TB, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %.6g, want %.6g within %.3g", what, got, want, tolerance)
	}
}

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

func TestComponentsAreThePublishedOnes(t *testing.T) {
	var published struct {
		K   map[string][3]float64 `json:"k_W_mK"`
		Rho map[string][3]float64 `json:"rho_kg_m3"`
		Cp  map[string][3]float64 `json:"cp_J_kgK"`
	}
	if err := json.Unmarshal(must(os.ReadFile("testdata/choi_okos.json")), &published); err != nil {
		t.Fatal(err)
	}
	for i, name := range []string{"water", "protein", "fat", "carbohydrate", "fiber", "ash"} {
		c := components[i]
		if published.K[name] == [3]float64{} {
			t.Fatalf("no %s in the file", name)
		}
		if c.k != published.K[name] || c.rho != published.Rho[name] || c.cp != published.Cp[name] {
			t.Errorf("%s: %v differs from %v, %v, %v", name, c, published.K[name], published.Rho[name], published.Cp[name])
		}
	}
}

// records reads a file of comma-separated values past its comments and its header.
func records(t *testing.T, name string) [][]string {
	t.Helper()
	r := csv.NewReader(must(os.Open(name)))
	r.Comment = '#'
	rows := must(r.ReadAll())
	if len(rows) < 2 {
		t.Fatalf("%s holds no case", name)
	}
	return rows[1:]
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func TestMixturesAgreeWithTheTable(t *testing.T) {
	for _, row := range records(t, "testdata/meat_thermal_properties.csv") {
		words := strings.Fields(row[0])
		parts := strings.Split(words[len(words)-1], "/")
		share := func(i int) float64 { return number(t, parts[i]) / 100 }
		c := Composition{Water: share(0), Protein: share(1), Fat: share(2), Ash: share(3)}
		at := number(t, row[1])
		near(t, row[0]+" k", c.Conductivity(at), number(t, row[2]), 0.00051)
		near(t, row[0]+" rho", c.Density(at), number(t, row[3]), 0.51)
		near(t, row[0]+" cp", c.HeatCapacity(at), number(t, row[4]), 0.51)
		m := must(c.Material())
		near(t, row[0]+" tabled k", m.conductivity(at), c.Conductivity(at), 1e-9)
	}
}

// TestEnthalpyIsTheIntegralOfHeatCapacity and never falls: else no temperature could be told from it.
func TestEnthalpyIsTheIntegralOfHeatCapacity(t *testing.T) {
	m := must(RawBrisket().Material())
	rapid.Check(t, func(t *rapid.T) {
		at := rapid.Float64Range(-40, 300).Draw(t, "at")
		const d = 1e-3
		got := (m.enthalpy(at+d) - m.enthalpy(at-d)) / (2 * d)
		near(t, "slope", got, m.heatCapacity(at), 0.01)
		if got <= 0 {
			t.Fatalf("enthalpy falls at %g °C", at)
		}
	})
}

func TestRefusedMaterials(t *testing.T) {
	for _, c := range []Composition{{}, {Water: 0.5}, {Water: 1.2, Fat: -0.2}, {Water: math.NaN()}} {
		if _, err := c.Material(); err == nil {
			t.Errorf("%+v was taken", c)
		}
	}
	for _, v := range [][3]float64{{0, 1, 1}, {1, -1, 1}, {1, 1, math.NaN()}} {
		if _, err := Constant(v[0], v[1], v[2]); err == nil {
			t.Errorf("%v was taken", v)
		}
	}
}

// TestSaturationIsPressureAtTheBoilingPoint holds Antoine's equation to IAPWS-IF97 within half a per cent.
func TestSaturationIsPressureAtTheBoilingPoint(t *testing.T) {
	for _, row := range records(t, "testdata/boiling_point_altitude.csv") {
		pascal := number(t, row[2]) * 100
		near(t, row[0]+" ft", Saturation(number(t, row[3])), pascal, 0.005*pascal)
	}
	// Vapour pressure of water at 20 and 50 °C: 2.339 and 12.35 kPa (steam tables, from memory).
	near(t, "20 °C", Saturation(20), 2339, 20)
	near(t, "50 °C", Saturation(50), 12350, 80)
}

// wetBulb is the temperature at which a wet surface settles that nothing but moving air warms.
func wetBulb(air, vapour float64) float64 {
	s := skin{film: 1, moving: 1, air: air, vapour: vapour, wet: 1}
	return s.settle(air)
}

// TestWetBulb against a psychrometric chart: 30 °C and 50 % gives 22.0 °C, 40 °C and 20 % gives 21.9 °C (from
// memory).
func TestWetBulb(t *testing.T) {
	near(t, "30 °C 50 %", wetBulb(30, 0.5*Saturation(30)), 22.0, 0.4)
	near(t, "40 °C 20 %", wetBulb(40, 0.2*Saturation(40)), 21.9, 0.5)
	rapid.Check(t, func(t *rapid.T) {
		air := rapid.Float64Range(1, 150).Draw(t, "air")
		share := rapid.Float64Range(0, 1).Draw(t, "share")
		if w := wetBulb(air, min(share*Saturation(air), Pressure)); !(w <= air+1e-6 && w > -40) {
			t.Fatalf("wet bulb %g in air of %g °C", w, air)
		}
	})
}
