package microbe

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"holdbell/sensor"
)

// What follows from the definition by hand: a minute at 100 °C is one, at 67 °C a tenth, at 133 °C ten.
func TestCookValueByHand(t *testing.T) {
	for _, c := range []struct {
		celsius float64
		dt      time.Duration
		want    float64
	}{{100, time.Minute, 1}, {67, 10 * time.Minute, 1}, {133, time.Minute, 10}, {95, time.Hour, 60 * math.Pow(10, -5./33)}, {39.9, time.Hour, 0}} {
		var v CookValue
		at := celsius(t, c.celsius)
		v.Add(c.dt, at, at)
		if got := v.Minutes(); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%v at %v °C: %v, want %v", c.dt, c.celsius, got, c.want)
		}
	}
}

// A line is its many short pieces, up or down.
func TestCookValueOfALine(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := sensor.Temp(rapid.IntRange(40_000, 120_000).Draw(t, "from"))
		b := sensor.Temp(rapid.IntRange(40_000, 120_000).Draw(t, "to"))
		var line, back CookValue
		line.Add(time.Hour, a, b)
		back.Add(time.Hour, b, a)
		sum := 0.0
		const n = 4000
		for i := range n {
			x := float64(a) + float64(b-a)*(float64(i)+0.5)/n
			sum += 60. / n * math.Pow(10, (x-100_000)/33_000)
		}
		if math.Abs(line.Minutes()-sum) > 1e-5*sum || math.Abs(line.Minutes()-back.Minutes()) > 1e-9*sum {
			t.Fatalf("%v to %v: %v, back %v, in pieces %v", a, b, line.Minutes(), back.Minutes(), sum)
		}
	})
}

func TestCookValueRefuses(t *testing.T) {
	var v CookValue
	v.Add(0, 90_000, 90_000)
	v.Add(-time.Minute, 90_000, 90_000)
	v.Add(time.Hour, 5_000, 90_000)
	v.Add(time.Hour, sensor.MinTemp, sensor.MaxTemp)
	if v.Seconds != 0 {
		t.Errorf("counted %v", v.Seconds)
	}
	v.Add(time.Hour, sensor.MaxTemp, sensor.MaxTemp)
	if math.IsNaN(v.Seconds) || math.IsInf(v.Seconds, 0) {
		t.Errorf("the hottest reading makes %v", v.Seconds)
	}
}
