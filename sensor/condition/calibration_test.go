package condition

import (
	"math/big"
	"testing"

	"pgregory.net/rapid"

	"holdbell/sensor"
)

// Worked by hand. 32.4 °F is 0.222 °C and 211.1 °F is 99.500 °C; true were 32 °F, 0 °C, and 210.6 °F, 99.222 °C. At
// 150 °F, 65.556 °C, the line gives (65556-222)·99222/99278 = 65334 - 65334·56/99278 = 65334 - 36.85 = 65297.15.
func TestCalibrationByHand(t *testing.T) {
	ice, boiling := Point{222, 0}, Point{99_500, 99_222}
	for _, tc := range []struct {
		name     string
		c        Calibration
		in, want sensor.Temp
	}{
		{"none", Calibration{}, 65_556, 65_556},
		{"an offset", Offset(-400), 65_556, 65_156},
		{"one point", Through(ice), 65_556, 65_334},
		{"two points, at the first", Through(ice, boiling), 222, 0},
		{"two points, at the second", Through(ice, boiling), 99_500, 99_222},
		{"two points, between", Through(ice, boiling), 65_556, 65_297},
		{"two points, below", Through(ice, boiling), -20_000, -20_211}, // -20222·99222/99278 = -20222+11.41
		{"two points in the other order", Through(boiling, ice), 65_556, 65_297},
		{"halves go away from zero", Through(Point{0, 0}, Point{2, 1}), 1, 1},
		{"halves go away from zero, below it", Through(Point{0, 0}, Point{2, 1}), -1, -1},
	} {
		if got, ok := tc.c.Correct(tc.in); !ok || got != tc.want {
			t.Errorf("%s: %d becomes %d, %v, want %d", tc.name, tc.in, got, ok, tc.want)
		}
	}
}

func point() *rapid.Generator[Point] {
	temp := rapid.Int32Range(int32(sensor.MinTemp), int32(sensor.MaxTemp))
	return rapid.Custom(func(t *rapid.T) Point {
		return Point{sensor.Temp(temp.Draw(t, "read")), sensor.Temp(temp.Draw(t, "true"))}
	})
}

func calibrations() *rapid.Generator[Calibration] {
	return rapid.OneOf(
		rapid.Map(rapid.Int32Range(-5000, 5000), func(d int32) Calibration { return Offset(sensor.Temp(d)) }),
		rapid.Custom(func(t *rapid.T) Calibration { return Through(point().Draw(t, "low"), point().Draw(t, "high")) }))
}

// TestCalibrationIsTheLine: integers give what exact fractions give, rounded, wherever the points lie; and what
// leads out of a Temp's range is said.
func TestCalibrationIsTheLine(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := calibrations().Draw(t, "calibration")
		in := point().Draw(t, "reading").Read
		want := new(big.Rat).SetInt64(int64(in) + int64(c[0].True) - int64(c[0].Read))
		if c[1].Read != c[0].Read {
			slope := big.NewRat(int64(c[1].True)-int64(c[0].True), int64(c[1].Read)-int64(c[0].Read))
			want.Mul(slope, new(big.Rat).SetInt64(int64(in)-int64(c[0].Read)))
			want.Add(want, new(big.Rat).SetInt64(int64(c[0].True)))
		}
		got, ok := c.Correct(in)
		off := new(big.Rat).Sub(want, new(big.Rat).SetInt64(int64(got)))
		if ok && off.Abs(off).Cmp(big.NewRat(1, 2)) > 0 {
			t.Fatalf("%+v makes %d of %d, want %s", c, got, in, want.FloatString(3))
		}
		low, high := new(big.Rat).SetInt64(int64(sensor.MinTemp)), new(big.Rat).SetInt64(int64(sensor.MaxTemp))
		if inside := want.Cmp(low) >= 0 && want.Cmp(high) <= 0; inside && !ok {
			t.Fatalf("%+v refuses %d, which is %s", c, in, want.FloatString(3))
		}
	})
}

// TestCalibrationKeepsOrder: with a slope that a configuration may have, a warmer reading stays a warmer one.
func TestCalibrationKeepsOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		low := Point{sensor.Temp(rapid.Int32Range(-5000, 5000).Draw(t, "low")), 0}
		high := Point{low.Read + 100_000, sensor.Temp(rapid.Int32Range(90_000, 110_000).Draw(t, "high"))}
		c := Through(low, high)
		a := sensor.Temp(rapid.Int32Range(-50_000, 500_000).Draw(t, "a"))
		b := a + sensor.Temp(rapid.Int32Range(0, 3000).Draw(t, "more"))
		x, _ := c.Correct(a)
		y, _ := c.Correct(b)
		if x > y {
			t.Fatalf("%d and %d become %d and %d", a, b, x, y)
		}
	})
}
