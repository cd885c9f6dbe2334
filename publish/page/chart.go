package page

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"strconv"
	"sync"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// The spans that a chart can show, in hours; the first is the one that nobody asked for.
func spans() []int { return []int{4, 1, 12, 24} }

// The bounds of a chart's columns, one a pixel of a phone or of a wall screen.
const (
	leastColumns = 60
	mostColumns  = 2000
)

// chartView is the place of a chart on a page.
type chartView struct {
	Data, Figures, Label string
	Spans                []link
}

// hoursOf is the span that a request asks for.
func hoursOf(r *http.Request) int {
	asked, err := strconv.Atoi(r.URL.Query().Get("hours"))
	for _, h := range spans() {
		if err == nil && h == asked {
			return h
		}
	}
	return spans()[0]
}

// chartOf is the place of the chart of a view.
func (p *Page) chartOf(r *http.Request, l look) chartView {
	hours := hoursOf(r)
	about := map[string]string{"station": "station", "lot": "lot"}[l.view]
	query := func(h int) []string {
		q := []string{"hours", strconv.Itoa(h)}
		if about != "" {
			q = append(q, about, l.name)
		}
		return q
	}
	v := chartView{Data: href("/chart.json", query(hours)...), Figures: href("/figures", query(hours)...)}
	words := p.label
	v.Label = fmt.Sprintf("%s: %s %d %s", words["chart"], words["chart-of"], hours, words["hours"])
	for _, h := range []int{1, 4, 12, 24} {
		v.Spans = append(v.Spans, link{fmt.Sprintf("%d %s", h, words["hours"]), href(r.URL.Path, "name", l.name, "hours", strconv.Itoa(h)), h == hours})
	}
	return v
}

// subject is what a chart is about: its probes, and what else is drawn.
type subject struct {
	name    string
	station *rules.StationState
	lot     *rules.LotState
	probes  []string
	roles   []string
}

// subjectOf finds out what a request's chart is about: a lot, a station, or everything.
func (s *scene) subjectOf(r *http.Request) subject {
	q := r.URL.Query()
	var v subject
	if name := q.Get("lot"); name != "" {
		v.name = name
		if v.lot = s.lot(name); v.lot != nil {
			v.probes = v.lot.Probes
			v.station = s.station(v.lot.Station)
		}
	} else if name := q.Get("station"); name != "" {
		v.name = name
		v.station = s.station(name)
	}
	if v.station != nil {
		for _, name := range append([]string{v.station.Air}, v.station.Food...) {
			if name != "" && (v.lot == nil || name == v.station.Air) {
				v.add(name)
			}
		}
	}
	if v.name == "" && s.st != nil {
		for i := range s.st.Probes {
			v.add(s.st.Probes[i].Name)
		}
	}
	for _, name := range v.probes {
		role := "food"
		if v.station != nil && name == v.station.Air {
			role = "air"
		}
		v.roles = append(v.roles, role)
	}
	return v
}

func (v *subject) add(name string) {
	for _, had := range v.probes {
		if had == name {
			return
		}
	}
	v.probes = append(v.probes, name)
}

// chartData is a chart in numbers. Times are seconds after From; temperatures are tenths of a degree in Unit.
type chartData struct {
	Since  bool         `json:"since,omitempty"` // times are told from the beginning, not by the clock
	From   int64        `json:"from"`            // seconds since 1970
	Offset int          `json:"offset"`          // of the kitchen's zone, seconds
	Span   int64        `json:"span"`            // seconds
	Width  float64      `json:"width"`           // of a column, seconds
	Unit   string       `json:"unit"`
	At     []float64    `json:"at"`    // each column's beginning
	After  []int        `json:"after"` // columns that follow a time in which nothing was read
	Probes []chartProbe `json:"probes"`
	Low    *int         `json:"low"` // of the band
	High   *int         `json:"high"`
	Set    *int         `json:"set"`
	Hot    *int         `json:"hot"` // limits
	Cold   *int         `json:"cold"`
	Doors  [][2]int64   `json:"doors"`
	Marks  []chartMark  `json:"marks"`
}

