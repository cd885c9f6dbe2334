package microbe

import (
	"encoding/csv"
	"encoding/json"
	"flag"
	"os"
	"strconv"
	"testing"
	"time"

	"holdbell/sensor"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// column is one column of a published table: °F and seconds by row, rows without a figure left out.
type column struct {
	fahrenheit []int
	seconds    []float64
}

// readColumn reads a column of a CSV in testdata by its heading. A column without rows fails the test.
func readColumn(t testing.TB, file, heading string) column {
	t.Helper()
	f, err := os.Open("testdata/" + file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	records, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	at := -1
	for i, name := range records[0] {
		if name == heading {
			at = i
		}
	}
	if at < 0 {
		t.Fatalf("%s has no column %s", file, heading)
	}
	var c column
	for _, rec := range records[1:] {
		if rec[at] == "" {
			continue
		}
		degrees, err := strconv.Atoi(rec[0])
		if err != nil {
			t.Fatalf("%s: %v", file, err)
		}
		c.fahrenheit = append(c.fahrenheit, degrees)
		c.seconds = append(c.seconds, number(t, rec[at]))
	}
	if len(c.seconds) == 0 {
		t.Fatalf("%s: column %s has no rows", file, heading)
	}
	return c
}

func number(t testing.TB, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func readJSON(t testing.TB, file string, into any) {
	t.Helper()
	b, err := os.ReadFile("testdata/" + file)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, into); err != nil {
		t.Fatalf("%s: %v", file, err)
	}
}

func celsius(t testing.TB, c float64) sensor.Temp {
	t.Helper()
	v, ok := sensor.FromCelsius(c)
	if !ok {
		t.Fatalf("%v °C is no temperature", c)
	}
	return v
}

func hours(h float64) time.Duration { return time.Duration(h * float64(time.Hour)) }

// everything is all the accumulators of one lot.
type everything struct {
	Dwell     Dwell
	Lethality Lethality
	Growth    Growth
}

func (e *everything) add(dt time.Duration, from, to sensor.Temp) {
	e.Dwell.Add(dt, from, to)
	e.Lethality.Add(dt, from, to)
	e.Growth.Add(dt, from, to)
}
