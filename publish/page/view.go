package page

import (
	"cmp"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// railView is all that the main page says, in words.
type railView struct {
	Style      string
	Site       string
	Title      string
	Refresh    int // seconds; 0: the page stays as it is
	RefreshURL string
	Started    bool
	Stale      string // a sentence; empty while fresh
	Doubt      bool   // the wall clock is not believed
	Now        string
	Age        string
	Counts     []count
	Answer     string
	Marks      bool
	NoMarks    string // why the buttons are off, and what mends it; empty while they are on
	SignIn     bool   // a token typed at /sign-in turns them on
	FormID     string // of the forms on this page; what a form says is hashed into the mark's id
	Tickets    []ticket
	Ended      []ticket
	Stations   []station
	Alarms     []alarm
	Probes     []probe
	Events     []event
	Board      []BoardFact
}

// count is one line of the summary: how many lots have a verdict, or how many alarms ring.
type count struct {
	N     int
	Word  string
	Shape string
	Href  string
}

type station struct {
	ID, Name, Purpose, Setpoint, Band, InBand string
	Air                                       *temp
	Armed, OutOfService                       bool
	Probes                                    string
	Facts                                     []fact
}

type alarm struct {
	ID, Name, Station, Lot, Probe string
	Priority                      rules.Priority
	Status                        string
	Unseen                        bool // waits to be acknowledged
	Since                         string
	Facts                         []fact
	Text                          string
	AckNote                       string
}

type probe struct {
	Name, Where, Reading, Fault, LastValid string
}

type event struct {
	Seq              uint64
	When, Text, Kind string
	By               string
	Unrecorded       bool
}

// serveRail answers the main page.
func (p *Page) serveRail(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	v := p.rail(p.state.Load(), p.opt.Now())
	who := p.visitor(r)
	v.Marks, v.NoMarks, v.SignIn = who.MayMark, who.Why, who.SignIn
	v.FormID = p.newID()
	v.Answer = p.answerFor(q.Get("answer"))
	if q.Get("refresh") == "off" {
		v.Refresh = 0
	} else if v.Answer != "" {
		v.Refresh = max(v.Refresh, answerSeconds)
	}
	p.render(w, http.StatusOK, p.railPage, v)
}

// answerSeconds is how long an answer stays before the page goes on: time to read two sentences.
const answerSeconds = 20

// rail builds the main page's view of st at now.
func (p *Page) rail(st *rules.State, now sensor.Instant) railView {
	v := railView{Style: p.style.url, Site: "holdbell", Refresh: max(1, int(p.opt.Refresh/time.Second)), RefreshURL: "/", Doubt: !now.Believed}
	c := clock{now, p.opt.Zone}
	v.Now = c.at(now)
	if st == nil {
		v.Title = "No sweep yet"
		v.Board = p.board(nil, now, c)
		return v
	}
	v.Started, v.Site, v.Age = true, st.Site, c.ago(st.At)
	age, known := now.Sub(st.At)
	switch {
	case !known:
		v.Stale = "What stands here is from before the board started, of an age not known."
		age = 0
	case age > p.staleAfter():
		v.Stale = "What stands here is " + words(age) + " old."
	default:
		age = 0
	}
	for i := range st.Lots {
		l := &st.Lots[i]
		t := ticketOf(l, st.Units, c, age)
		// A station's own lot that a power cut ended still waits for a hand.
		if !l.Ended || l.Standing && l.Verdict == rules.Act {
			v.Tickets = append(v.Tickets, t)
		} else {
			v.Ended = append(v.Ended, t)
		}
	}
	slices.SortStableFunc(v.Tickets, func(a, b ticket) int {
		return cmp.Or(cmp.Compare(urgency(b.Verdict), urgency(a.Verdict)), cmp.Compare(a.Left.sort, b.Left.sort))
	})
	for i := range st.Stations {
		v.Stations = append(v.Stations, stationOf(&st.Stations[i], st.Units, c))
	}
	for i := range st.Alarms {
		v.Alarms = append(v.Alarms, alarmOf(&st.Alarms[i], st.Units, c))
	}
	slices.SortStableFunc(v.Alarms, func(a, b alarm) int {
		return cmp.Or(cmp.Compare(unseen(b), unseen(a)), cmp.Compare(b.Priority.Rank(), a.Priority.Rank()))
	})
	for i := range st.Probes {
		v.Probes = append(v.Probes, probeOf(&st.Probes[i], st.Units, c))
	}
	kept := *p.events.Load()
	for _, d := range slices.Backward(kept) {
		v.Events = append(v.Events, event{Seq: d.ev.Seq, When: c.short(d.ev.At), Text: d.ev.Text, Kind: plain(d.ev.Kind), By: d.ev.By, Unrecorded: d.ev.Unrecorded})
	}
	v.Board = p.board(st, now, c)
	v.number()
	v.count()
	return v
}

// number gives every ticket, station and alarm an id of its own on the page, whatever it is called.
func (v *railView) number() {
	for i := range v.Tickets {
		v.Tickets[i].ID = fmt.Sprintf("lot-%d", i+1)
	}
	for i := range v.Stations {
		v.Stations[i].ID = fmt.Sprintf("station-%d", i+1)
	}
	for i := range v.Alarms {
		v.Alarms[i].ID = fmt.Sprintf("alarm-%d", i+1)
	}
}

// count sums the page up, for the first look and for the window's title.
func (v *railView) count() {
	var n [3]int
	for _, t := range v.Tickets {
		n[urgency(t.Verdict)]++
	}
	ringing := 0
	for _, a := range v.Alarms {
		ringing += unseen(a)
	}
	v.Counts = []count{{n[2], "discard", "discard", "#lots"}, {n[1], "act", "act", "#lots"}, {n[0], "ok", "ok", "#lots"},
		{ringing, "unacknowledged", "bell", "#alarms"}}
	var parts []string
	for i, c := range v.Counts {
		if c.N > 0 && i != 2 {
			parts = append(parts, fmt.Sprintf("%d %s", c.N, c.Word))
		}
	}
	v.Title = "All lots ok"
	switch {
	case v.Stale != "":
		v.Title = "Stale"
	case len(parts) > 0:
		v.Title = strings.Join(parts, ", ")
	case len(v.Tickets) == 0:
		v.Title = "No lots"
	}
}

func urgency(v rules.Verdict) int {
	switch v {
	case rules.Discard:
		return 2
	case rules.Act:
		return 1
	}
	return 0
}

func unseen(a alarm) int {
	if a.Unseen {
		return 1
	}
	return 0
}

func stationOf(s *rules.StationState, u rules.Units, c clock) station {
	v := station{Name: s.Name, Purpose: plain(s.Purpose), Armed: s.Armed, OutOfService: s.OutOfService, Air: tempOf(s.AirTemp, u),
		Probes: strings.Join(s.Food, ", "), Facts: keepingOf(s, u, c)}
	if s.Setpoint != nil {
		v.Setpoint = u.Format(*s.Setpoint)
	}
	if s.Band == nil {
		return v
	}
	v.Band = u.Format(s.Band.Low) + " to " + u.Format(s.Band.High)
	switch {
	case s.AirTemp == nil:
		v.InBand = "not known"
	case *s.AirTemp < s.Band.Low:
		v.InBand = "under it"
	case *s.AirTemp > s.Band.High:
		v.InBand = "over it"
	default:
		v.InBand = "inside it"
	}
	return v
}

func alarmOf(a *rules.AlarmState, u rules.Units, c clock) alarm {
	v := alarm{Name: plain(a.Alarm), Station: a.Station, Lot: a.Lot, Probe: a.Probe, Priority: a.Priority,
		Status: statusWords(a.Status), Unseen: a.Status == rules.Unacknowledged || a.Status == rules.Returned,
		Since: c.both(a.Since), Text: a.Text, AckNote: "alarm=" + string(a.Alarm)}
	if a.Probe != "" {
		v.AckNote += " probe=" + a.Probe
	}
	add := func(name, value string) { v.Facts = append(v.Facts, fact{name, value}) }
	if a.ValueUnknown {
		add("Value", "unknown: no valid reading says how it stands")
	}
	if a.Worst != nil {
		add("Worst", u.Format(*a.Worst))
	}
	if !a.Acknowledged.IsZero() {
		by := ""
		if a.AckBy != "" {
			by = " by " + a.AckBy
		}
		add("Acknowledged", c.both(a.Acknowledged)+by)
	}
	if !a.Cleared.IsZero() {
		add("Condition ended", c.both(a.Cleared))
	}
	if a.Status == rules.Shelved {
		add("Sounds again", c.ahead(a.Until))
	}
	return v
}

func probeOf(p *rules.ProbeState, u rules.Units, c clock) probe {
	v := probe{Name: p.Name, Where: "no station", LastValid: c.ago(p.LastValid)}
	if p.Station != "" {
		v.Where = p.Role + " of " + p.Station
	}
	if p.Reading.Valid() {
		v.Reading = u.Format(p.Reading.Temp)
		if p.Raw.Valid() && p.Corrected == p.Reading && p.Raw != p.Corrected {
			v.Reading += ", corrected from " + u.Format(p.Raw.Temp)
		}
	} else {
		v.Reading, v.Fault = p.Reading.Fault.String(), cmp.Or(p.Rejected, faultWords(p.Reading.Fault))
	}
	return v
}

// boardStation is the station name of the daemon's own alarms.
const boardStation = "board"

// board says how the board itself is.
func (p *Page) board(st *rules.State, now sensor.Instant, c clock) []BoardFact {
	clockFact := BoardFact{"Clock", "not set yet: ages are shown in place of clock times", true}
	if now.Believed {
		clockFact = BoardFact{"Clock", "believed", false}
	}
	facts := []BoardFact{clockFact}
	if st == nil {
		facts = append(facts, BoardFact{"Last sweep", "none yet", true})
	} else {
		age, known := now.Sub(st.At)
		facts = append(facts, BoardFact{"Last sweep", c.ago(st.At), !known || age > p.staleAfter()})
		valid := 0
		for i := range st.Probes {
			if st.Probes[i].Reading.Valid() {
				valid++
			}
		}
		facts = append(facts, BoardFact{"Probes that read", fmt.Sprintf("%d of %d", valid, len(st.Probes)), valid < len(st.Probes)})
		record := BoardFact{"Record", "no trouble", false}
		for i := range st.Alarms {
			a := &st.Alarms[i]
			if a.Station != boardStation || !a.Active {
				continue
			}
			if a.Alarm == rules.RecordTrouble {
				record = BoardFact{"Record", a.Text, true}
				continue
			}
			facts = append(facts, BoardFact{plain(a.Alarm), a.Text, true})
		}
		facts = append(facts, record)
	}
	if p.opt.Board != nil {
		facts = append(facts, p.opt.Board()...)
	}
	return facts
}
