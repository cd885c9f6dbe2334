package page

import (
	"context"
	"encoding/json"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"holdbell/rules"
	"holdbell/sensor"
)

// However many columns, thinning keeps the lowest and the highest reading, and every gap.
func TestThinningKeepsExtremesAndGaps(t *testing.T) {
	from := noon.Wall.Add(-time.Hour)
	rapid.Check(t, func(t *rapid.T) {
		columns := rapid.IntRange(1, 300).Draw(t, "columns")
		thin := newThinned([]string{"a", "b"}, from, noon.Wall, columns, 5*time.Second)
		low, high := sensor.Temp(1<<30), sensor.Temp(-1<<30)
		gaps, valid, missed := 0, 0, false
		at, last := from, time.Time{}
		for range rapid.IntRange(0, 400).Draw(t, "sweeps") {
			at = at.Add(time.Duration(rapid.SampledFrom([]int{1, 1, 1, 1, 2, 20}).Draw(t, "step")) * time.Second)
			if !at.Before(noon.Wall) {
				break
			}
			r := sensor.Reading{Temp: sensor.Temp(rapid.IntRange(-20_000, 90_000).Draw(t, "temp"))}
			if rapid.IntRange(0, 9).Draw(t, "fault") == 0 {
				r, missed = sensor.Bad(sensor.Open), true
			} else {
				low, high = min(low, r.Temp), max(high, r.Temp)
				valid++
			}
			// The layout has them the other way round.
			thin.add([]string{"b", "a"}, &sensor.Sweep{At: sensor.Instant{Wall: at}, Readings: []sensor.Reading{sensor.Bad(sensor.Stale), r}})
			if !last.IsZero() && at.Sub(last) > 5*time.Second {
				gaps++
			}
			last = at
		}
		gotLow, gotHigh, gotMissed, after := sensor.Temp(1<<30), sensor.Temp(-1<<30), false, 0
		for i, c := range thin.columns {
			if i > 0 && c.number <= thin.columns[i-1].number {
				t.Fatalf("column %d follows %d", c.number, thin.columns[i-1].number)
			}
			if c.cells[0].read {
				gotLow, gotHigh = min(gotLow, c.cells[0].low), max(gotHigh, c.cells[0].high)
			}
			if c.cells[1].read || !c.cells[1].missed {
				t.Fatal("a probe without a reading has one")
			}
			gotMissed = gotMissed || c.cells[0].missed
			if c.after {
				after++
			}
		}
		if len(thin.columns) > columns || gotLow != low || gotHigh != high || gotMissed != missed {
			t.Fatalf("%d columns of %d, %v to %v, missed %v; want %v to %v, %v", len(thin.columns), columns, gotLow, gotHigh, gotMissed, low, high, missed)
		}
		// A column is 12 s or more wide here; a gap inside one is shown behind it, or there is no pixel for it.
		width := time.Hour / time.Duration(columns)
		if width <= 20*time.Second && width > 0 && after > gaps {
			t.Fatalf("%d gaps are shown of %d", after, gaps)
		}
		if columns >= 300 && after < gaps {
			t.Fatalf("%d gaps of 20 s are shown of %d, with columns of 12 s", after, gaps)
		}
	})
}

// A wall clock that is put back makes no line that runs backwards.
func TestThinningGoesForward(t *testing.T) {
	thin := newThinned([]string{"a"}, noon.Wall, noon.Wall.Add(time.Minute), 60, 5*time.Second)
	for _, s := range []int{10, 20, 15, 19, 21, -5, 70} {
		thin.add([]string{"a"}, &sensor.Sweep{At: sensor.Instant{Wall: noon.Wall.Add(time.Duration(s) * time.Second)}, Readings: []sensor.Reading{{Temp: 1}}})
	}
	var got []int
	for _, c := range thin.columns {
		got = append(got, c.number)
	}
	if !slices.Equal(got, []int{10, 20, 21}) {
		t.Errorf("columns %v", got)
	}
}

// The tail is what the record does not have yet: the newest sweeps, each once, in order.
func TestTail(t *testing.T) {
	var ring tail
	for i := range 2*tailLength + 7 {
		st := &rules.State{At: noon.Add(time.Duration(i) * time.Second), Probes: []rules.ProbeState{{Name: "a", Corrected: sensor.Reading{Temp: sensor.Temp(i)}}}}
		ring.add(st)
	}
	var got []sensor.Temp
	ring.each(func(_ []string, s *sensor.Sweep) bool {
		got = append(got, s.Readings[0].Temp)
		return true
	})
	if len(got) != tailLength || got[0] != tailLength+7 || !slices.IsSorted(got) {
		t.Errorf("%d sweeps from %v", len(got), got[0])
	}
	ring.add(&rules.State{At: noon, Probes: []rules.ProbeState{{Name: "b"}}})
	if len(ring.sweeps) != 1 || ring.probes[0] != "b" {
		t.Errorf("other probes: %d sweeps of %v", len(ring.sweeps), ring.probes)
	}
}

