package records

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// A chart is drawn in units of which its width has a thousand: about a fifth of a millimetre on paper.
const (
	chartWidth  = 1000.0
	plotLeft    = 56.0
	plotRight   = 884.0
	bandHeight  = 15.0
	quietHeight = 52.0 // of a plot of a lot about which nothing was said or done: two stand side by side
	quietWidth  = 490.0
	plotHeight  = 96.0
	charWidth   = 5.9 // of the charts' small print, at most
)

// chart is what a template draws.
type chart struct {
	Title                    string
	Width, Height            float64
	Left, Right, Top, Bottom float64
	HoursAt                  float64
	Bands                    []band
	Grid                     []tick // at y
	Hours                    []tick // at x
	Limits                   []limitLine
	Gaps                     []piece
	Curves                   []curve
	Checks                   []spot
	Letters                  []letter
	Tags                     []tag
	Empty                    bool // no reading at all
}

type band struct {
	Name   string
	Y      float64
	Pieces []piece
}

// piece is a stretch of time. Kind is a class of the style sheet.
type piece struct {
	X, Width, Middle float64
	Kind, Text       string
}

type tick struct {
	At   float64
	Text string
}

type limitLine struct {
	X1, X2, Y, LabelY float64
	Kind, Text        string
}

type curve struct{ Kind, Path string }

type spot struct {
	X, Y float64
	Kind string
}

// letter stands under the plot at X, and is led to At, the moment of its mark.
type letter struct {
	At, X float64
	Text  string
}

// Deep is the height of the plot.
func (c *chart) Deep() float64 { return tenth(c.Bottom - c.Top) }

// tag names a curve at its end.
type tag struct {
	X, Y float64
	Text string
}

// tenth keeps a document small and the same on every machine.
func tenth(v float64) float64 { return math.Round(v*10) / 10 }

// axes place moments and temperatures.
type axes struct {
	units            rules.Units
	from             time.Time
	span             time.Duration
	low, high        float64 // in the person's unit
	top, deep, right float64
}

func (a *axes) x(at time.Time) float64 {
	part := float64(at.Sub(a.from)) / float64(a.span)
	return plotLeft + float64((a.right-plotLeft)*min(1, max(0, part)))
}

func (a *axes) y(t sensor.Temp) float64 {
	return a.top + float64(a.deep*(a.high-a.value(t))/(a.high-a.low))
}

func (a *axes) value(t sensor.Temp) float64 {
	if a.units == rules.Fahrenheit {
		return t.Fahrenheit()
	}
	return t.Celsius()
}

// stretch is a piece from one moment to another, with a text where it fits, else the other.
func (a *axes) stretch(from, to time.Time, kind, text, short string) piece {
	x1, x2 := a.x(from), a.x(to)
	p := piece{X: tenth(x1), Width: tenth(x2 - x1), Middle: tenth((x1 + x2) / 2), Kind: kind}
	for _, s := range []string{text, short} {
		if float64(len([]rune(s)))*charWidth < x2-x1 {
			p.Text = s
			break
		}
	}
	return p
}

// fit chooses the temperatures that are shown, and gives the lines of the grid.
func (a *axes) fit(shown []sensor.Temp) []tick {
	low, high := math.Inf(1), math.Inf(-1)
	for _, t := range shown {
		low, high = min(low, a.value(t)), max(high, a.value(t))
	}
	if low > high {
		low, high = 0, 100
	}
	most := 2 + a.deep/28
	steps := []float64{1, 2, 5, 10, 20, 25, 50, 100, 200, 500, 1000}
	i := 0
	for i < len(steps)-1 && (high-low+steps[i])/steps[i] > most {
		i++
	}
	step := steps[i]
	a.low, a.high = step*math.Floor((low-step/8)/step), step*math.Ceil((high+step/8)/step)
	var grid []tick
	for v := a.low; v <= a.high; v += step {
		grid = append(grid, tick{tenth(a.top + float64(a.deep*(a.high-v)/(a.high-a.low))), fmt.Sprintf("%.0f", v)})
	}
	return grid
}

// hourSteps are the distances of the lines that tell the time.
func hourSteps() []time.Duration {
	const h, day = time.Hour, 24 * time.Hour
	return []time.Duration{5 * time.Minute, 10 * time.Minute, 15 * time.Minute, 30 * time.Minute, h, 2 * h, 3 * h, 4 * h, 6 * h, 12 * h, day, 2 * day, 7 * day, 28 * day}
}

func (a *axes) step() time.Duration {
	most := time.Duration(a.right / 68)
	steps := hourSteps()
	for _, s := range steps {
		if a.span/s < most {
			return s
		}
	}
	return steps[len(steps)-1]
}

