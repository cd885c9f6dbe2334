package configs

import (
	"fmt"
	"strings"
	"time"

	"github.com/goccy/go-yaml/ast"

	"holdbell/sensor"
	"holdbell/sensor/condition"
)

// Calibration is what a probe was compared with, when and by whom.
type Calibration struct {
	Date      time.Time         // its day, at midnight UTC
	By        string            // empty when nobody signed
	Reference string            // such as "ice", or the name of a thermometer
	Points    []condition.Point // the colder first

	date Problem // where Date stands
}

// The bounds of two points, common practice: nearer together, a tenth of a degree at one makes a whole degree
// further out; and a slope beyond is no scatter between probes but the wrong type, or readings that were mixed up
// (type J for K is 1.26, N for K 0.7, by their ITS-90 functions about 100 °C).
const (
	leastSpan   = sensor.Temp(20_000)
	mostSlope   = 110 // percent
	leastSlope  = 90
	iceIsWithin = sensor.Temp(500)
)

// oldestCheck is older than any kitchen's board: a date before it is a typing error.
func oldestCheck() time.Time { return time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC) }

// calibration gives what one probe's readings are corrected by.
func (p *Probe) calibration() condition.Calibration {
	switch c := p.Check; {
	case c == nil || len(c.Points) == 0:
		return condition.Offset(p.Offset)
	case len(c.Points) == 1:
		return condition.Through(c.Points[0])
	default:
		return condition.Through(c.Points[0], c.Points[1])
	}
}

// calibration reads the checks of one probe.
func (r *reader) calibration(n ast.Node) *Calibration {
	var c Calibration
	before := len(r.problems)
	var points []place
	of := r.mapping(n, "calibration",
		field{"date", scalar(r, &c.Date, "date", "2026-05-01", parseDay)},
		field{"by", scalar(r, &c.By, "by", "R.Oduya", parseWords)},
		field{"reference", scalar(r, &c.Reference, "reference", "ice", parseWords)},
		field{"points", func(n ast.Node) {
			r.list(n, "points", func(n ast.Node) {
				points = append(points, placeOf(n))
				c.Points = append(c.Points, r.calibrationPoint(n))
			})
		}},
	)
	if of == nil {
		return nil
	}
	for _, need := range [...]struct{ key, fix string }{
		{"date", "add date: with the day of the check, such as 2026-05-01"},
		{"reference", "add reference: with what the probe was compared with, such as ice"},
		{"points", "add points: [ { read: 32.4F, true: 32F } ]"},
	} {
		if _, ok := of[need.key]; !ok {
			r.fail(placeOf(n), need.fix, "a calibration has no %s", need.key)
		}
	}
	c.date = r.at(of["date"])
	if len(r.problems) == before {
		r.checkPoints(&c, of["points"], points)
	}
	return &c
}

func (r *reader) calibrationPoint(n ast.Node) (p condition.Point) {
	of := r.mapping(n, "a point",
		field{"read", scalar(r, &p.Read, "read", "32.4F", parseTemp)},
		field{"true", scalar(r, &p.True, "true", "32F", parseTemp)},
	)
	for _, key := range [...]string{"read", "true"} {
		if _, ok := of[key]; of != nil && !ok {
			r.fail(placeOf(n), "write { read: 32.4F, true: 32F }", "a point has no %s", key)
		}
	}
	return p
}

