package page

import (
	"cmp"
	"fmt"
	"hash/fnv"
	"net/url"
	"slices"
	"strings"
	"time"

	"holdbell/publish"
	"holdbell/rules"
	"holdbell/rules/terms"
	"holdbell/sensor"
)

// scene is the state seen at one moment, by a viewer with a unit and a right to mark, in words.
type scene struct {
	st     *rules.State // nil before the first sweep
	c      clock
	u      rules.Units
	marks  bool
	stale  string        // a sentence; empty while fresh
	unseen time.Duration // how long nobody has looked, while stale
	events []delivered
	label  map[string]string
	ids    map[string]int
}

// formID stands for a form's id in what several viewers share. Each page puts one of its own in its place.
// It is a private character that no name may hold.
const formID = "\ue000"

// look is who looks at what: viewers with the same one see the same.
type look struct {
	view  string
	name  string      // of the station or the lot
	units rules.Units // empty: the kitchen's own
	marks bool
}

// scene takes the state in at now.
func (p *Page) scene(l look, now sensor.Instant) *scene {
	s := &scene{st: p.state.Load(), c: clock{now, p.opt.Zone}, u: l.units, marks: l.marks, events: *p.events.Load(), label: p.label, ids: map[string]int{}}
	if s.st == nil {
		return s
	}
	if s.u == "" {
		s.u = s.st.Units
	}
	age, known := now.Sub(s.st.At)
	switch {
	case !known:
		s.stale = "What stands here is from before the board started, of an age not known."
	case age > p.staleAfter():
		s.stale, s.unseen = "What stands here is "+rules.Words(age)+" old.", age
	}
	return s
}

// id is an element's own id on the page, the same at each look, whatever the thing is called.
func (s *scene) id(kind string, of ...string) string {
	h := fnv.New64a()
	for _, name := range of {
		fmt.Fprintf(h, "%d %s", len(name), name)
	}
	id := fmt.Sprintf("%s-%x", kind, h.Sum64())
	s.ids[id]++
	if n := s.ids[id]; n > 1 {
		id = fmt.Sprintf("%s-%d", id, n)
	}
	return id
}

// href is a path with a query.
func href(path string, query ...string) string {
	q := url.Values{}
	for i := 0; i < len(query); i += 2 {
		if query[i+1] != "" {
			q.Set(query[i], query[i+1])
		}
	}
	if len(q) == 0 {
		return path
	}
	return path + "?" + q.Encode()
}

// tickets gives the lots that want to be seen, in the order in which they need a hand, and the ended ones.
func (s *scene) tickets(keep func(*rules.LotState) bool) (open, ended []ticket) {
	if s.st == nil {
		return nil, nil
	}
	for i := range s.st.Lots {
		l := &s.st.Lots[i]
		if keep != nil && !keep(l) {
			continue
		}
		t := s.ticket(l)
		if publish.WantsHand(l) {
			open = append(open, t)
		} else {
			ended = append(ended, t)
		}
	}
	slices.SortStableFunc(open, func(a, b ticket) int {
		return publish.CompareUrgency(a.Verdict, a.Left.Left, b.Verdict, b.Left.Left)
	})
	return open, ended
}

func (s *scene) ticket(l *rules.LotState) ticket {
	t := ticketOf(l, s.u, s.c, s.unseen)
	t.ID = s.id("lot", l.Lot, fmt.Sprintf("%x", l.Begun.Boot), l.Begun.Mono.String())
	t.Href = href("/lot", "name", l.Lot)
	t.StationHref = href("/station", "name", l.Station)
	t.CheckHref = href("/mark", "mark", string(rules.MarkCheck), "lot", l.Lot, "station", l.Station, "back", "/")
	t.Stale, t.Marks = s.stale != "", s.marks
	if t.Do == "" {
		t.Do = s.label["nothing-to-do"]
	}
	return t
}

