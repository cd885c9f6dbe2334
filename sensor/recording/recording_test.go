package recording

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"holdbell/sensor"
)

var _ sensor.Source = (*Recording)(nil)

// all reads a recording to its end or its first error.
func all(text string, probes []string) ([]sensor.Sweep, error) {
	rec, err := Open(strings.NewReader(text), "day.csv", probes)
	if err != nil {
		return nil, err
	}
	var sweeps []sensor.Sweep
	for {
		s, err := rec.Next(context.Background())
		if errors.Is(err, io.EOF) {
			return sweeps, nil
		}
		if err != nil {
			if _, again := rec.Next(context.Background()); again != err {
				return sweeps, fmt.Errorf("the error %v was followed by %v", err, again)
			}
			return sweeps, err
		}
		s.Readings = slices.Clone(s.Readings)
		sweeps = append(sweeps, s)
	}
}

func TestRelative(t *testing.T) {
	sweeps, err := all("time,air [C],core [F]\n0,25.4,135\n0.6,-0.0005,open\n15,,165.0\n", []string{"core", "air"})
	if err != nil {
		t.Fatal(err)
	}
	want := []struct {
		mono      time.Duration
		core, air sensor.Reading
	}{
		{0, sensor.Reading{Temp: sensor.FahrenheitLimit(135)}, sensor.Reading{Temp: 25_400}},
		{600 * time.Millisecond, sensor.Bad(sensor.Open), sensor.Reading{Temp: -1}},
		{15 * time.Second, sensor.Reading{Temp: sensor.FahrenheitLimit(165)}, sensor.Bad(sensor.Stale)},
	}
	if len(sweeps) != len(want) {
		t.Fatalf("%d sweeps", len(sweeps))
	}
	for i, w := range want {
		at := sensor.Instant{Wall: time.Unix(0, 0).UTC().Add(w.mono), Mono: w.mono, Believed: true}
		if got := sweeps[i]; got.At != at || !slices.Equal(got.Readings, []sensor.Reading{w.core, w.air}) {
			t.Errorf("sweep %d is %+v", i, got)
		}
	}
}

func TestAbsolute(t *testing.T) {
	const text = "\ufefftime,air [C]\r\n2026-03-01T18:30:00Z,60\r\n2026-03-01T19:30:00.25+01:00,61\r\n\r\n" +
		"2026-03-01t13:31:00-05:00,62\r\n2026-03-02T00:00:00.123456789999z,63"
	sweeps, err := all(text, nil)
	if err != nil {
		t.Fatal(err)
	}
	start := time.Date(2026, 3, 1, 18, 30, 0, 0, time.UTC)
	for i, d := range []time.Duration{0, 250 * time.Millisecond, time.Minute, 5*time.Hour + 30*time.Minute + 123456789} {
		if got := sweeps[i].At; got != (sensor.Instant{Wall: start.Add(d), Mono: d, Believed: true}) {
			t.Errorf("row %d is at %+v", i, got)
		}
		if sweeps[i].Readings[0].Temp != sensor.Temp(60_000+1000*i) {
			t.Errorf("row %d holds %+v", i, sweeps[i].Readings)
		}
	}
}

func TestColumns(t *testing.T) {
	const text = "\"time\",\"walk-in [C]\", pit.air [F] ,spare_1[C]\n\"10\", \"4.5\" ,250,\" open \"\n"
	rec, err := Open(strings.NewReader(text), "day.csv", []string{"pit.air", "walk-in"})
	if err != nil {
		t.Fatal(err)
	}
	if got := rec.Extra(); !slices.Equal(got, []string{"spare_1"}) {
		t.Errorf("extra columns %q", got)
	}
	if got := rec.Probes(); !slices.Equal(got, []string{"pit.air", "walk-in"}) {
		t.Errorf("probes %q", got)
	}
	if !rec.Relative() || rec.Start().Mono != 10*time.Second {
		t.Errorf("starts at %+v, relative %v", rec.Start(), rec.Relative())
	}
	rec, err = Open(strings.NewReader(text), "day.csv", nil)
	if err != nil {
		t.Fatal(err)
	}
	if got := rec.Probes(); !slices.Equal(got, []string{"walk-in", "pit.air", "spare_1"}) || rec.Extra() != nil {
		t.Errorf("all columns: %q and %q", got, rec.Extra())
	}
}