type chartProbe struct {
	Name   string `json:"name"`
	Role   string `json:"role"`
	Low    []*int `json:"low"` // null: no reading
	High   []*int `json:"high"`
	Missed []int  `json:"missed"` // columns in which it was missing at times
}

type chartMark struct {
	At   int64  `json:"at"`
	When string `json:"when"`
	Text string `json:"text"`
}

// charts keeps the newest answers, so that many viewers of one chart are one reader of the record.
type charts struct {
	mu   sync.Mutex
	made map[string]*chartMade
}

type chartMade struct {
	mu   sync.Mutex
	at   sensor.Instant
	body []byte
}

// chartKeeps is how long an answer counts as the newest; maxCharts bounds how many are kept.
const (
	chartKeeps = 5 * time.Second
	maxCharts  = 16
)

// slot is where the answer to a question is kept.
func (c *charts) slot(key string) *chartMade {
	c.mu.Lock()
	defer c.mu.Unlock()
	if m := c.made[key]; m != nil {
		return m
	}
	if c.made == nil || len(c.made) >= maxCharts {
		c.made = map[string]*chartMade{}
	}
	m := new(chartMade)
	c.made[key] = m
	return m
}

// serveChart answers the figures that a chart is drawn from.
func (p *Page) serveChart(w http.ResponseWriter, r *http.Request) {
	l := p.lookOf(w, r, "chart")
	columns, err := strconv.Atoi(r.URL.Query().Get("columns"))
	if err != nil {
		columns = 600
	}
	columns = min(max(columns, leastColumns), mostColumns)
	s := p.scene(l, p.opt.Now())
	about := s.subjectOf(r)
	m := p.charts.slot(fmt.Sprintf("%q %q %q %d %d %s", r.URL.Query().Get("lot"), r.URL.Query().Get("station"), about.probes, hoursOf(r), columns, s.u))
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.body == nil || s.c.now.Mono-m.at.Mono > chartKeeps {
		data, err := p.chart(r.Context(), s, about, time.Duration(hoursOf(r))*time.Hour, columns)
		if err != nil {
			p.unreadable(r, err)
			writeJSON(w, http.StatusServiceUnavailable, markRefusal{Error: notReadable})
			return
		}
		body, err := json.Marshal(data)
		if err != nil {
			p.undrawable(w, err)
			return
		}
		m.body, m.at = body, s.c.now
	}
	w.Header().Set("Content-Type", "application/json")
	writePacked(w, r, http.StatusOK, m.body)
}

const notReadable = "The record cannot be read now. The watch goes on; this page tries again."

// unreadable logs that the record could not be read, unless its asker went away.
func (p *Page) unreadable(r *http.Request, err error) {
	if r.Context().Err() == nil {
		p.opt.Log.Warn("the record cannot be read for the page", "err", err)
	}
}

// chart gathers what a chart shows: the hours up to now.
func (p *Page) chart(ctx context.Context, s *scene, about subject, span time.Duration, columns int) (*chartData, error) {
	to := s.c.now.Wall
	from := to.Add(-span)
	_, offset := to.In(p.opt.Zone).Zone()
	d := &chartData{From: from.Unix(), Offset: offset, Span: int64(span.Seconds()), Unit: signOf(s.u), At: []float64{}, After: []int{}, Doors: [][2]int64{}, Marks: []chartMark{}}
	t, err := p.thin(ctx, about.probes, time.Unix(d.From, 0), to, columns)
	if err != nil {
		return nil, err
	}
	d.Width = math.Round(t.width.Seconds()*10) / 10
	d.columns(t, about.roles, s.u)
	if x := about.station; x != nil {
		d.Set = tenths(x.Setpoint, s.u)
		if x.Band != nil {
			d.Low, d.High = tenths(&x.Band.Low, s.u), tenths(&x.Band.High, s.u)
		}
	}
	if hot, cold := limitsOf(&about); hot || cold {
		if hot {
			d.Hot = tenths(p.opt.HotLimit, s.u)
		}
		if cold {
			d.Cold = tenths(p.opt.ColdLimit, s.u)
		}
	}
	events, err := p.past(ctx, s, from, to)
	if err != nil {
		return nil, err
	}
	d.told(events, &about, s.c)
	return d, nil
}

