package page

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"math"
	"net/http"
	"slices"
	"strconv"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// Papers is what can be made of the whole record. Each may take seconds, and is asked for one at a time. An
// error is for the person who asked: what is wrong, and what mends it.
type Papers interface {
	// Lots names the recorded lots as Compare and PrintSides take them, NAME@DAY by the day on which it
	// began, the newest first.
	Lots(ctx context.Context) ([]string, error)
	// Compare lays two lots side by side, in a unit.
	Compare(ctx context.Context, a, b string, u rules.Units) (*Sides, error)
	// PrintSides writes the same as a document for paper.
	PrintSides(ctx context.Context, w io.Writer, a, b string) error
	// PrintSpan writes the record of a span as a document for paper.
	PrintSpan(ctx context.Context, w io.Writer, from, to time.Time) error
}

// Sides are two lots side by side.
type Sides struct {
	Names     [2]string
	Notes     []string    // what to know about the figures, each a sentence
	Rows      [][3]string // a figure's name, and what it is of each
	Lines     [2][]Point  // from the loading on, in order
	Hot, Cold bool        // which limits of the food code concern them
}

// Point is a reading some time after the loading; nil while there was none.
type Point struct {
	Since time.Duration
	Temp  *sensor.Temp
}

// papersFor is how long a document may take: a small board goes through weeks of readings.
const papersFor = 5 * time.Minute

// offered are how many of the newest lots can be chosen.
const offered = 60

// papers gives the record's papers to one asker at a time; done hands them back. nil when the asker went away.
func (p *Page) papers(w http.ResponseWriter, r *http.Request) (all Papers, done func()) {
	select {
	case p.desk <- struct{}{}:
	case <-r.Context().Done():
		return nil, nil
	}
	// A test's recorder knows no deadlines.
	_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(papersFor))
	return p.opt.Papers, func() { <-p.desk }
}

// compareView is the page of two lots side by side.
type compareView struct {
	A, B, Wrong, Print string
	Lots               []string
	Sides              *Sides
	Plot               chartView
}

// serveCompare answers two lots side by side, and lets them be chosen.
func (p *Page) serveCompare(w http.ResponseWriter, r *http.Request) {
	l := p.lookOf(w, r, "compare")
	papers, done := p.papers(w, r)
	if papers == nil {
		return
	}
	defer done()
	q := r.URL.Query()
	view := compareView{A: q.Get("a"), B: q.Get("b")}
	status := http.StatusOK
	all, err := papers.Lots(r.Context())
	view.Lots = all[:min(offered, len(all))]
	for _, name := range []string{view.B, view.A} {
		if name != "" && !slices.Contains(view.Lots, name) {
			view.Lots = slices.Insert(view.Lots, 0, name)
		}
	}
	if err == nil && view.A != "" && view.B != "" {
		if view.Sides, err = p.sides(r.Context(), papers, view.A, view.B, l.units); err == nil {
			two := []string{"a", view.A, "b", view.B}
			view.Print = href("/compare/print", two...)
			view.Plot = chartView{Data: href("/compare.json", two...), Label: p.label["overlay"] + ": " + view.Sides.Names[0] + ", " + view.Sides.Names[1]}
		}
	}
	if err != nil {
		p.unmade(r, err)
		view.Wrong, status = sentence(err.Error()), http.StatusNotFound
	}
	v := p.sheet(r, l, nil)
	v.Heading, v.Title, v.Static, v.Chart = p.label["compare"], p.label["compare"], view, view.Sides != nil
	p.render(w, r, status, "compare", v)
}

// sidesKept is two lots side by side as they were a moment ago, for the chart of the page that shows them.
type sidesKept struct {
	a, b  string
	units rules.Units
	at    time.Time
	sides *Sides
}

// sidesFresh is how long that stands for what is.
const sidesFresh = time.Minute

// sides compares two lots, unless these were just compared. The papers are the caller's.
func (p *Page) sides(ctx context.Context, papers Papers, a, b string, u rules.Units) (*Sides, error) {
	if st := p.state.Load(); u == "" && st != nil {
		u = st.Units
	}
	k := &p.compared
	if k.sides != nil && k.a == a && k.b == b && k.units == u && time.Since(k.at) < sidesFresh {
		return k.sides, nil
	}
	s, err := papers.Compare(ctx, a, b, u)
	if err != nil {
		return nil, err
	}
	*k = sidesKept{a, b, u, time.Now(), s}
	return s, nil
}