func TestCells(t *testing.T) {
	f := func(v float64) sensor.Reading {
		temp, ok := sensor.FromFahrenheit(v)
		if !ok {
			t.Fatal(v)
		}
		return sensor.Reading{Temp: temp}
	}
	c := func(v sensor.Temp) sensor.Reading { return sensor.Reading{Temp: v} }
	for cell, want := range map[string][2]sensor.Reading{
		"":                    {sensor.Bad(sensor.Stale), sensor.Bad(sensor.Stale)},
		"  ":                  {sensor.Bad(sensor.Stale), sensor.Bad(sensor.Stale)},
		`""`:                  {sensor.Bad(sensor.Stale), sensor.Bad(sensor.Stale)},
		"open":                {sensor.Bad(sensor.Open), sensor.Bad(sensor.Open)},
		"over_under_voltage":  {sensor.Bad(sensor.OverUnderVoltage), sensor.Bad(sensor.OverUnderVoltage)},
		"stale":               {sensor.Bad(sensor.Stale), sensor.Bad(sensor.Stale)},
		"0":                   {c(0), f(0)},
		"-0":                  {c(0), f(0)},
		"+7.5":                {c(7500), f(7.5)},
		".5":                  {c(500), f(.5)},
		"5.":                  {c(5000), f(5)},
		"135":                 {c(135_000), f(135)},
		"-40":                 {c(-40_000), f(-40)},
		"71.2345":             {c(71_235), f(71.2345)},
		"71.2344999999999999": {c(71_234), f(71.2344999999999999)},
		"-71.2345":            {c(-71_235), f(-71.2345)},
		"1.0005":              {c(1001), f(1.0005)}, // as a float64, 1.0005 lies just below
		"0.00049999":          {c(0), f(0.00049999)},
		"000000000012.5":      {c(12_500), f(12.5)},
		"1.5e2":               {c(150_000), f(150)},
		"1500E-1":             {c(150_000), f(150)},
		"-273.15":             {c(-273_150), f(-273.15)},
		"2500":                {c(2_500_000), f(2500)},
	} {
		for i, unit := range []string{"C", "F"} {
			sweeps, err := all("time,p ["+unit+"],q [C]\n0,"+cell+",1\n", nil)
			if err != nil {
				t.Errorf("%q in %s: %v", cell, unit, err)
			} else if got := sweeps[0].Readings; got[0] != want[i] || got[1] != c(1000) {
				t.Errorf("%q in %s is %+v, want %+v", cell, unit, got[0], want[i])
			}
		}
	}
}

// TestFahrenheitAsReadings: a cell gives what a live reading of the same figure gives.
func TestFahrenheitAsReadings(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		decimals := rapid.IntRange(0, 6).Draw(t, "decimals")
		v := rapid.Int64Range(-459_000_000, 4_500_000_000).Draw(t, "micro")
		cell := strconv.FormatFloat(float64(v)/1e6, 'f', decimals, 64)
		figure, err := strconv.ParseFloat(cell, 64)
		if err != nil {
			t.Fatal(err)
		}
		want, ok := sensor.FromFahrenheit(figure)
		r, n, what, _ := read([]byte(cell+",1"), true)
		if (what == "") != ok || ok && (r != sensor.Reading{Temp: want} || n != len(cell)) {
			t.Fatalf("%s °F is %+v (%s), want %d", cell, r, what, want)
		}
	})
}

// TestThousandths: the fast way and the slow one agree, and both with the decimal point moved by hand.
func TestThousandths(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Int32Range(int32(sensor.MinTemp), int32(sensor.MaxTemp)).Draw(t, "temp")
		cell := string(appendDecimal(nil, int64(v), 3))
		quick, n, ok := fast([]byte(cell), false)
		if !ok || n != len(cell) || quick.Temp != sensor.Temp(v) {
			t.Fatalf("fast reads %s as %+v", cell, quick)
		}
		if careful, _, what, _ := slow([]byte(cell), false); what != "" || careful != quick {
			t.Fatalf("slow reads %s as %+v: %s", cell, careful, what)
		}
		if f, err := strconv.ParseFloat(cell, 64); err != nil || math.Round(f*1000) != float64(v) {
			t.Fatalf("%s was written for %d", cell, v)
		}
	})
}

