package page

import (
	"net/http"
	"slices"
	"time"

	"holdbell/rules"
	"holdbell/rules/terms"
)

// How many events the ends of the pages show.
const (
	railEvents = 10
	pageEvents = 30
)

func (p *Page) drawRail(d *drawing, s *scene) {
	d.region("ringing")
	first, more := s.rings()
	for _, a := range first {
		d.part("ring", a.ID, a)
	}
	if more > 0 {
		d.part("more", "ring-more", more)
	}
	open, ended := s.tickets(nil)
	d.tickets(s, open, "no-lot")
	d.region("ended")
	for _, t := range ended {
		d.part("ended", t.ID, t)
	}
	d.region("stations")
	for _, v := range s.stations(nil) {
		d.part("station", v.ID, v)
	}
	if s.st == nil || len(s.st.Stations) == 0 {
		d.nothing(map[bool]string{true: "not-known", false: "no-station"}[s.st == nil])
	}
	d.events(s.latest(railEvents, nil))
}

// tickets draws the region of the lots.
func (d *drawing) tickets(s *scene, all []ticket, none string) {
	d.region("lots")
	for _, t := range all {
		d.part("ticket", t.ID, t)
	}
	switch {
	case s.st == nil:
		d.nothing("nothing-known")
	case len(all) == 0:
		d.nothing(none)
	}
}

func (d *drawing) events(all []event) {
	d.region("events")
	for _, e := range all {
		d.part("event", e.ID, e)
	}
	if len(all) == 0 {
		d.nothing("no-events")
	}
}

// drawStation draws one station, the pieces in it and what happened there.
func (p *Page) drawStation(d *drawing, s *scene, name string) {
	d.f.heading = name
	d.f.gone = s.st != nil && s.station(name) == nil
	d.region("station")
	for _, v := range s.stations(func(x *rules.StationState) bool { return x.Name == name }) {
		v.Href = ""
		d.part("station", v.ID, v)
	}
	d.region("hands")
	if s.marks {
		kinds := []rules.MarkKind{rules.MarkLoad, rules.MarkCheck, rules.MarkRotate, rules.MarkCorrective, rules.MarkOutOfService}
		if x := s.station(name); x != nil && x.OutOfService {
			kinds[4] = rules.MarkInService
		}
		d.hands(kinds, "station", name, href("/station", "name", name))
	}
	open, _ := s.tickets(func(l *rules.LotState) bool { return l.Station == name })
	d.tickets(s, open, "no-pieces")
	d.events(s.latest(pageEvents, func(ev *rules.Event) bool { return ev.Station == name }))
}

// hands draws the large buttons, each of which begins a mark.
func (d *drawing) hands(kinds []rules.MarkKind, about, name, back string) {
	for _, k := range kinds {
		id := "hand-" + string(k)
		d.part("hand", id, hand{id, href("/mark", "mark", string(k), about, name, "back", back), terms.Label(k), terms.Of(k).Means})
	}
}

// drawLot draws one lot: its clocks and proofs laid open, where it has been, and what happened to it.
func (p *Page) drawLot(d *drawing, s *scene, name string) {
	d.f.heading = name
	l := s.lot(name)
	d.f.gone = s.st != nil && l == nil
	d.region("lots")
	if l != nil {
		t := s.ticket(l)
		t.Href = ""
		d.part("ticket", t.ID, t)
	}
	d.region("hands")
	if l != nil && s.marks && !l.Ended {
		d.hands([]rules.MarkKind{rules.MarkCheck, rules.MarkMove, rules.MarkWrap, rules.MarkRotate, rules.MarkServe, rules.MarkCorrective, rules.MarkClose, rules.MarkDiscard},
			"lot", name, href("/lot", "name", name))
	}
	d.region("stays")
	if l != nil {
		for _, x := range slices.Backward(s.stays(l)) {
			d.part("stay", x.ID, x)
		}
	}
	d.region("events")
	for _, e := range s.latest(pageEvents, func(ev *rules.Event) bool { return ev.Lot == name }) {
		d.part("event", e.ID, e)
	}
}

// stays tells where a lot has been, oldest first.
func (s *scene) stays(l *rules.LotState) []stay {
	var all []stay
	for i := range l.Stays {
		x := &l.Stays[i]
		v := stay{ID: s.id("stay", x.Station, x.From.Mono.String()), When: s.c.short(x.From), Stage: terms.Label(x.Stage), Station: x.Station, Length: rules.Words(x.Length)}
		if x.Low != nil && x.High != nil {
			v.Range = s.u.Format(*x.Low) + " to " + s.u.Format(*x.High)
			if x.OnAir {
				v.Range += " in the air around it"
			}
		}
		all = append(all, v)
	}
	return all
}

func (p *Page) drawAlarms(d *drawing, s *scene) {
	d.f.heading = p.label["alarms"]
	d.region("alarms")
	all := s.alarms()
	for _, a := range all {
		d.part("alarm", a.ID, a)
	}
	switch {
	case s.st == nil:
		d.nothing("not-known")
	case len(all) == 0:
		d.nothing("no-alarm")
	}
	d.region("service")
	for _, v := range s.stations(nil) {
		d.part("service", v.ID+"-service", v)
	}
}

func (p *Page) drawBoard(d *drawing, s *scene) {
	d.f.heading = p.label["board"]
	d.region("board")
	for _, f := range p.board(s.st, s.c.now, s.c) {
		id := s.id("fact", f.Name)
		d.part("fact", id, factView{f, id})
	}
	d.region("probes")
	if s.st == nil {
		return
	}
	for i := range s.st.Probes {
		v := probeOf(&s.st.Probes[i], s.u, s.c)
		v.ID = s.id("probe", v.Name)
		d.part("probe", v.ID, v)
	}
}

// still is what a page shows that does not change while it is open.
type still struct {
	Chart   chartView
	Earlier []event
	Compare string // where the lot is laid beside another; empty: nowhere
}

// statics gives the chart of a view, and for a lot what was recorded about it before what the page keeps.
func (p *Page) statics(r *http.Request, l look, f *frame) still {
	v := still{Chart: p.chartOf(r, l)}
	if l.view != "lot" || p.opt.Past == nil {
		return v
	}
	s := p.scene(l, p.opt.Now())
	lot := s.lot(l.name)
	if lot == nil || lot.Begun.IsZero() {
		return v
	}
	if p.opt.Papers != nil {
		v.Compare = href("/compare", "a", l.name+"@"+lot.Begun.Wall.In(p.opt.Zone).Format(dayLayout))
	}
	end := s.c.now.Wall
	first := uint64(1<<64 - 1)
	if len(s.events) > 0 {
		first, end = s.events[0].ev.Seq, s.events[0].ev.At.Wall
	}
	old, err := p.opt.Past(r.Context(), lot.Begun.Wall.Add(-time.Second), end)
	if err != nil {
		p.opt.Log.Warn("the earlier events of a lot cannot be read", "err", err)
		return v
	}
	for i := range slices.Backward(old) {
		if ev := &old[i]; ev.Lot == l.name && ev.Seq < first {
			v.Earlier = append(v.Earlier, s.event(ev))
		}
	}
	return v
}