// hours are the times of day, by the clock on the wall; a new day is told by its date.
func (a *axes) hours(zone *time.Location) (all []tick) {
	local := a.from.In(zone)
	midnight := time.Date(local.Year(), local.Month(), local.Day(), 0, 0, 0, 0, zone)
	for at, step := midnight, a.step(); !at.After(a.from.Add(a.span)); at = at.Add(step) {
		if at.Before(a.from) {
			continue
		}
		text := at.Format("15:04")
		if text == "00:00" {
			text = at.Format("01-02")
		}
		all = append(all, tick{tenth(a.x(at)), text})
	}
	return all
}

// trace draws what was read: a line that breaks where nothing was, and the gaps.
func (a *axes) trace(points []point, allowance time.Duration, kind string) (c curve, gaps []piece) {
	var path strings.Builder
	var run [][2]float64
	var last time.Time // of the latest valid reading
	end := func() {
		for i, p := range straight(run) {
			verb := "L"
			if i == 0 {
				verb = "M"
			}
			fmt.Fprintf(&path, "%s%v %v", verb, tenth(p[0]), tenth(p[1]))
		}
		if len(run) == 1 {
			path.WriteString("h1") // a reading alone is a dot
		}
		run = nil
	}
	gap := func(to time.Time) {
		if p := a.stretch(last, to, "gap", "no reading", ""); p.Width >= 0.5 {
			gaps = append(gaps, p)
		}
	}
	for _, p := range points {
		at := p.at.Wall
		if last.IsZero() {
			last = at
		}
		if p.temp == nil {
			end()
			continue
		}
		if at.Sub(last) > allowance || len(run) == 0 && at.After(last) {
			end()
			gap(at)
		}
		run = append(run, [2]float64{a.x(at), a.y(*p.temp)})
		last = at
	}
	if n := len(points); n > 0 && len(run) == 0 {
		gap(points[n-1].at.Wall)
	}
	end()
	return curve{kind, path.String()}, gaps
}

// straight leaves out the points that a line between its neighbours passes within a third of a unit, less than
// a printer's dot (the method of Ramer, 1972, and Douglas and Peucker, 1973).
func straight(p [][2]float64) [][2]float64 {
	if len(p) < 3 {
		return p
	}
	const tolerance = 0.35
	first, last := p[0], p[len(p)-1]
	dx, dy := last[0]-first[0], last[1]-first[1]
	length := math.Hypot(dx, dy)
	far, at := 0.0, 0
	for i := 1; i < len(p)-1; i++ {
		d := math.Hypot(p[i][0]-first[0], p[i][1]-first[1])
		if length > 0 {
			d = math.Abs(float64(dx*(p[i][1]-first[1]))-float64(dy*(p[i][0]-first[0]))) / length
		}
		if d > far {
			far, at = d, i
		}
	}
	if far <= tolerance {
		return [][2]float64{first, last}
	}
	left := straight(p[:at+1])
	return append(slices.Clone(left[:len(left)-1]), straight(p[at:])...)
}

// spread moves sorted places apart, so that each has room, as little as it can within the bounds.
func spread(at []float64, room, low, high float64) []float64 {
	if n := len(at); n > 1 {
		room = min(room, (high-low)/float64(n-1))
	}
	out := slices.Clone(at)
	for i := range out {
		out[i] = max(out[i], low)
		if i > 0 {
			out[i] = max(out[i], out[i-1]+room)
		}
	}
	for i := len(out) - 1; i >= 0; i-- {
		bound := high
		if i < len(out)-1 {
			bound = out[i+1] - room
		}
		out[i] = min(out[i], bound)
	}
	return out
}

// limit is a food code's line over a part of a lot's life.
type limit struct {
	from, to time.Time
	temp     sensor.Temp
	kind     string // a class of the style sheet: the dashes tell one from another
	name     string
}

// limitLines draws limits, and names each beside the plot once.
func (a *axes) limitLines(all []limit) []limitLine {
	slices.SortStableFunc(all, func(x, y limit) int { return cmp.Compare(y.temp, x.temp) })
	var lines []limitLine
	var named []int
	var ys []float64
	for i, l := range all {
		lines = append(lines, limitLine{X1: tenth(a.x(l.from)), X2: tenth(a.x(l.to)), Y: tenth(a.y(l.temp)), Kind: l.kind})
		if i > 0 && all[i-1].temp == l.temp {
			continue // its name stands at the first, which may be another's
		}
		name := l.name
		for _, other := range all[i+1:] {
			if other.temp == l.temp && !strings.Contains(name, other.name) {
				name += ", " + other.name
			}
		}
		lines[i].Text = name + " " + a.units.Format(l.temp)
		named, ys = append(named, i), append(ys, a.y(l.temp))
	}
	for i, y := range spread(ys, 12, a.top, a.top+a.deep) {
		lines[named[i]].LabelY = tenth(y)
	}
	return lines
}