// TestRoundTrip: what a Writer wrote is read back as it was.
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		relative := rapid.Bool().Draw(t, "relative")
		probes := rapid.SliceOfNDistinct(rapid.StringMatching(`[A-Za-z0-9._-]{1,12}`), 1, 6, rapid.ID[string]).Draw(t, "probes")
		wall := time.Unix(rapid.Int64Range(0, 4e9).Draw(t, "start"), rapid.Int64Range(0, 999_999_999).Draw(t, "nanos")).UTC()
		var mono time.Duration
		if relative {
			wall, mono = time.Unix(0, 0).UTC(), time.Duration(rapid.Int64Range(0, 1e12).Draw(t, "first"))
			wall = wall.Add(mono)
		}
		var sweeps []sensor.Sweep
		for range rapid.IntRange(1, 20).Draw(t, "rows") {
			s := sensor.Sweep{At: sensor.Instant{Wall: wall, Mono: mono, Believed: true}}
			for range probes {
				r := sensor.Bad(sensor.Fault(rapid.IntRange(0, int(sensor.Spike)-1).Draw(t, "fault")))
				if r.Valid() {
					r.Temp = sensor.Temp(rapid.Int32Range(int32(sensor.MinTemp), int32(sensor.MaxTemp)).Draw(t, "temp"))
				}
				s.Readings = append(s.Readings, r)
			}
			sweeps = append(sweeps, s)
			step := time.Duration(rapid.Int64Range(1, 1e13).Draw(t, "step"))
			wall, mono = wall.Add(step), mono+step
		}
		var file bytes.Buffer
		w, err := NewWriter(&file, probes, relative)
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range sweeps {
			if err := w.Write(s); err != nil {
				t.Fatal(err)
			}
		}
		if err := w.Flush(); err != nil {
			t.Fatal(err)
		}
		got, err := all(file.String(), probes)
		if err != nil {
			t.Fatalf("%v\n%s", err, file.String())
		}
		if len(got) != len(sweeps) {
			t.Fatalf("%d sweeps of %d", len(got), len(sweeps))
		}
		for i := range got {
			if got[i].At != sweeps[i].At || !slices.Equal(got[i].Readings, sweeps[i].Readings) {
				t.Fatalf("sweep %d: %+v, want %+v\n%s", i, got[i], sweeps[i], file.String())
			}
		}
	})
}

func TestWriterRefuses(t *testing.T) {
	at := func(d time.Duration, r ...sensor.Reading) sensor.Sweep {
		return sensor.Sweep{At: sensor.Instant{Wall: time.Unix(0, 0).Add(d), Mono: d}, Readings: r}
	}
	var file bytes.Buffer
	w, err := NewWriter(&file, []string{"air"}, true)
	if err != nil {
		t.Fatal(err)
	}
	ok := sensor.Reading{Temp: 1}
	for _, s := range []sensor.Sweep{
		at(0, sensor.Bad(sensor.Spike)), at(0), at(0, ok, ok), at(-1, ok), at(0, sensor.Bad(sensor.NumFaults)),
	} {
		if err := w.Write(s); err == nil {
			t.Errorf("%+v was written", s)
		}
	}
	if err := w.Write(at(2, ok)); err != nil {
		t.Error(err)
	}
	if err := w.Write(at(2, ok)); err == nil {
		t.Error("the same moment was written twice")
	}
	if err := w.Flush(); err != nil || file.String() != "time,air [C]\n0.000000002,0.001\n" {
		t.Errorf("%v, wrote %q", err, file.String())
	}
	for _, probes := range [][]string{nil, {"a b"}, {""}, {"a", "a"}, slices.Repeat([]string{strings.Repeat("x", 64)}, 1)[:0]} {
		if _, err := NewWriter(io.Discard, probes, true); err == nil {
			t.Errorf("a recording of the probes %q was begun", probes)
		}
	}
}

func TestContext(t *testing.T) {
	rec, err := Open(strings.NewReader("time,a [C]\n0,1\n1,2\n"), "day.csv", nil)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := rec.Next(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("after the end of its context Next says %v", err)
	}
	if s, err := rec.Next(t.Context()); err != nil || s.At.Mono != 0 {
		t.Errorf("the row was lost: %+v, %v", s, err)
	}
}
