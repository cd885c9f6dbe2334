package records

import (
	"fmt"
	"io"
	"slices"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// SideFormats are the formats in which two cooks are compared.
func SideFormats() []string { return []string{"text", "html"} }

// side is what the template of a comparison draws.
type side struct {
	heading
	Facts   []fact
	Notes   []string
	Names   [2]string
	Chart   *chart
	Figures [][3]string
	Noted   [2]noteSheet
	Caution string
}

type noteSheet struct {
	Title, Nothing string
	Notes          []row
}

// HTML writes the comparison as one document that needs nothing else, for the screen and for a sheet of A4 or Letter.
func (c *Comparison) HTML(w io.Writer, zone *time.Location) error {
	a, b := c.Cooks[0], c.Cooks[1]
	t := words{newTimes(zone, a.Begun.Wall, b.Begun.Wall), &Record{Units: c.Units}}
	s := side{Notes: c.Notes, Caution: caution, Chart: c.chart(), Figures: c.table(t.times)}
	s.Title = "Two cooks side by side"
	if c.setup.Site != "" {
		s.Title += ", " + c.setup.Site
	}
	s.Foot = s.Title
	s.Facts = []fact{{"Local time", zoneName(zone, a.Begun.Wall, b.Begun.Wall)}, {"Food code", c.setup.Code.Title}}
	for i, l := range c.Cooks {
		s.Names[i] = l.called(zone)
		n := noteSheet{Title: noted(l, zone)}
		if _, n.Notes, _ = rows(l.notes(), &t, nil); len(n.Notes) == 0 {
			n.Nothing = nothing
		}
		s.Noted[i] = n
	}
	return render(w, "compare.html", s)
}

// chart lays the two temperatures over each other, each from its loading.
func (c *Comparison) chart() *chart {
	var both [2]*axes
	var span time.Duration
	for _, l := range c.Cooks {
		span = max(span, l.End(c.last).Sub(l.Begun.Wall), time.Minute)
	}
	var shown []sensor.Temp
	limits := c.limits(span)
	for i, l := range c.Cooks {
		both[i] = &axes{units: c.Units, right: plotRight, from: l.Begun.Wall, span: span, top: 8 + 2*bandHeight, deep: 2.5 * plotHeight}
		shown = append(shown, l.shown()...)
	}
	grid := both[0].fit(append(shown, temps(limits)...))
	both[1].low, both[1].high = both[0].low, both[0].high
	chart := both[0].frame()
	chart.Title = "Temperature of both from their loading"
	chart.Grid, chart.Hours, chart.Limits = grid, both[0].sinceLoading(), both[0].limitLines(limits)
	for i, l := range c.Cooks {
		name, kind, above := "A", "read", -7.0
		if i == 1 {
			name, kind, above = "B", "second", 15.0
		}
		ax := both[i]
		chart.Bands = append(chart.Bands, ax.stages(name+" stage", 1+float64(i)*bandHeight, l, l.End(c.last)))
		line, gaps := ax.trace(l.trace, c.setup.GapAllowance, kind)
		for j := range gaps {
			if gaps[j].Text != "" {
				gaps[j].Text = name + ": " + gaps[j].Text
			}
		}
		chart.Curves, chart.Gaps = append(chart.Curves, line), append(chart.Gaps, gaps...)
		for _, share := range []int{4, 2} { // on the way, and halfway
			if n := len(l.trace); n > 0 {
				if p := l.trace[n/share]; p.temp != nil {
					chart.Tags = append(chart.Tags, tag{tenth(ax.x(p.at.Wall)), tenth(ax.y(*p.temp) + above), name})
				}
			}
		}
		for _, m := range l.Marks {
			if m.Temp != nil && !m.Refused && m.Kind != rules.MarkCalibrate {
				chart.Checks = append(chart.Checks, spot{tenth(ax.x(m.At.Wall)), tenth(ax.y(*m.Temp)), "hand " + kind})
			}
		}
	}
	return chart
}

// limits are the hot and the cold limit, where one of the two lots is bound by it.
func (c *Comparison) limits(span time.Duration) (all []limit) {
	for _, l := range c.Cooks {
		for _, x := range l.limits(&c.setup.Code, l.Begun.Wall, l.End(c.last)) {
			x.from, x.to = c.Cooks[0].Begun.Wall, c.Cooks[0].Begun.Wall.Add(span)
			same := func(y limit) bool { return x.temp == y.temp }
			if x.kind != "target" && !slices.ContainsFunc(all, same) {
				all = append(all, x)
			}
		}
	}
	return all
}

// Bound reports whether the food code's hot or cold limit concerns one of the two.
func (c *Comparison) Bound() (hot, cold bool) {
	for _, x := range c.limits(0) {
		hot, cold = hot || x.kind == "hot", cold || x.kind == "cold"
	}
	return hot, cold
}

// Table gives a figure a row, its name and what it is of each, and what each of the two is called.
func (c *Comparison) Table(zone *time.Location) (rows [][3]string, names [2]string) {
	for i, l := range c.Cooks {
		names[i] = l.called(zone)
	}
	return c.table(newTimes(zone, c.Cooks[0].Begun.Wall, c.Cooks[1].Begun.Wall)), names
}

func (l *Life) called(zone *time.Location) string {
	return fmt.Sprintf("%s of %s", l.Lot, l.Begun.Wall.In(zone).Format(dateLayout))
}

// Trace visits the readings of one of the two that were kept for a chart, by the time since its loading; nil
// while there was none.
func (c *Comparison) Trace(which int, visit func(since time.Duration, t *sensor.Temp)) {
	l := c.Cooks[which]
	for _, p := range l.trace {
		visit(p.at.Wall.Sub(l.Begun.Wall), p.temp)
	}
}

// sinceLoading are the times from the loading on.
func (a *axes) sinceLoading() (all []tick) {
	step := a.step()
	for d := time.Duration(0); d <= a.span; d += step {
		text := "loaded"
		if d > 0 {
			text = rules.Words(d)
		}
		all = append(all, tick{tenth(a.x(a.from.Add(d))), text})
	}
	return all
}
