package page

import (
	"cmp"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"time"

	"holdbell/rules"
)

// recordPage is how many events stand on one page of a day.
const recordPage = 100

// recordView is a page of one day of the record.
type recordView struct {
	Day, Heading  string
	Before, After string
	Newer, Older  string
	Page, Pages   int
	Events        []event
	Wrong         string
	Print         string // the day as a document; empty: none is made
	Compare       bool
}

// dayLayout is how a day is written in an address.
const dayLayout = "2006-01-02"

// serveRecord answers a day's events and marks, newest first.
func (p *Page) serveRecord(w http.ResponseWriter, r *http.Request) {
	l := p.lookOf(w, r, "record")
	s := p.scene(l, p.opt.Now())
	v := p.sheet(r, l, nil)
	words := p.label
	v.Heading, v.Title = words["record"], words["record"]
	today := s.c.now.Wall.In(p.opt.Zone)
	day, err := time.ParseInLocation(dayLayout, cmp.Or(r.URL.Query().Get("day"), today.Format(dayLayout)), p.opt.Zone)
	var view recordView
	if err != nil {
		view.Wrong = "The day cannot be read; write it as " + today.Format(dayLayout) + "."
		day, _ = time.ParseInLocation(dayLayout, today.Format(dayLayout), p.opt.Zone)
	}
	if view.Compare = p.opt.Papers != nil; view.Compare {
		view.Print = href("/record/print", "day", day.Format(dayLayout))
	}
	view.Day, view.Heading = day.Format(dayLayout), day.Format("Monday, 2 January 2006")
	at := func(d time.Time, page int) string {
		q := []string{"day", d.Format(dayLayout)}
		if page > 1 {
			q = append(q, "page", strconv.Itoa(page))
		}
		return href("/record", q...)
	}
	view.Before = at(day.AddDate(0, 0, -1), 1)
	if next := day.AddDate(0, 0, 1); !next.After(today) {
		view.After = at(next, 1)
	}
	status := http.StatusOK
	events, err := p.past(r.Context(), s, day, day.AddDate(0, 0, 1).Add(-time.Millisecond))
	if err != nil {
		p.unreadable(r, err)
		view.Wrong, status = notReadable, http.StatusServiceUnavailable
	}
	slices.Reverse(events)
	view.Pages = max(1, (len(events)+recordPage-1)/recordPage)
	view.Page, _ = strconv.Atoi(r.URL.Query().Get("page"))
	view.Page = min(max(view.Page, 1), view.Pages)
	if view.Page > 1 {
		view.Newer = at(day, view.Page-1)
	}
	if view.Page < view.Pages {
		view.Older = at(day, view.Page+1)
	}
	first := (view.Page - 1) * recordPage
	for i := range events[first:min(first+recordPage, len(events))] {
		ev := &events[first+i]
		e := s.event(ev)
		// Beside its day a time needs no date, and an age says nothing.
		if ev.At.Believed {
			e.When = ev.At.Wall.In(p.opt.Zone).Format("15:04:05")
		}
		if l.marks && ev.Undoable {
			e.Undo = href("/mark", "mark", string(rules.MarkUndo), "undoes", ev.Mark, "back", at(day, view.Page))
		}
		view.Events = append(view.Events, e)
	}
	v.Static = view
	p.render(w, r, status, "record", v)
}

// figuresRows is in how many rows the figures of a span stand.
const figuresRows = 12

// figuresView is a chart as a table.
type figuresView struct {
	Heading, Back, Wrong string
	Probes               []string
	Rows                 []figuresRow
}

type figuresRow struct {
	Name  string
	Cells []string
}

// serveFigures answers a chart as figures, for who cannot see it and for a browser without scripts.
func (p *Page) serveFigures(w http.ResponseWriter, r *http.Request) {
	l := p.lookOf(w, r, "figures")
	s := p.scene(l, p.opt.Now())
	v := p.sheet(r, l, nil)
	about, hours, words := s.subjectOf(r), hoursOf(r), p.label
	v.Heading, v.Title = words["figures"], words["figures"]
	if about.name != "" {
		v.Heading += ": " + about.name
	}
	view := figuresView{Heading: fmt.Sprintf("%s %d %s", words["chart-of"], hours, words["hours"]), Probes: about.probes, Back: "/board"}
	switch {
	case r.URL.Query().Get("lot") != "":
		view.Back = href("/lot", "name", about.name)
	case about.name != "":
		view.Back = href("/station", "name", about.name)
	}
	to := s.c.now.Wall
	from := to.Add(-time.Duration(hours) * time.Hour)
	status := http.StatusOK
	t, err := p.thin(r.Context(), about.probes, from, to, figuresRows)
	if err != nil {
		p.unreadable(r, err)
		view.Wrong, status = notReadable, http.StatusServiceUnavailable
	} else if len(about.probes) > 0 {
		view.Rows = s.rows(t, from)
	}
	v.Static = view
	p.render(w, r, status, "figures", v)
}

// rows writes the columns of a chart as the rows of a table, oldest first.
func (s *scene) rows(t *thinned, from time.Time) []figuresRow {
	var all []figuresRow
	for _, c := range t.columns {
		begins := from.Add(time.Duration(c.number) * t.width)
		row := figuresRow{Name: begins.In(s.c.zone).Format("15:04")}
		if !s.c.now.Believed {
			row.Name = rules.Words(s.c.now.Wall.Sub(begins)) + " ago"
		}
		for i := range c.cells {
			x := &c.cells[i]
			switch {
			case !x.read:
				row.Cells = append(row.Cells, "–")
				continue
			case x.low == x.high:
				row.Cells = append(row.Cells, s.u.Format(x.low))
			default:
				row.Cells = append(row.Cells, s.u.Format(x.low)+" to "+s.u.Format(x.high))
			}
			if x.missed {
				row.Cells[i] += ", " + s.label["gap"]
			}
		}
		all = append(all, row)
	}
	return all
}