// checkPoints looks for what no check of a working probe gives.
func (r *reader) checkPoints(c *Calibration, list place, at []place) {
	switch len(c.Points) {
	case 0:
		r.fail(list, "write one point, or two: { read: 32.4F, true: 32F }", "a calibration without a point corrects nothing")
		return
	case 1, 2:
	default:
		r.fail(at[2], "keep the lowest and the highest", "a calibration has at most two points, one straight line")
		return
	}
	for i, p := range c.Points {
		if off := max(p.True-p.Read, p.Read-p.True); off > mostOff {
			r.fail(at[i], "look for numbers mixed up; a probe that is so far off is broken", "a point is off by %.1f °C", off.Celsius())
			return
		}
	}
	if c.Reference == "ice" && !atIce(c.Points) {
		r.fail(at[0], "write true: 32F (0C), or name another reference; were read and true mixed up?", "no point is at the temperature of ice water")
		return
	}
	if len(c.Points) == 1 {
		return
	}
	low, high := c.Points[0], c.Points[1]
	read, known := high.Read-low.Read, high.True-low.True
	switch {
	case read < 0 || read == 0 && known < 0:
		r.fail(at[1], "write the colder point first", "the points stand in the wrong order")
	case tooNear(read, known):
		r.fail(at[1], "use ice and boiling water, or keep one point", "the two points are less than 20 °C (36 °F) apart, which makes no line")
	case tooSteep(read, known):
		r.fail(at[1], "look at the four numbers, and at the probe's type; a sound probe is within a few percent",
			"where the probe gains 100 degrees the truth gains %.0f", 100*float64(known)/float64(read))
	}
}

// Line reports whether two points, the colder first, make a straight line that a configuration takes.
func Line(low, high condition.Point) bool {
	read, known := high.Read-low.Read, high.True-low.True
	return !tooNear(read, known) && !tooSteep(read, known)
}

func tooNear(read, known sensor.Temp) bool { return read < leastSpan || known < leastSpan }

func tooSteep(read, known sensor.Temp) bool {
	return int64(known)*100 > int64(read)*mostSlope || int64(known)*100 < int64(read)*leastSlope
}

// mostOff is what parseDifference allows an offset.
const mostOff = sensor.Temp(50_000)

func atIce(points []condition.Point) bool {
	for _, p := range points {
		if p.True >= -iceIsWithin && p.True <= iceIsWithin {
			return true
		}
	}
	return false
}

// parseDay reads a day. That it has come is for whoever has a clock: see Config.Ahead.
func parseDay(s string) (time.Time, string, string) {
	t, err := time.Parse(time.DateOnly, s)
	switch {
	case err != nil:
		return t, fmt.Sprintf("%q is no day", shorten(s)), "write year, month and day, such as 2026-05-01"
	case t.Before(oldestCheck()):
		return t, fmt.Sprintf("%s is too long ago", s), "look at the year"
	}
	return t, "", ""
}

// parseWords takes a name or a few words.
func parseWords(s string) (string, string, string) {
	if strings.TrimSpace(s) == "" {
		return "", "it is empty", "write it, or remove the key"
	}
	if len([]rune(s)) > 80 {
		return "", "it is longer than 80 letters", "write a few words"
	}
	return s, "", ""
}

// Ahead tells each calibration whose day has not come on now's calendar, with a day of grace for time zones. It
// is apart from Parse because a board without a clock chip starts in the past: there it is no reason not to watch.
func (c *Config) Ahead(now time.Time) []Problem {
	var all []Problem
	for i := range c.Probes {
		if p := &c.Probes[i]; p.Check != nil && p.Check.Date.After(now.Add(24*time.Hour)) {
			ahead := p.Check.date
			ahead.What = fmt.Sprintf("the calibration of probe %s is dated %s, which has not come", p.Name, p.Check.Date.Format(time.DateOnly))
			ahead.Fix = "write the day of the check, or set the clock"
			all = append(all, ahead)
		}
	}
	return all
}

// parseCalibrationEvery takes a day to ten years, or nothing at all for never.
func parseCalibrationEvery(s string) (time.Duration, string, string) {
	const day, longest = 24 * time.Hour, 10 * DefaultCalibrationEvery
	d, wrong, fix := parseDuration(s)
	if wrong == "" && d != 0 && (d < day || d > longest) {
		return 0, s + " is out of range", "write a duration from 24h to " + plain(longest) + ", such as 8760h for a year, or 0s for never"
	}
	return d, wrong, fix
}
