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
}

type ticket struct {
	ID       string
	Lot      string
	Station  string
	Standing bool
	Ended    bool
	Food     string
	Stage    string
	Verdict  rules.Verdict
	Word     string
	Temp     string
	Probe    string
	Do       string
	Why      string
	Basis    string
	Left     left
	Facts    []fact
}

type fact struct{ Name, Value string }

// left is the time that a lot has left, of how much. Sort orders the tickets.
type left struct {
	Words   string
	Of      string
	Bar     bool
	Percent int
	sort    time.Duration
}

type station struct {
	ID, Name, Purpose, Air, Setpoint, Band, InBand string
	Armed, OutOfService                            bool
	Probes                                         string
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
	v.Marks = p.opt.Mark != nil && p.opt.MarksAllowed(r)
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
		v.Stations = append(v.Stations, stationOf(&st.Stations[i], st.Units))
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
	v.Counts = []count{{n[2], "discard", "discard"}, {n[1], "act", "act"}, {n[0], "ok", "ok"}, {ringing, "unacknowledged", "bell"}}
	var parts []string
	for i, c := range v.Counts {
		if c.N > 0 && i != 2 {
			parts = append(parts, fmt.Sprintf("%d %s", c.N, c.Word))
		}
	}
	v.Title = "All ok"
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

// ticketOf is one lot; unseen is how long nobody has looked, while the state is stale.
func ticketOf(l *rules.LotState, u rules.Units, c clock, unseen time.Duration) ticket {
	t := ticket{Lot: l.Lot, Station: l.Station, Standing: l.Standing, Ended: l.Ended, Food: l.Food, Stage: plain(l.Stage),
		Verdict: l.Verdict, Word: plain(l.Verdict), Probe: l.Probe, Do: l.Action, Basis: l.Basis, Left: leftOf(l, c, unseen)}
	if l.Temp != nil {
		t.Temp = u.Format(*l.Temp)
	}
	if t.Do == "" {
		t.Do = "Nothing to do now."
	}
	// The verdict's sentence holds the action, which stands above it already.
	t.Why = l.Text
	if l.Action != "" {
		t.Why = strings.Replace(l.Text, " "+l.Action, "", 1)
	}
	add := func(name, value string) { t.Facts = append(t.Facts, fact{name, value}) }
	if !l.UnknownSince.IsZero() {
		add("Unknown since", c.both(l.UnknownSince))
	}
	if l.UnknownLength {
		add("Power cut", "of unknown length")
	}
	if l.Begun.IsZero() {
		add("Begun", "at a time not known")
	} else {
		add("Begun", c.both(l.Begun))
	}
	if l.DangerZone > 0 {
		add("In the danger zone", words(l.DangerZone))
	}
	if l.Charged != l.DangerZone {
		add("Of that counted", words(l.Charged))
	}
	if l.BelowHotLimit > 0 {
		add("Below its hot limit", words(l.BelowHotLimit))
	}
	if l.ComeUp > 0 {
		add("Coming up", words(l.ComeUp))
	}
	if l.Unknown > 0 {
		add("Not watched", words(l.Unknown))
	}
	if l.Cooling != nil {
		add("Cooling", string(l.Cooling.Result))
	}
	if l.Reheating != nil {
		add("Reheating", string(l.Reheating.Result))
	}
	if l.LastCheck.IsZero() {
		add("Hand check", "none since it was loaded")
	} else {
		add("Hand check", c.both(l.LastCheck))
	}
	if len(l.Probes) > 1 {
		add("Probes", strings.Join(l.Probes, ", "))
	}
	return t
}

// leftOf is the time that a lot has left: to its deadline, else until its charged time reaches the limit.
// While nobody looks (unseen), the worst is assumed.
func leftOf(l *rules.LotState, c clock, unseen time.Duration) left {
	const most = time.Duration(1<<63 - 1)
	switch {
	case l.Verdict == rules.Discard:
		return left{Words: "No time left", Bar: true}
	case l.UnknownLength || l.Ended && l.Verdict == rules.Act:
		return left{Words: "Time left is not known"}
	case l.Ended:
		return left{Words: "Ended", sort: most}
	case !l.Deadline.IsZero():
		d, _ := l.Deadline.Sub(c.now)
		whole, of := spanOf(l)
		until := ""
		if at := c.at(l.Deadline); at != "" {
			until = ", until " + at
		}
		return leftWords(d, max(whole, d), of+until)
	case l.DangerLimit > 0:
		return leftWords(l.DangerLimit-l.Charged-unseen, l.DangerLimit, "of "+words(l.DangerLimit)+" in the danger zone")
	}
	return left{Words: "No limit counts down", sort: most}
}

// spanOf is the whole time that a lot's deadline was given, and what it is for.
func spanOf(l *rules.LotState) (time.Duration, string) {
	switch {
	case !l.TimeControlEnds.IsZero():
		return l.DangerLimit, "of its time control"
	case l.Stage == rules.Cooling && l.Cooling != nil && l.Cooling.Result == rules.Running:
		d, _ := l.Deadline.Sub(l.Cooling.Started)
		return d, "to cool it"
	case l.Reheating != nil && l.Reheating.Result == rules.Running:
		d, _ := l.Deadline.Sub(l.Reheating.Started)
		return d, "to reheat it"
	}
	return l.DangerLimit, "of " + words(l.DangerLimit) + " in the danger zone"
}

func leftWords(d, whole time.Duration, of string) left {
	d = max(0, d)
	v := left{Words: words(d) + " left", Of: of, Bar: whole > 0, sort: d}
	if d == 0 {
		v.Words = "No time left"
	}
	if whole > 0 {
		v.Percent = int(100 * d / whole)
	}
	return v
}

func stationOf(s *rules.StationState, u rules.Units) station {
	v := station{Name: s.Name, Purpose: plain(s.Purpose), Armed: s.Armed, OutOfService: s.OutOfService, Probes: strings.Join(s.Food, ", ")}
	if s.AirTemp != nil {
		v.Air = u.Format(*s.AirTemp)
	}
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
		d, known := a.Until.Sub(c.now)
		end := "at a time not known"
		if known {
			end = "in " + words(max(0, d))
		}
		if at := c.at(a.Until); at != "" {
			end = at + ", " + end
		}
		add("Sounds again", end)
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
	} else {
		v.Reading, v.Fault = p.Reading.Fault.String(), faultWords(p.Reading.Fault)
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
