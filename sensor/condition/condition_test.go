package condition

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"holdbell/sensor"
)

const second = time.Second

// feed passes readings one period apart, given in °C; a NaN stands for an open probe.
func feed(s Settings, period time.Duration, celsius ...float64) []sensor.Reading {
	var f Filter
	out := make([]sensor.Reading, len(celsius))
	for i, c := range celsius {
		out[i] = f.Pass(&s, time.Duration(i)*period, at(c))
	}
	return out
}

func at(c float64) sensor.Reading {
	if math.IsNaN(c) {
		return sensor.Bad(sensor.Open)
	}
	t, ok := sensor.FromCelsius(c)
	if !ok {
		panic("no temperature")
	}
	return sensor.Reading{Temp: t}
}

// pattern writes what became of each reading: "." believed, "x" rejected, "o" a fault of the probe's own.
func pattern(rs []sensor.Reading) string {
	var b []byte
	for _, r := range rs {
		switch r.Fault {
		case sensor.None:
			b = append(b, '.')
		case sensor.Spike:
			b = append(b, 'x')
		default:
			b = append(b, 'o')
		}
	}
	return string(b)
}

func TestShapes(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		name    string
		period  time.Duration
		celsius []float64
		want    string
	}{
		{"a single spike", second, []float64{65, 65, 850, 65, 65}, "..x.."},
		{"a spike down", second, []float64{65, 65, 0, 65, 65}, "..x.."},
		{"a pair of spikes that return", second, []float64{65, 65, 850, 850, 65, 65}, "..xx.."},
		{"spikes of differing height", second, []float64{65, 850, 300, -200, 65}, ".xxx."},
		{"a spike right after the start", second, []float64{65, 850, 65, 65}, ".x.."},
		{"a first reading that is the spike", second, []float64{85, 4, 4, 4}, ".x.."},
		{"a first reading that is the spike, then a drop-out", second, []float64{85, 4, nan, 4, 4}, ".xo.."},
		{"a true step", second, []float64{90, 90, 20, 20, 20, 20, 20, 20, 20}, "..xxxxx.."},
		{"a thin tip from a roast into air, 0.7 s of time constant", second, []float64{80, 80, 34.4, 23.4, 20.8, 20.2, 20, 20, 20, 20}, "..xxxxx..."},
		{"a sheathed probe from a roast into air, 4 s of time constant", second, []float64{80, 80, 66.7, 56.4, 48.3, 42.1, 37.2, 33.4}, "........"},
		{"jitter at a tenth of a second", second / 10, []float64{65, 65.25, 64, 66, 64.5}, "....."},
		{"a spike at a tenth of a second", second / 10, []float64{65, 65, 75, 65, 65}, "..x.."},
		{"noise that never agrees with itself", second, []float64{60, 60, 200, 300, 100, 350, 180, 290, 120, 240, 60}, "..xxxxxxxx."},
		{"long noise, then something far from what was there", second,
			[]float64{60, 200, 300, 200, 300, 200, 300, 200, 300, 200, 300, 200, 300, 200, 300, 112, 60}, ".xxxxxxxxxxxxxxx."},
		{"rows 15 s apart", 15 * second, []float64{900, 664, 900, 664}, "...."},
		{"a drop-out, then a spike", second, []float64{65, nan, 850, 65}, ".ox."},
		{"a change behind a long drop-out", second, []float64{65, nan, nan, nan, nan, nan, 200, 200}, ".ooooo.."},
		{"junk behind a long drop-out", second, []float64{65, nan, nan, nan, nan, nan, 200, 66, 66, 66}, ".ooooo.x.."},
		{"a dead probe after a spike", second, []float64{65, 850, nan, nan}, ".xoo"},
	} {
		if got := pattern(feed(Default(), c.period, c.celsius...)); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}

func TestCalibration(t *testing.T) {
	for _, c := range []struct {
		offset sensor.Temp
		in     sensor.Reading
		want   sensor.Reading
	}{
		{-400, sensor.Reading{Temp: 65_000}, sensor.Reading{Temp: 64_600}},
		{0, sensor.Reading{Temp: -1}, sensor.Reading{Temp: -1}},
		{1, sensor.Reading{Temp: sensor.MaxTemp}, sensor.Bad(sensor.Range)},
		{-1, sensor.Reading{Temp: sensor.MinTemp}, sensor.Bad(sensor.Range)},
		{math.MaxInt32, sensor.Reading{Temp: sensor.MaxTemp}, sensor.Bad(sensor.Range)},
		{math.MinInt32, sensor.Reading{Temp: sensor.MinTemp}, sensor.Bad(sensor.Range)},
		{5, sensor.Bad(sensor.BusFault), sensor.Bad(sensor.BusFault)},
	} {
		for _, s := range []Settings{{}, Default()} {
			s.Calibration = Offset(c.offset)
			var f Filter
			if got := f.Pass(&s, 0, c.in); got != c.want {
				t.Errorf("%+v with offset %d gives %+v, want %+v", c.in, c.offset, got, c.want)
			}
		}
	}
}

// sample is one reading with the time since the one before.
type sample struct {
	Step time.Duration
	R    sensor.Reading
}

