package records

import (
	"context"
	"fmt"
	"io"
	"math"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"holdbell/publish/ledger"
	"holdbell/rules"
	"holdbell/rules/terms"
	"holdbell/sensor"
)

// Comparison is two cooks side by side.
type Comparison struct {
	Units rules.Units
	Cooks [2]*Life
	Notes []string // which of several lots of a name was taken, and doubts about the figures

	setup *rules.Setup
	last  time.Time // of the record
}

// Compare reads two lots out of a ledger, each with the rules begun before it. The same name twice means the
// newest two of that name; a name that several have means the newest, and Notes says so.
func Compare(ctx context.Context, l *ledger.Ledger, o Options, zone *time.Location) (*Comparison, error) {
	if o.Setup == nil || len(o.Lots) != 2 {
		return nil, fmt.Errorf("two lots are compared by what the rules make of their readings; name two, and the configuration with --config FILE")
	}
	events, err := l.EventsWithin(ctx, time.Time{}, time.Time{}, rules.LotBegun, rules.LotMoved, rules.LotEnded)
	if err != nil {
		return nil, err
	}
	_, last, err := l.Span(ctx)
	if err != nil {
		return nil, err
	}
	b := NewBook()
	for i := range events {
		b.Add(&events[i])
	}
	c := &Comparison{Units: o.Setup.Units, setup: o.Setup, last: last}
	taken, err := c.choose(b.Lives, o.Lots, zone)
	if err != nil {
		return nil, err
	}
	for _, span := range spans(taken, last) {
		for i := range span.lots {
			span.Lots = append(span.Lots, Name{Lot: span.lots[i].Lot, seq: span.lots[i].Seq})
		}
		span.Setup, span.Trace = o.Setup, o.Trace
		r, err := Read(ctx, l, span.Options)
		if err != nil {
			return nil, err
		}
		for _, life := range span.lots {
			read := r.Lots[slices.IndexFunc(r.Lots, func(x *Life) bool { return x.Seq == life.Seq })]
			if read.State == nil {
				return nil, fmt.Errorf("%s is not known to the rules with this configuration; give the one that the daemon ran with as --config FILE", life.Lot)
			}
			c.Cooks[slices.Index(taken[:], life)] = read
		}
		c.Notes = append(c.Notes, r.Doubts...)
	}
	return c, nil
}

// spanOf is a span of the record that is read once, for the lots that it is read for.
type spanOf struct {
	Options
	lots []*Life
}

// spans are what has to be read for two lots: of two that were there together their times together, so that the rules go
// through them once.
func spans(both [2]*Life, last time.Time) []spanOf {
	of := func(l *Life) spanOf {
		return spanOf{Options{From: l.Begun.Wall, To: l.End(last)}, []*Life{l}}
	}
	a, b := of(both[0]), of(both[1])
	if a.From.After(b.To) || b.From.After(a.To) {
		return []spanOf{a, b}
	}
	if b.From.Before(a.From) {
		a.From = b.From
	}
	if b.To.After(a.To) {
		a.To = b.To
	}
	a.lots = both[:]
	return []spanOf{a}
}

// knownLots are how many lots are named to who asked for one that is not there.
const knownLots = 20

// choose finds the two lives that are meant.
func (c *Comparison) choose(lives []*Life, names []Name, zone *time.Location) (taken [2]*Life, err error) {
	for i, n := range names {
		var fit []*Life
		for _, l := range lives {
			if n.fits(l) && !(i == 1 && l == taken[0]) {
				fit = append(fit, l)
			}
		}
		if len(fit) == 0 {
			var known []string
			for _, l := range lives[max(0, len(lives)-knownLots):] {
				known = append(known, Name{Lot: l.Lot, Date: l.Begun.Wall.In(zone)}.String())
			}
			what := "no lot " + n.String()
			if i == 1 && n.fits(taken[0]) {
				what = "no second lot " + n.String()
			}
			return taken, fmt.Errorf("%s is recorded; the newest that are: %s", what, orNone(known))
		}
		taken[i] = fit[len(fit)-1]
		if others := fit[:len(fit)-1]; len(others) > 0 && n.Date.IsZero() && !(i == 0 && names[1] == n) {
			c.Notes = append(c.Notes, fmt.Sprintf("%s is the newest of %d lots of that name; %s@DATE takes another, such as %s.", n.Lot, len(fit), n.Lot,
				Name{Lot: n.Lot, Date: others[len(others)-1].Begun.Wall.In(zone)}))
		}
	}
	if names[0] == names[1] {
		taken[0], taken[1] = taken[1], taken[0] // the older one first, as it was cooked
	}
	return taken, nil
}

