package its90

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

func TestColdJunction(t *testing.T) {
	for _, c := range []struct {
		name     string
		readings []float64
		believed string // one letter a reading: y or n
	}{
		{"steady", []float64{25, 25.0625, 25, 24.9375}, "yyyy"},
		{"drift", []float64{25, 29.9, 34.8, 39.7}, "yyyy"},
		{"edges of the range", []float64{-40, -40.0625, -40, 125}, "ynyn"},
		{"above the range for ever", []float64{126, 126, 126, 126, 126}, "nnnnn"},
		{"all ones and all zeros between good words", []float64{25, -0.0625, 25, -0.0625, 25, -0.0625, 25}, "ynynyny"},
		{"one jump", []float64{25, 60, 25, 25}, "ynyy"},
		{"a new level is believed the third time", []float64{25, 4, 4.5, 4.25, 4}, "ynnyy"},
		{"noise is no level", []float64{25, 60, 70, 80, 90, 60, 70}, "ynnnnnn"},
		{"an impossible word between starts the count anew", []float64{25, 4, 4, 127, 4, 4, 4}, "ynnnnny"},
		{"a false first reading", []float64{-20, 25, 25, 25, 25}, "ynnyy"},
		{"not a number", []float64{25, math.NaN(), 25}, "yny"},
	} {
		var cold ColdJunction
		for i, r := range c.readings {
			if err := cold.Check(r); (err == nil) != (c.believed[i] == 'y') {
				t.Errorf("%s: reading %d, %v °C: %v", c.name, i, r, err)
			}
		}
	}
}

func TestColdJunctionLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var cold ColdJunction
		last, any := 0.0, false
		for range rapid.IntRange(1, 50).Draw(t, "n") {
			r := rapid.Float64Range(-60, 140).Draw(t, "reading")
			err := cold.Check(r)
			if err == nil && (r < -40 || r > 125) {
				t.Fatalf("believes %v", r)
			}
			if err != nil && any && math.Abs(r-last) < 5 && r >= -40 && r <= 125 {
				t.Fatalf("does not believe %v after %v", r, last)
			}
			if err == nil {
				last, any = r, true
			}
		}
		// Whatever went before, a level that stays is believed by the third reading.
		level := rapid.Float64Range(-40, 125).Draw(t, "level")
		var err error
		for range 3 {
			err = cold.Check(level)
		}
		if err != nil {
			t.Fatal(err)
		}
	})
}