// The figures of a station's chart: its probes, band, limits, doors and marks, in the viewer's unit.
func TestChart(t *testing.T) {
	p, _ := served(t, rich(), fixed(noon), noMark)
	status, body := get(t, p, "/chart.json?station=warmer&hours=4&columns=400")
	if status != http.StatusOK {
		t.Fatalf("%d %s", status, body)
	}
	var d chartData
	if err := json.Unmarshal([]byte(body), &d); err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, c := range d.Probes {
		names = append(names, c.Role+" "+c.Name)
		if len(c.Low) != len(d.At) || len(c.High) != len(d.At) {
			t.Errorf("%s has %d columns of %d", c.Name, len(c.Low), len(d.At))
		}
	}
	if !slices.Equal(names, []string{"air warmer-air", "food warmer-core", "food pan-2", "food pan-3"}) {
		t.Errorf("probes %v", names)
	}
	if d.Unit != "°F" || *d.Low != 1400 || *d.High != 1650 || *d.Set != 1500 || *d.Hot != 1350 || d.Cold != nil {
		t.Errorf("unit %s, band %v to %v", d.Unit, *d.Low, *d.High)
	}
	if len(d.Doors) != 1 || d.Doors[0] != [2]int64{4*3600 - 100*60, 4*3600 - 94*60} {
		t.Errorf("doors %v", d.Doors)
	}
	if len(d.Marks) != 1 || d.Marks[0].At != 4*3600-200*60 || d.Marks[0].When != "08:40" {
		t.Errorf("marks %+v", d.Marks)
	}
	// The core's probe was out from 2.2 h to 2 h before noon.
	nulls := 0
	for _, v := range d.Probes[1].Low {
		if v == nil {
			nulls++
		}
	}
	if want := int(0.2 * 3600 / d.Width); nulls < want-2 || nulls > want+2 {
		t.Errorf("%d columns without a reading, want about %d", nulls, want)
	}
	if _, body := get(t, p, "/chart.json?units=celsius&hours=24&columns=99999"); json.Unmarshal([]byte(body), &d) != nil || d.Unit != "°C" || len(d.At) > mostColumns || len(d.Probes) != 13 || len(d.After) != 1 {
		t.Errorf("all probes of a day: %s, %d columns, %d probes, gaps %v", d.Unit, len(d.At), len(d.Probes), d.After)
	}
	p.opt.Readings = func(context.Context, time.Time, time.Time, func([]string, *sensor.Sweep) bool) error {
		return context.DeadlineExceeded
	}
	if status, _ := get(t, p, "/chart.json?hours=12"); status != http.StatusServiceUnavailable {
		t.Errorf("a record that cannot be read: %d", status)
	}
}

// A station without a reading, a lot that is gone and a name that is none have a chart of nothing, no error.
func TestChartOfNothing(t *testing.T) {
	p := kitchen(t, rich(), noon, noMark)
	for _, path := range []string{"/chart.json?station=nowhere", "/chart.json?lot=nothing", "/chart.json?lot=%3Cscript%3E", "/chart.json?hours=-3&columns=x"} {
		if status, body := get(t, p, path); status != http.StatusOK || !json.Valid([]byte(body)) {
			t.Errorf("%s: %d %s", path, status, body)
		}
	}
	empty := kitchen(t, nil, noon, noMark)
	if status, body := get(t, empty, "/chart.json"); status != http.StatusOK || !json.Valid([]byte(body)) {
		t.Errorf("before the first sweep: %d %s", status, body)
	}
}

// A day is paged, newest first, and each event stands on one page.
func TestRecordPages(t *testing.T) {
	p, _ := served(t, rich(), fixed(noon), noMark)
	p.opt.Past = func(_ context.Context, from, to time.Time) ([]rules.Event, error) {
		if to.Sub(from) < 23*time.Hour || from.Hour() != 0 {
			t.Errorf("asked for %v to %v", from, to)
		}
		var all []rules.Event
		for i := range 2*recordPage + 5 {
			all = append(all, rules.Event{Seq: uint64(1000 + i), Kind: rules.MarkTaken, Mark: "m", At: ago(time.Duration(300-i) * time.Second), Text: "A mark."})
		}
		return all, nil
	}
	seen := 0
	for page, path := range []string{"/record?day=2026-03-01", "/record?day=2026-03-01&page=2", "/record?day=2026-03-01&page=3"} {
		_, body := get(t, p, path)
		n := strings.Count(body, `id="event-1`)
		if want := []int{recordPage, recordPage, 5}[page]; n != want {
			t.Errorf("%s: %d events, want %d", path, n, want)
		}
		seen += n
	}
	if seen != 2*recordPage+5 {
		t.Errorf("%d events on all pages", seen)
	}
	for _, path := range []string{"/record?day=yesterday", "/record?page=-4", "/record?page=900", "/record?day=9999-12-31"} {
		if status, _ := get(t, p, path); status != http.StatusOK {
			t.Errorf("%s: %d", path, status)
		}
	}
}

func BenchmarkThinOfADay(b *testing.B) {
	probes := []string{"p1", "p2", "p3", "p4", "p5", "p6", "p7", "p8"}
	s := sensor.Sweep{Readings: make([]sensor.Reading, 8)}
	for b.Loop() {
		t := newThinned(probes, noon.Wall, noon.Wall.Add(24*time.Hour), 800, 5*time.Second)
		for i := range 86400 {
			s.At.Wall = noon.Wall.Add(time.Duration(i) * time.Second)
			s.Readings[i%8].Temp = sensor.Temp(i)
			t.add(probes, &s)
		}
		if len(t.columns) != 800 {
			b.Fatal(len(t.columns))
		}
	}
}