func samples() *rapid.Generator[[]sample] {
	return rapid.SliceOfN(rapid.Custom(func(t *rapid.T) sample {
		s := sample{Step: time.Duration(rapid.OneOf(rapid.Int64Range(0, 2e9), rapid.Int64Range(0, 1e12)).Draw(t, "step"))}
		s.R.Fault = rapid.OneOf(rapid.Just(sensor.None), rapid.SampledFrom([]sensor.Fault{sensor.Open, sensor.Stale, sensor.BusFault})).Draw(t, "fault")
		if s.R.Valid() {
			s.R.Temp = sensor.Temp(rapid.OneOf(rapid.Int32Range(60_000, 70_000), rapid.Int32Range(int32(sensor.MinTemp), int32(sensor.MaxTemp))).Draw(t, "temp"))
		}
		return s
	}), 0, 60)
}

func settings() *rapid.Generator[Settings] {
	return rapid.Custom(func(t *rapid.T) Settings {
		return Settings{
			Calibration: calibrations().Draw(t, "calibration"),
			MaxSlew:     sensor.Temp(rapid.OneOf(rapid.Int32Range(0, 50_000), rapid.Int32()).Draw(t, "slew")),
			Bridge:      time.Duration(rapid.Int64Range(0, 60e9).Draw(t, "bridge")),
		}
	})
}

// TestPassesOrRejects: what comes out is the fault that came in, or the calibrated reading, or a rejection;
// a dead probe is seen in the same sample.
func TestPassesOrRejects(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := settings().Draw(t, "settings")
		var f Filter
		now := time.Duration(0)
		for _, x := range samples().Draw(t, "samples") {
			now += x.Step
			got := f.Pass(&s, now, x.R)
			want := x.R
			if x.R.Valid() {
				want = s.Corrected(x.R)
			}
			if got != want && (!want.Valid() || got != sensor.Bad(sensor.Spike)) {
				t.Fatalf("%+v became %+v", x.R, got)
			}
		}
	})
}

// TestSnapshot: a filter that went through JSON goes on as one that did not.
func TestSnapshot(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := settings().Draw(t, "settings")
		all := samples().Draw(t, "samples")
		cut := rapid.IntRange(0, len(all)).Draw(t, "cut")
		var whole, parts Filter
		now := time.Duration(0)
		for i, x := range all {
			if i == cut {
				raw, err := json.Marshal(parts)
				if err != nil {
					t.Fatal(err)
				}
				parts = Filter{}
				if err := json.Unmarshal(raw, &parts); err != nil {
					t.Fatal(err)
				}
			}
			now += x.Step
			a, b := whole.Pass(&s, now, x.R), parts.Pass(&s, now, x.R)
			if a != b || whole != parts {
				t.Fatalf("sample %d: %+v and %+v", i, a, b)
			}
		}
	})
}

// TestRampPasses: whatever changes no faster than the limit is never rejected, however unevenly it is read.
func TestRampPasses(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := Default()
		s.MaxSlew = sensor.Temp(rapid.Int32Range(1000, 100_000).Draw(t, "slew"))
		rate := rapid.Int64Range(-int64(s.MaxSlew), int64(s.MaxSlew)).Draw(t, "rate")
		var f Filter
		now := time.Duration(0)
		for _, step := range rapid.SliceOfN(rapid.Int64Range(0, 20e9), 1, 40).Draw(t, "steps") {
			now += time.Duration(step)
			v := 500_000 + rate*now.Microseconds()/1e6
			if v < int64(sensor.MinTemp) || v > int64(sensor.MaxTemp) {
				return
			}
			r := sensor.Reading{Temp: sensor.Temp(v)}
			if got := f.Pass(&s, now, r); got != r {
				t.Fatalf("at %v: %+v became %+v", now, r, got)
			}
		}
	})
}

// TestStepIsBelieved: whatever went before, a reading that stays where it is is believed once it has stayed
// for Bridge.
func TestStepIsBelieved(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := settings().Draw(t, "settings")
		s.Calibration = Calibration{}
		var f Filter
		now := time.Duration(0)
		for _, x := range samples().Draw(t, "before") {
			now += x.Step
			f.Pass(&s, now, x.R)
		}
		level := sensor.Reading{Temp: sensor.Temp(rapid.Int32Range(-200_000, 2_000_000).Draw(t, "level"))}
		var since time.Duration
		for i, step := range rapid.SliceOfN(rapid.Int64Range(1, 10e9), 1, 40).Draw(t, "steps") {
			now += time.Duration(step)
			if i == 0 {
				since = now
			}
			if got := f.Pass(&s, now, level); got != level && now-since >= s.Bridge {
				t.Fatalf("%v after the step: %v", now-since, got.Fault)
			}
		}
	})
}

func TestNoAllocation(t *testing.T) {
	s := Default()
	var f Filter
	now := time.Duration(0)
	if n := testing.AllocsPerRun(100, func() {
		now += time.Second
		f.Pass(&s, now, sensor.Reading{Temp: sensor.Temp(now % 100_000)})
	}); n != 0 {
		t.Errorf("%v allocations a reading", n)
	}
}

func BenchmarkPass(b *testing.B) {
	s := Default()
	var f Filter
	now := time.Duration(0)
	for b.Loop() {
		now += time.Second
		f.Pass(&s, now, sensor.Reading{Temp: 65_000})
	}
}
