package boiling

import (
	"bufio"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// IAPWS-IF97, table 36: the saturation temperature at three pressures.
func TestSaturationCheckValues(t *testing.T) {
	for _, c := range [...]struct{ mpa, k float64 }{
		{0.1, 0.372755919e3}, {1, 0.453035632e3}, {10, 0.584149488e3},
	} {
		if got := saturation(c.mpa); math.Abs(got-c.k) > 5e-7 {
			t.Errorf("%g MPa: %.6f K, want %.6f", c.mpa, got, c.k)
		}
	}
}

// Every row of the table: feet, metres, hPa, °C, °F, each as rounded there.
func TestAltitudeTable(t *testing.T) {
	f, err := os.Open("testdata/boiling_point_altitude.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows := 0
	for lines := bufio.NewScanner(f); lines.Scan(); {
		line := lines.Text()
		if strings.HasPrefix(line, "#") || strings.HasPrefix(line, "altitude") {
			continue
		}
		var v [5]float64
		cells := strings.Split(line, ",")
		if len(cells) != len(v) {
			t.Fatalf("%q has %d cells", line, len(cells))
		}
		for i := range v {
			if v[i], err = strconv.ParseFloat(cells[i], 64); err != nil {
				t.Fatal(err)
			}
		}
		rows++
		m := v[0] * 0.3048
		if math.Abs(m-v[1]) > 0.05 {
			t.Errorf("%g ft are %g m, want %g", v[0], m, v[1])
		}
		if got := Standard(m); math.Abs(got-v[2]) > 0.006 {
			t.Errorf("%g ft: %.3f hPa, want %g", v[0], got, v[2])
		}
		got, err := AtAltitude(m)
		if err != nil {
			t.Fatal(err)
		}
		// Half a unit of the table's last digit, and half a thousandth for the Temp.
		if math.Abs(got.Celsius()-v[3]) > 0.0055 || math.Abs(got.Fahrenheit()-v[4]) > 0.006 {
			t.Errorf("%g ft: %.3f °C, %.3f °F, want %g and %g", v[0], got.Celsius(), got.Fahrenheit(), v[3], v[4])
		}
		direct, err := AtPressure(v[2])
		if err != nil || math.Abs(direct.Celsius()-v[3]) > 0.006 {
			t.Errorf("%g hPa: %v, %v, want %g °C", v[2], direct, err, v[3])
		}
	}
	if rows < 18 {
		t.Fatalf("the table has %d rows", rows)
	}
}

// Water boils colder the thinner the air, and by about 0.028 °C a hPa near sea level.
func TestBoilingFallsWithPressure(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.Float64Range(minPressure, maxPressure-1).Draw(t, "hPa")
		low, err1 := AtPressure(p)
		high, err2 := AtPressure(p + 1)
		if d := high - low; err1 != nil || err2 != nil || d < 24 || d > 52 {
			t.Fatalf("%g hPa: %v then %v (%v, %v)", p, low, high, err1, err2)
		}
	})
	low, _ := AtPressure(SeaLevel)
	high, _ := AtPressure(SeaLevel + 1)
	if d := high - low; d < 27 || d > 29 {
		t.Errorf("one hPa at sea level is worth %d thousandths", d)
	}
}

func TestOutOfRange(t *testing.T) {
	for _, p := range []float64{0, -1, 499, 1101, 101325, math.NaN(), math.Inf(1)} {
		if v, err := AtPressure(p); err == nil || !strings.Contains(err.Error(), "500 to 1100 hPa") {
			t.Errorf("%g hPa: %v, %v", p, v, err)
		}
	}
	for _, m := range []float64{-501, 5501, math.NaN()} {
		if v, err := AtAltitude(m); err == nil || !strings.Contains(err.Error(), "-500 to 5500 m") {
			t.Errorf("%g m: %v, %v", m, v, err)
		}
	}
}