// figure is one line of a comparison.
type figure struct {
	name string
	of   func(l *Life) string
}

// Text writes the two side by side, for a terminal of 80 characters.
func (c *Comparison) Text(w io.Writer, zone *time.Location) error {
	a, b := c.Cooks[0], c.Cooks[1]
	p := newPage(w, zone, a.Begun.Wall, b.Begun.Wall)
	for _, n := range c.Notes {
		p.line(0, "Note: ", n)
	}
	const first, column = 24, 27
	row := func(name, left, right string) {
		x, y := Wrap(left, column), Wrap(right, column)
		for i := range max(len(x), len(y)) {
			p.write(strings.TrimRight(pad(cell([]string{name}, i), first)+pad(cell(x, i), column+1)+cell(y, i), " "))
		}
	}
	row("", strings.ToUpper(a.Lot), strings.ToUpper(b.Lot))
	for _, f := range c.table(p.times) {
		row(f[0], f[1], f[2])
	}
	for _, l := range c.Cooks {
		p.blank()
		p.line(0, "", noted(l, zone))
		notes := l.notes()
		for i := range notes {
			p.line(indent, p.at(notes[i].at)+"  ", notes[i].what)
		}
		if len(notes) == 0 {
			p.line(indent, "", nothing)
		}
	}
	p.blank()
	p.line(0, "", caution)
	return p.flush()
}

// table is a figure a row, its name and that of each; a dash where only one has it.
func (c *Comparison) table(t times) (all [][3]string) {
	for _, f := range c.figures(t) {
		left, right := f.of(c.Cooks[0]), f.of(c.Cooks[1])
		if left != "" || right != "" {
			all = append(all, [3]string{f.name, orDash(left), orDash(right)})
		}
	}
	return all
}

const nothing = "Nothing."

func noted(l *Life, zone *time.Location) string {
	return "What was noted of " + l.Lot + " of " + l.Begun.Wall.In(zone).Format(dateLayout)
}

// notes are what people wrote of a lot in their own words.
func (l *Life) notes() (all []entry) {
	for _, m := range l.Marks {
		if note := m.FreeText(); note != "" && !m.Refused {
			all = append(all, entry{at: m.At.Wall, what: fmt.Sprintf("%s: %s (%s)", terms.Lower(m.Kind), note, m.Signed())})
		}
	}
	return all
}

func pad(s string, n int) string { return s + strings.Repeat(" ", max(0, n-utf8.RuneCountInString(s))) }

func cell(lines []string, i int) string {
	if i < len(lines) {
		return lines[i]
	}
	return ""
}

func orDash(s string) string {
	if s == "" {
		return "-"
	}
	return s
}

func (c *Comparison) figures(p times) []figure {
	temp := func(t *sensor.Temp) string {
		if t == nil {
			return ""
		}
		return c.Units.Format(*t)
	}
	from := func(l *Life, at time.Time) string {
		if at.IsZero() || at.Before(l.Begun.Wall) {
			return ""
		}
		return rules.Words(at.Sub(l.Begun.Wall))
	}
	all := []figure{
		{terms.Lower(terms.Food), func(l *Life) string { return l.Food }},
		{"weight", func(l *Life) string { return weight(l, c.Units) }},
		{"loaded", func(l *Life) string { return p.at(l.Begun.Wall) }},
		{"pit, by time", func(l *Life) string { return c.air(l, rules.Cooking) }},
		{"load to wrap", func(l *Life) string { return from(l, l.marked(rules.MarkWrap)) }},
		{"load to proven cook", func(l *Life) string {
			if k := l.State.Cook; k != nil {
				return from(l, k.At.Wall)
			}
			return ""
		}},
		{"load to out of the pit", func(l *Life) string {
			if s := l.stay(rules.Cooking); s != nil {
				return from(l, s.To.Wall)
			}
			return ""
		}},
		{"load to hold", func(l *Life) string {
			if s := l.stay(rules.HotHolding); s != nil {
				return from(l, s.From.Wall)
			}
			return ""
		}},
		{"load to service", func(l *Life) string { return from(l, l.marked(rules.MarkServe)) }},
		{"finish, out of the pit", func(l *Life) string { return temp(l.finish()) }},
		{"highest in the cook", func(l *Life) string { _, high := l.extremes(rules.Cooking); return temp(high) }},
		{terms.Lower(terms.CookValue), func(l *Life) string { return fmt.Sprintf("%.0f min", l.State.CookValue) }},
		{"lowest in hold", func(l *Life) string { low, _ := l.extremes(rules.HotHolding); return temp(low) }},
		{"air in hold, by time", func(l *Life) string { return c.air(l, rules.HotHolding) }},
	}
	for _, stage := range rules.Purposes() {
		all = append(all, figure{terms.Lower(stage) + ", in all", func(l *Life) string {
			if d := l.inStage(stage); d > 0 {
				return rules.Words(d)
			}
			return ""
		}})
	}
	return append(all,
		figure{terms.Lower(terms.DangerZone), func(l *Life) string { return rules.Words(l.State.DangerZone) }},
		figure{terms.Lower(terms.Unknown), func(l *Life) string { return rules.Words(l.State.Unknown) }},
		figure{terms.Lower(terms.Verdict), func(l *Life) string { return terms.Lower(l.Verdict()) }},
	)
}

