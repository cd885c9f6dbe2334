package records

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// chart draws a lot's life: its stages, verdicts and bells above the temperature, its marks by their letters below.
// It is nil where no readings were gone through. allTo is the end of an open lot.
func (l *Life) chart(set *rules.Setup, zone *time.Location, allTo time.Time, letters map[*Mark]string) *chart {
	if set == nil || len(l.trace) == 0 {
		return nil
	}
	from, to := l.trace[0].at.Wall, l.End(allTo)
	if !to.After(from) {
		to = from.Add(time.Minute)
	}
	a := &axes{units: set.Units, from: from, span: to.Sub(from), top: 8 + 2*bandHeight, deep: plotHeight, right: plotRight}
	if l.quiet() {
		a.deep, a.right = quietHeight, plotRight-chartWidth+quietWidth
	}
	bands := []band{a.stages("stage", 1, l, to), a.verdicts(1+bandHeight, l, to)}
	if bells := a.bells(1+2*bandHeight, l, to); len(bells.Pieces) > 0 {
		a.top += bandHeight
		bands = append(bands, bells)
	}
	c := a.frame()
	c.Title, c.Bands = "Temperature of "+l.Lot, bands
	limits := l.limits(&set.Code, from, to)
	c.Grid = a.fit(append(l.shown(), temps(limits)...))
	c.Limits = a.limitLines(limits)
	line, gaps := a.trace(l.trace, set.GapAllowance, "read")
	c.Curves, c.Gaps, c.Empty = []curve{line}, gaps, line.Path == ""
	c.Hours = a.hours(zone)
	for _, m := range l.Marks {
		if m.Temp != nil && !m.Refused && m.Kind != rules.MarkCalibrate {
			c.Checks = append(c.Checks, spot{tenth(a.x(m.At.Wall)), tenth(a.y(*m.Temp)), "hand"})
		}
	}
	if c.Letters = a.letters(l, letters); len(c.Letters) > 0 {
		const line = 16 // for the letters
		c.HoursAt, c.Height = c.HoursAt+line, c.Height+line
	}
	return c
}

// quiet reports whether nothing was said of a lot and nothing done.
func (l *Life) quiet() bool { return len(l.Marks)+len(l.Verdicts)+len(l.Alarms) == 0 }

func (a *axes) frame() *chart {
	bottom := a.top + a.deep
	return &chart{Width: a.right + chartWidth - plotRight, Height: bottom + 16, Left: plotLeft, Right: a.right, Top: a.top, Bottom: bottom, HoursAt: bottom + 13}
}

// shown are the temperatures that a lot's chart has to have room for.
func (l *Life) shown() (all []sensor.Temp) {
	for _, p := range l.trace {
		if p.temp != nil {
			all = append(all, *p.temp)
		}
	}
	for _, m := range l.Marks {
		if m.Temp != nil && !m.Refused && m.Kind != rules.MarkCalibrate {
			all = append(all, *m.Temp)
		}
	}
	return all
}

func temps(limits []limit) (all []sensor.Temp) {
	for _, l := range limits {
		all = append(all, l.temp)
	}
	return all
}

// stages is a strip of where the lot was; a stay too short for words has the number of its row.
func (a *axes) stages(name string, y float64, l *Life, to time.Time) band {
	b := band{Name: name, Y: y}
	for i, s := range l.stays() {
		begin, end := s.From.Wall, to
		if !s.To.IsZero() {
			end = s.To.Wall
		}
		if !end.After(a.from) {
			continue
		}
		b.Pieces = append(b.Pieces, a.stretch(begin, end, "stage", fmt.Sprintf("%d %s, %s", i+1, s.Station, s.Stage), fmt.Sprint(i+1)))
	}
	return b
}