// serveOverlay answers what the chart of two lots is drawn from.
func (p *Page) serveOverlay(w http.ResponseWriter, r *http.Request) {
	l := p.lookOf(w, r, "compare")
	columns, err := strconv.Atoi(r.URL.Query().Get("columns"))
	if err != nil {
		columns = leastColumns
	}
	papers, done := p.papers(w, r)
	if papers == nil {
		return
	}
	defer done()
	s, err := p.sides(r.Context(), papers, r.URL.Query().Get("a"), r.URL.Query().Get("b"), l.units)
	if err != nil {
		p.unmade(r, err)
		writeJSON(w, http.StatusNotFound, markRefusal{Error: sentence(err.Error())})
		return
	}
	u := l.units
	if st := p.state.Load(); u == "" && st != nil {
		u = st.Units
	}
	d := overlay(s, u, min(max(columns, leastColumns), mostColumns))
	if s.Hot {
		d.Hot = tenths(p.opt.HotLimit, u)
	}
	if s.Cold {
		d.Cold = tenths(p.opt.ColdLimit, u)
	}
	writeJSON(w, http.StatusOK, d)
}

// overlayStep is the least width of a column: a lot's points lie a minute apart, and a column without one
// would look like a gap.
const overlayStep = 2 * time.Minute

// overlay draws two lines over each other, both from their loading.
func overlay(s *Sides, u rules.Units, columns int) *chartData {
	span := overlayStep
	for _, line := range s.Lines {
		if n := len(line); n > 0 {
			span = max(span, line[n-1].Since)
		}
	}
	width := max(overlayStep, span/time.Duration(columns)).Round(time.Second)
	n := int(span/width) + 1
	d := &chartData{Since: true, Span: int64(math.Ceil(span.Seconds())), Width: width.Seconds(), Unit: signOf(u), At: []float64{}, After: []int{}, Doors: [][2]int64{}, Marks: []chartMark{}}
	for i := range n {
		d.At = append(d.At, float64(i)*width.Seconds())
	}
	for i, line := range s.Lines {
		c := chartProbe{Name: string(rune('A'+i)) + " " + s.Names[i], Role: "food", Low: make([]*int, n), High: make([]*int, n), Missed: []int{}}
		for _, x := range line {
			at, t := int(x.Since/width), tenths(x.Temp, u)
			if t == nil || at < 0 || at >= n {
				continue
			}
			if c.Low[at] == nil || *t < *c.Low[at] {
				c.Low[at] = t
			}
			if c.High[at] == nil || *t > *c.High[at] {
				c.High[at] = t
			}
		}
		d.Probes = append(d.Probes, c)
	}
	return d
}

// servePrintedSides answers two lots side by side as a document for paper.
func (p *Page) servePrintedSides(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	p.print(w, r, func(papers Papers, into io.Writer) error {
		return papers.PrintSides(r.Context(), into, q.Get("a"), q.Get("b"))
	})
}

// servePrintedDay answers a day of the record as a document for paper.
func (p *Page) servePrintedDay(w http.ResponseWriter, r *http.Request) {
	p.print(w, r, func(papers Papers, into io.Writer) error {
		day, err := time.ParseInLocation(dayLayout, r.URL.Query().Get("day"), p.opt.Zone)
		if err != nil {
			return fmt.Errorf("the day cannot be read; write it as %s", p.opt.Now().Wall.In(p.opt.Zone).Format(dayLayout))
		}
		return papers.PrintSpan(r.Context(), into, day, day.AddDate(0, 0, 1).Add(-time.Millisecond))
	})
}

// print answers a document, whole or not at all. It carries its own style and nothing that runs.
func (p *Page) print(w http.ResponseWriter, r *http.Request, write func(Papers, io.Writer) error) {
	papers, done := p.papers(w, r)
	if papers == nil {
		return
	}
	var b bytes.Buffer
	err := write(papers, &b)
	done()
	if err != nil {
		p.unmade(r, err)
		http.Error(w, sentence(err.Error()), http.StatusNotFound)
		return
	}
	h := w.Header()
	h.Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'")
	h.Set("Content-Type", "text/html; charset=utf-8")
	writePacked(w, r, http.StatusOK, b.Bytes())
}

// unmade notes that a paper could not be made: most often because its asker named a lot that is not there.
func (p *Page) unmade(r *http.Request, err error) {
	if r.Context().Err() == nil {
		p.opt.Log.Info("a paper of the record could not be made", "path", r.URL.Path, "err", err)
	}
}