// limitsOf is which limits concern a chart: of the stage of the lot, or the purpose of the station.
func limitsOf(about *subject) (hot, cold bool) {
	stage := rules.Purpose("")
	switch {
	case about.lot != nil:
		stage = about.lot.Stage
	case about.station != nil:
		stage = about.station.Purpose
	default:
		return true, true
	}
	switch stage {
	case rules.HotHolding, rules.Reheating, rules.Cooking:
		return true, false
	case rules.ColdHolding:
		return false, true
	}
	return true, true
}

// columns turns the thinned readings into numbers.
func (d *chartData) columns(t *thinned, roles []string, u rules.Units) {
	for i, name := range t.probes {
		d.Probes = append(d.Probes, chartProbe{Name: name, Role: roles[i], Low: make([]*int, 0, len(t.columns)), High: make([]*int, 0, len(t.columns)), Missed: []int{}})
	}
	for n, c := range t.columns {
		d.At = append(d.At, math.Round(float64(c.number)*t.width.Seconds()*10)/10)
		if c.after {
			d.After = append(d.After, n)
		}
		for i := range c.cells {
			x, into := &c.cells[i], &d.Probes[i]
			if !x.read {
				into.Low, into.High = append(into.Low, nil), append(into.High, nil)
				continue
			}
			into.Low, into.High = append(into.Low, tenths(&x.low, u)), append(into.High, tenths(&x.high, u))
			if x.missed {
				into.Missed = append(into.Missed, n)
			}
		}
	}
}

// tenths gives a temperature as tenths of a degree; nil for none.
func tenths(t *sensor.Temp, u rules.Units) *int {
	if t == nil {
		return nil
	}
	v := t.Celsius()
	if u == rules.Fahrenheit {
		v = t.Fahrenheit()
	}
	n := int(math.Round(v * 10))
	return &n
}

// past gives the events of a span: the recorded ones, and those that are not recorded yet.
func (p *Page) past(ctx context.Context, s *scene, from, to time.Time) ([]rules.Event, error) {
	var all []rules.Event
	if p.opt.Past != nil {
		var err error
		if all, err = p.opt.Past(ctx, from, to); err != nil {
			return nil, err
		}
	}
	newest := uint64(0)
	if len(all) > 0 {
		newest = all[len(all)-1].Seq
	}
	for _, d := range s.events {
		if d.ev.Seq > newest && !d.ev.At.Wall.Before(from) && !d.ev.At.Wall.After(to) {
			all = append(all, d.ev)
		}
	}
	return all, nil
}

// told puts doors and marks on a chart.
func (d *chartData) told(events []rules.Event, about *subject, c clock) {
	station := ""
	if about.station != nil {
		station = about.station.Name
	}
	open := map[string]int64{}
	seconds := func(at sensor.Instant) int64 { return max(0, at.Wall.Unix()-d.From) }
	for i := range events {
		ev := &events[i]
		here := station == "" || ev.Station == station
		switch {
		case ev.Kind == rules.AlarmRaised && ev.Alarm == rules.DoorOpen && here:
			since := ev.Since
			if since.IsZero() {
				since = ev.At
			}
			open[ev.Station] = seconds(since)
		case ev.Kind == rules.AlarmCleared && ev.Alarm == rules.DoorOpen && here:
			d.Doors = append(d.Doors, [2]int64{open[ev.Station], seconds(ev.At)})
			delete(open, ev.Station)
		case ev.Kind == rules.MarkTaken && (about.name == "" || about.lot != nil && ev.Lot == about.lot.Lot || about.lot == nil && here):
			d.Marks = append(d.Marks, chartMark{seconds(ev.At), c.short(ev.At), ev.Text})
		}
	}
	for _, since := range open {
		d.Doors = append(d.Doors, [2]int64{since, d.Span})
	}
	// A chart has room for so many marks; the newest are the ones that are looked for.
	d.Marks = d.Marks[max(0, len(d.Marks)-maxChartMarks):]
}

const maxChartMarks = 60