func (a *axes) verdicts(y float64, l *Life, to time.Time) band {
	b := band{Name: "verdict", Y: y}
	since, is := a.from, rules.OK
	say := func(until time.Time) {
		if until.After(since) {
			b.Pieces = append(b.Pieces, a.stretch(since, until, string(is), strings.ToUpper(string(is)), ""))
		}
	}
	for i := range l.Verdicts {
		ev := &l.Verdicts[i]
		say(ev.At.Wall)
		if ev.At.Wall.After(since) {
			since = ev.At.Wall
		}
		is = ev.Verdict
	}
	say(to)
	return b
}

func (a *axes) bells(y float64, l *Life, to time.Time) band {
	b := band{Name: "bell", Y: y}
	for _, alarm := range l.Alarms {
		if alarm.Raised.Priority == rules.Advice {
			continue
		}
		end := to
		if !alarm.Cleared.IsZero() {
			end = alarm.Cleared.Wall
		}
		p := a.stretch(alarm.Raised.At.Wall, end, "bell", "", "")
		p.Width = max(p.Width, 2)
		b.Pieces = append(b.Pieces, p)
	}
	return b
}

// limits are the food code's lines that a lot's stages make matter.
func (l *Life) limits(code *rules.Code, from, to time.Time) []limit {
	all := []limit{}
	was := map[rules.Purpose]bool{}
	for _, s := range l.stays() {
		end := to
		if !s.To.IsZero() {
			end = s.To.Wall
		}
		if !end.After(from) {
			continue
		}
		was[s.Stage] = true
		add := func(t sensor.Temp, kind, name string) { all = append(all, limit{s.From.Wall, end, t, kind, name}) }
		switch s.Stage {
		case rules.Cooking:
			for _, k := range code.Cooking {
				if slices.Contains(k.Foods, l.Food) {
					add(k.Temp, "target", "cooked")
					break
				}
			}
		case rules.Cooling:
			for _, leg := range code.Cooling {
				if leg.To != code.ColdLimit {
					add(leg.To, "target", "cooling")
				}
			}
		case rules.Reheating:
			if p := code.Reheat.Packaged; p != nil && l.State.Made == rules.MadePackaged {
				add(*p, "target", "reheated")
			} else if code.Reheat.Target != 0 {
				add(code.Reheat.Target, "target", "reheated")
			}
		}
	}
	if was[rules.Cooking] || was[rules.HotHolding] || was[rules.Cooling] || was[rules.Reheating] || was[rules.TimeControl] {
		all = append(all, limit{from, to, code.HotLimit, "hot", "hot limit"})
	}
	if was[rules.ColdHolding] || was[rules.Cooling] || was[rules.Reheating] {
		all = append(all, limit{from, to, code.ColdLimit, "cold", "cold limit"})
	}
	return all
}

// lettered gives each mark of a lot the letter under which a chart shows it: a to z, then aa.
func (l *Life) lettered() map[*Mark]string {
	marks := slices.Clone(l.Marks)
	slices.SortStableFunc(marks, func(x, y *Mark) int { return x.At.Wall.Compare(y.At.Wall) })
	all := map[*Mark]string{}
	for _, m := range marks {
		if all[m] != "" {
			continue
		}
		s := ""
		for n := len(all) + 1; n > 0; n = (n - 1) / 26 {
			s = string(rune('a'+(n-1)%26)) + s
		}
		all[m] = s
	}
	return all
}

func (a *axes) letters(l *Life, of map[*Mark]string) (all []letter) {
	marks := slices.Clone(l.Marks)
	slices.SortStableFunc(marks, func(x, y *Mark) int { return x.At.Wall.Compare(y.At.Wall) })
	marks = slices.Compact(marks)
	var at []float64
	for _, m := range marks {
		at = append(at, a.x(m.At.Wall))
		all = append(all, letter{At: tenth(a.x(m.At.Wall)), Text: of[m]})
	}
	room := 2*charWidth + 2
	for i, x := range spread(at, room, plotLeft, a.right) {
		all[i].X = tenth(x)
		if i > 0 && all[i].X-all[i-1].X < charWidth {
			for j := range all {
				all[j].Text = "" // too many for their letters: each keeps its line
			}
			break
		}
	}
	return all
}
