package records

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"time"

	"holdbell/publish/ledger"
	"holdbell/publish/remotewrite"
	"holdbell/rules"
	"holdbell/sensor"
)

// OpenMetrics writes the recorded readings of a span as OpenMetrics text (OpenMetrics 1.0), with times, for promtool
// tsdb create-blocks-from openmetrics: the two families of the probes, calibrated, under the names and labels of remote
// write. The series stand one after the other, so the record is read twice a probe. left counts readings that are not
// written: nobody knows when they were, or the clock was set back to before one that is.
func OpenMetrics(ctx context.Context, w io.Writer, l *ledger.Ledger, setup *rules.Setup, from, to time.Time) (left int, err error) {
	out := bufio.NewWriter(w)
	written := 0
	for _, family := range []struct {
		name, unit, help string
		up               bool
	}{
		{remotewrite.Temperature, "celsius", "Temperature of a probe after calibration; absent while faulty.", false},
		{remotewrite.Up, "", "1 when the probe's reading is valid, else 0.", true},
	} {
		fmt.Fprintf(out, "# TYPE %s gauge\n", family.name)
		if family.unit != "" {
			fmt.Fprintf(out, "# UNIT %s %s\n", family.name, family.unit)
		}
		fmt.Fprintf(out, "# HELP %s %s\n", family.name, family.help)
		for i := range setup.Probes {
			p := remotewrite.Probe{Name: setup.Probes[i].Name, Corrected: setup.Probes[i].Condition.Corrected}
			p.Station, p.Role = setup.Place(i)
			series, up := p.Series(setup.Site)
			if family.up {
				series = up
			}
			wrote, without, err := writeSeries(ctx, out, l, &p, series, family.up, from, to)
			if err != nil {
				return 0, err
			}
			if family.up { // each reading has an up: it is counted once
				left += without
			}
			written += wrote
		}
	}
	if written == 0 {
		return 0, errors.New("no reading of a configured probe is recorded in that span; write another --from, or the --config of this record's kitchen")
	}
	fmt.Fprint(out, "# EOF\n")
	return left, out.Flush()
}

// writeSeries writes one series, and gives how many readings it wrote and how many it left out.
func writeSeries(ctx context.Context, out *bufio.Writer, l *ledger.Ledger, p *remotewrite.Probe, series string, up bool, from, to time.Time) (wrote, left int, err error) {
	var layout []string
	place, last := -1, int64(-1<<62)
	var line []byte
	var broken error
	err = l.Readings(ctx, from, to, func(probes []string, s *sensor.Sweep) bool {
		if !slices.Equal(layout, probes) {
			layout, place = probes, slices.Index(probes, p.Name)
		}
		if place < 0 {
			return true
		}
		at := s.At.Wall.UnixMilli()
		if !s.At.Believed || at <= last {
			left++
			return true
		}
		last = at
		r := p.Corrected(s.Readings[place])
		value := 0.0
		switch {
		case !up && !r.Valid():
			return true
		case !up:
			value = r.Temp.Celsius()
		case r.Valid():
			value = 1
		}
		line = append(append(line[:0], series...), ' ')
		line = strconv.AppendFloat(line, value, 'g', -1, 64)
		line = append(line, ' ')
		line = strconv.AppendFloat(line, float64(at)/1000, 'f', 3, 64)
		wrote++
		_, broken = out.Write(append(line, '\n'))
		return broken == nil
	})
	if err == nil {
		err = broken
	}
	return wrote, left, err
}