// alarms gives those that are not normal: who waits first, of these what still is so, then by priority.
func (s *scene) alarms() []alarm {
	if s.st == nil {
		return nil
	}
	var all []alarm
	for i := range s.st.Alarms {
		x := &s.st.Alarms[i]
		a := alarmOf(x, s.u, s.c)
		a.ID = s.id("alarm", string(x.Alarm), x.Station, x.Lot, x.Probe)
		a.Marks, a.FormID = s.marks, formID
		if x.Station != boardStation {
			a.StationHref = href("/station", "name", x.Station)
		}
		all = append(all, a)
	}
	slices.SortStableFunc(all, func(a, b alarm) int {
		return cmp.Or(cmp.Compare(one(b.Unseen), one(a.Unseen)), cmp.Compare(one(b.Active), one(a.Active)), cmp.Compare(b.Priority.Rank(), a.Priority.Rank()))
	})
	return all
}

func one(is bool) int {
	if is {
		return 1
	}
	return 0
}

// mostRings is how many alarms stand above the tickets, which are what the cook came for; each critical one
// that still is so does, however many there are.
const mostRings = 2

// rings gives the alarms that wait to be acknowledged: those to be read at once, and how many more there are.
func (s *scene) rings() (first []alarm, more int) {
	for _, a := range s.alarms() {
		switch {
		case !a.Unseen:
		case a.Active && (a.Priority == rules.Critical || a.Priority == rules.Warning && len(first) < mostRings):
			first = append(first, a)
		default:
			more++
		}
	}
	return first, more
}

// stations gives each station's card.
func (s *scene) stations(keep func(*rules.StationState) bool) []station {
	if s.st == nil {
		return nil
	}
	var all []station
	for i := range s.st.Stations {
		x := &s.st.Stations[i]
		if keep != nil && !keep(x) {
			continue
		}
		v := stationOf(x, s.u, s.c)
		v.ID, v.Href = s.id("station", x.Name), href("/station", "name", x.Name)
		v.Stale, v.Marks, v.FormID = s.stale != "", s.marks, formID
		all = append(all, v)
	}
	return all
}

// latest gives the newest events that the page keeps, newest first.
func (s *scene) latest(most int, keep func(*rules.Event) bool) []event {
	var all []event
	for _, d := range slices.Backward(s.events) {
		if len(all) == most {
			break
		}
		if keep == nil || keep(&d.ev) {
			all = append(all, s.event(&d.ev))
		}
	}
	return all
}

func (s *scene) event(ev *rules.Event) event {
	return event{ID: fmt.Sprintf("event-%d", ev.Seq), When: s.c.short(ev.At), Text: ev.Text, Kind: terms.Label(ev.Kind), By: ev.By, Unrecorded: ev.Unrecorded}
}

// counts sums the kitchen up, for the first look and for the window's title.
func (s *scene) counts() (all []count, title string) {
	if s.st == nil {
		return nil, "No sweep yet"
	}
	var n [3]int
	lots := 0
	for i := range s.st.Lots {
		if l := &s.st.Lots[i]; publish.WantsHand(l) {
			n[publish.Urgency(l.Verdict)]++
			lots++
		}
	}
	ringing := 0
	for i := range s.st.Alarms {
		if publish.WaitsForHand(&s.st.Alarms[i]) {
			ringing++
		}
	}
	all = []count{{"count-discard", n[2], "discard", "discard", "/#lots"}, {"count-act", n[1], "act", "act", "/#lots"}, {"count-ok", n[0], "ok", "ok", "/#lots"},
		{"count-bell", ringing, "unacknowledged", "bell", "/alarms"}}
	var parts []string
	for i, c := range all {
		if c.N > 0 && i != 2 {
			parts = append(parts, fmt.Sprintf("%d %s", c.N, c.Word))
		}
	}
	switch {
	case s.stale != "":
		return all, "Stale"
	case len(parts) > 0:
		return all, strings.Join(parts, ", ")
	case lots == 0:
		return all, "No lots"
	}
	return all, "All lots ok"
}

// lot gives the lot with a name: the open one, else the one that ended last.
func (s *scene) lot(name string) *rules.LotState {
	if s.st == nil {
		return nil
	}
	var found *rules.LotState
	for i := range s.st.Lots {
		l := &s.st.Lots[i]
		if l.Lot == name && (found == nil || !l.Ended && found.Ended || l.Ended == found.Ended) {
			found = l
		}
	}
	return found
}

// station gives the station with a name.
func (s *scene) station(name string) *rules.StationState {
	if s.st == nil {
		return nil
	}
	for i := range s.st.Stations {
		if s.st.Stations[i].Name == name {
			return &s.st.Stations[i]
		}
	}
	return nil
}