// gramsPerPound is exact by the international yard and pound agreement of 1959.
const gramsPerPound = 453.59237

// heavy finds a weight in what a person wrote.
var heavy = regexp.MustCompile(`(?i)\b\d+(?:[.,]\d+)?\s?(?:kg|lbs?|pounds?)\b`)

// weight is what a lot weighed, by lb= or kg= or else as a note says in words.
func weight(l *Life, u rules.Units) string {
	for _, m := range l.Marks {
		switch {
		case m.Grams > 0 && u == rules.Fahrenheit:
			return fmt.Sprintf("%.1f lb", float64(m.Grams)/gramsPerPound)
		case m.Grams > 0:
			return fmt.Sprintf("%.2f kg", float64(m.Grams)/1000)
		}
	}
	for _, m := range l.Marks {
		if w := heavy.FindString(m.FreeText()); w != "" {
			return w
		}
	}
	return ""
}

// marked is when a kind of mark was first made about a lot.
func (l *Life) marked(kind rules.MarkKind) time.Time {
	i := slices.IndexFunc(l.Marks, func(m *Mark) bool { return m.Kind == kind && !m.Refused })
	if i < 0 {
		return time.Time{}
	}
	return l.Marks[i].At.Wall
}

// stay is a lot's first stay in a stage.
func (l *Life) stay(stage rules.Purpose) *rules.StayState {
	for i := range l.State.Stays {
		if s := &l.State.Stays[i]; s.Stage == stage {
			return s
		}
	}
	return nil
}

func (l *Life) inStage(stage rules.Purpose) time.Duration {
	var d time.Duration
	for i := range l.State.Stays {
		if s := &l.State.Stays[i]; s.Stage == stage {
			d += s.Length
		}
	}
	return d
}

// extremes are the lowest and highest readings of a stage, where a probe in the food spoke.
func (l *Life) extremes(stage rules.Purpose) (low, high *sensor.Temp) {
	for i := range l.State.Stays {
		s := &l.State.Stays[i]
		if s.Stage != stage || s.Low == nil || s.OnAir {
			continue
		}
		if low == nil || *s.Low < *low {
			low = s.Low
		}
		if high == nil || *s.High > *high {
			high = s.High
		}
	}
	return low, high
}

// finish is what a lot read as it was first taken out of the cook.
func (l *Life) finish() *sensor.Temp {
	s := l.stay(rules.Cooking)
	if s == nil {
		return nil
	}
	for _, m := range l.Marks {
		ends := m.Kind == rules.MarkMove || m.Kind == rules.MarkClose || m.Kind == rules.MarkDiscard
		if ends && !m.Refused && m.Lot == l.Lot && !m.At.Wall.Before(s.From.Wall) {
			return m.Before
		}
	}
	return nil
}

// air is the mean and spread of the air of the stations in a stage, weighted by time over all stays in it.
func (c *Comparison) air(l *Life, stage rules.Purpose) string {
	var known, sum, squares float64
	for i := range l.State.Stays {
		s := &l.State.Stays[i]
		if s.Stage != stage || s.Air.Known <= 0 {
			continue
		}
		w, mean, spread := s.Air.Known.Seconds(), s.Air.Mean.Celsius(), s.Air.Spread.Celsius()
		known += w
		sum += float64(w * mean)
		squares += float64(w * (float64(mean*mean) + float64(spread*spread)))
	}
	if known == 0 {
		return ""
	}
	mean := sum / known
	spread := math.Sqrt(max(0, squares/known-float64(mean*mean)))
	t, ok := sensor.FromCelsius(mean)
	if !ok {
		return ""
	}
	if c.Units == rules.Fahrenheit {
		spread *= 1.8
	}
	return fmt.Sprintf("%s, spread %.1f", c.Units.Format(t), spread)
}
