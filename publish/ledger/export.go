package ledger

import (
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"slices"
	"time"

	"holdbell/sensor"
)

// bounds gives a span as milliseconds of the wall.
func bounds(from, to time.Time) (lo, hi int64) {
	lo, hi = math.MinInt64, math.MaxInt64
	if !from.IsZero() {
		lo = from.UnixMilli()
	}
	if !to.IsZero() {
		hi = to.UnixMilli()
	}
	return lo, hi
}

// Export writes the recorded sweeps from from to to, both included, as a recording in CSV: a column a
// probe in °C, a fault as its word, an empty cell where a probe was not there. A zero from or to is no
// bound. A recording's rows go forward in time; skipped counts the sweeps that were left out because the
// wall clock had stepped back before them.
func (l *Ledger) Export(w io.Writer, from, to time.Time) (skipped int, err error) {
	columns, err := l.columns(from, to)
	if err != nil {
		return 0, err
	}
	out := csv.NewWriter(w)
	line := []string{"time"}
	for _, name := range columns {
		line = append(line, name+" [C]")
	}
	if err := out.Write(line); err != nil {
		return 0, err
	}
	var newest time.Time
	var place []int
	var layout []string
	for row, err := range l.Sweeps(from, to) {
		if err != nil {
			return skipped, err
		}
		if !newest.IsZero() && !row.Sweep.At.Wall.After(newest) {
			skipped++
			continue
		}
		newest = row.Sweep.At.Wall
		if place == nil || !slices.Equal(layout, row.Layout) {
			layout, place = row.Layout, make([]int, len(columns))
			for i, name := range columns {
				place[i] = slices.Index(layout, name)
			}
		}
		line = append(line[:0], newest.Format(time.RFC3339Nano))
		for _, j := range place {
			if j < 0 {
				line = append(line, "")
				continue
			}
			line = append(line, cell(row.Sweep.Readings[j]))
		}
		if err := out.Write(line); err != nil {
			return skipped, err
		}
	}
	out.Flush()
	return skipped, out.Error()
}

// columns gives the names of all probes of a span, in the order in which they first appear.
func (l *Ledger) columns(from, to time.Time) ([]string, error) {
	var names []string
	var layout []string
	for row, err := range l.Sweeps(from, to) {
		if err != nil {
			return nil, err
		}
		if slices.Equal(layout, row.Layout) {
			continue
		}
		layout = row.Layout
		for _, name := range layout {
			if !slices.Contains(names, name) {
				names = append(names, name)
			}
		}
	}
	return names, nil
}

// cell writes a reading so that it reads back to the same thousandth.
func cell(r sensor.Reading) string {
	if !r.Valid() {
		return r.Fault.String()
	}
	t, sign := int64(r.Temp), ""
	if t < 0 {
		t, sign = -t, "-"
	}
	return fmt.Sprintf("%s%d.%03d", sign, t/1000, t%1000)
}
