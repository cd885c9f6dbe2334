package records

import (
	"fmt"
	"io"
	"strings"
	"time"

	"holdbell/rules"
	"holdbell/rules/terms"
	"holdbell/sensor"
)

// Timeline tells a day so that a cook and an inspector both follow it: what people did and what was said to
// it is one line, an alarm is one line from its raising to its end, and what rings on adds nothing.
type Timeline struct {
	book   *Book
	sweeps [][]rules.Event // of each sweep that decided something
}

// NewTimeline gives an empty one.
func NewTimeline() *Timeline { return &Timeline{book: NewBook()} }

// Add takes what one sweep took in and decided.
func (t *Timeline) Add(told []rules.Mark, events []rules.Event) {
	for i := range told {
		t.book.Tell(told[i])
	}
	for i := range events {
		t.book.Add(&events[i])
	}
	if len(events) > 0 {
		t.sweeps = append(t.sweeps, append([]rules.Event(nil), events...))
	}
}

// PageWidth is a page's across, in characters: what a timeline is broken to.
const PageWidth = 110

// Write writes the timeline and where each lot stood in the end. Times are in the zone; relative ones are
// from the start.
func (t *Timeline) Write(w io.Writer, st *rules.State, zone *time.Location, relative bool) error {
	p := newPage(w, zone, st.At.Wall, st.At.Wall)
	p.width = PageWidth
	s := story{page: p, book: t.book, units: st.Units, relative: relative, stages: map[string]rules.Purpose{}, unchecked: map[string]bool{}, advised: map[alarmKey]bool{}}
	for i := range st.Stations {
		s.stages[st.Stations[i].Name] = st.Stations[i].Purpose
	}
	for _, events := range t.sweeps {
		s.sweep(events)
	}
	for i := range st.Lots {
		if i == 0 {
			p.blank()
			p.line(0, "", "IN THE END (stays with their lowest and highest in whole degrees, clocks, and the rule)")
		}
		s.total(&st.Lots[i])
	}
	return p.flush()
}

// story is a timeline while it is written.
type story struct {
	*page
	book      *Book
	units     rules.Units
	relative  bool
	stages    map[string]rules.Purpose // by station
	day       string                   // of the line before
	advised   map[alarmKey]bool        // advice that is told already
	unchecked map[string]bool          // lots of which that was said
	events    []rules.Event
	said      []bool // of this sweep's events: another's line tells it
}

// sweep writes what one sweep decided.
func (s *story) sweep(events []rules.Event) {
	s.events, s.said = events, make([]bool, len(events))
	// What a mark did is told in its own line, so marks come first.
	for i := range events {
		if k := events[i].Kind; k == rules.MarkTaken || k == rules.MarkRefused {
			s.mark(i)
		}
	}
	for i := range events {
		if !s.said[i] {
			s.event(i)
		}
	}
}

// entry writes a line: when, what kind, and the text.
func (s *story) entry(at sensor.Instant, kind, text string) {
	when := s.clock(at)
	if !s.relative {
		if day := at.Wall.In(s.zone).Format("Monday 2006-01-02, local time MST (-07:00)"); day != s.day {
			if s.day != "" {
				s.blank()
			}
			s.day = day
			s.write(day)
		}
	}
	s.line(0, fmt.Sprintf("%s  %-10s  ", when, kind), text)
}

// clock is a moment without its day. By the wall it is told to the minute, as people do; --json and the record
// have the seconds.
func (s *story) clock(at sensor.Instant) string {
	if s.relative {
		sec := int64(at.Mono.Round(time.Second) / time.Second)
		return fmt.Sprintf("%02d:%02d:%02d", sec/3600, sec/60%60, sec%60)
	}
	return at.Wall.In(s.zone).Format("15:04")
}

// take marks the events of this sweep that fit as told, and gives the last of them.
func (s *story) take(fits func(ev *rules.Event) bool) *rules.Event {
	var found *rules.Event
	for i := range s.events {
		if ev := &s.events[i]; !s.said[i] && fits(ev) {
			s.said[i], found = true, ev
		}
	}
	return found
}

// mark writes what a person did.
func (s *story) mark(i int) {
	ev := &s.events[i]
	s.said[i] = true
	m := s.book.told[ev.Seq]
	of := func(kinds ...rules.EventKind) func(x *rules.Event) bool {
		return func(x *rules.Event) bool {
			for _, k := range kinds {
				if x.Kind == k && (x.Lot == m.Lot && m.Lot != "" || x.Lot == "" && x.Station == m.Station) {
					return true
				}
			}
			return false
		}
	}
	who := "; " + m.Signed()
	if note := m.FreeText(); note != "" {
		who += ": “" + note + "”"
	}
	if m.Refused {
		s.entry(m.At, string(m.Kind), "refused: "+strings.TrimSuffix(ev.Text, ".")+who)
		return
	}
	text := strings.TrimSuffix(ev.Text, ".")
	switch m.Kind {
	case rules.MarkAcknowledge:
		if s.acknowledged(ev.At) {
			return // the alarm's own line tells it
		}
	case rules.MarkLoad, rules.MarkSplit, rules.MarkMove:
		s.take(of(rules.LotBegun, rules.LotMoved, rules.StationArmed))
		s.takeStations()
		text = s.came(m, ev.At)
	case rules.MarkClose, rules.MarkDiscard:
		s.take(of(rules.StationDisarmed))
		s.takeStations()
		if end := s.take(of(rules.LotEnded)); end != nil {
			text = strings.TrimSuffix(end.Text, ".")
		}
	case rules.MarkInService, rules.MarkOutOfService:
		s.take(of(rules.StationService))
		s.takeStations()
		text = m.Station
	case rules.MarkHandover:
		who = "; " + m.Signed() // the answer has the note
	case rules.MarkWrap, rules.MarkRotate, rules.MarkServe, rules.MarkNote, rules.MarkCorrective:
		if text = names(m.lives); text == "" {
			text = m.Station
		}
	}
	s.entry(m.At, string(m.Kind), text+who)
}

// takeStations leaves out that stations are armed and disarmed where a mark says why.
func (s *story) takeStations() {
	s.take(func(x *rules.Event) bool { return x.Kind == rules.StationArmed || x.Kind == rules.StationDisarmed })
}

// acknowledged reports whether some alarm was, by a mark of this sweep.
func (s *story) acknowledged(at sensor.Instant) bool {
	for _, a := range s.book.Alarms {
		if a.Acknowledged == at {
			return true
		}
	}
	return false
}

// came says from where a lot came into which stage.
func (s *story) came(m *Mark, at sensor.Instant) string {
	for _, l := range m.lives {
		n := len(l.Moves) - 1
		for n > 0 && l.Moves[n].At.Wall.After(at.Wall) {
			n--
		}
		if l.Lot != m.Lot || n < 0 {
			continue
		}
		to := l.Moves[n].Station
		where := "into " + to
		switch {
		case m.Kind == rules.MarkMove && n > 0:
			where = l.Moves[n-1].Station + " → " + to
		case m.From != "":
			where = "cut from " + m.From + ", into " + to
		}
		name := l.Lot
		if m.Food != "" {
			name += " (" + m.Food + ")"
		}
		if stage := s.stages[to]; stage != "" {
			where += ": " + string(stage)
		}
		if m.Probe != "" {
			where += ", by " + m.Probe
		}
		return name + " " + where
	}
	return m.Answer
}

func names(lives []*Life) string {
	var n []string
	for _, l := range lives {
		n = append(n, l.Lot)
	}
	return strings.Join(n, ", ")
}

// event writes what no mark explains.
func (s *story) event(i int) {
	ev := &s.events[i]
	s.said[i] = true
	switch ev.Kind {
	case rules.VerdictChanged:
		s.verdict(ev)
	case rules.AlarmRaised:
		if a := s.raised(ev); a != nil && !s.small(a) {
			s.entry(ev.At, "BELL", terms.Lower(ev.Priority)+", "+terms.Lower(ev.Alarm)+": "+ev.Text+s.after(a))
		}
	case rules.StageProposed:
		s.entry(ev.At, "proposed", ev.Text)
	case rules.CookProven:
		s.entry(ev.At, "PROVEN", ev.Text+s.since(ev))
	case rules.ReheatProven:
		// The verdict of the same sweep, if it changes, says no more.
		s.entry(ev.At, "PROVEN", ev.Text+s.since(ev))
		s.take(func(x *rules.Event) bool {
			return x.Kind == rules.VerdictChanged && x.Lot == ev.Lot && x.Verdict == rules.OK
		})
	case rules.AlarmRepeated, rules.AlarmAcknowledged, rules.AlarmCleared, rules.AlarmShelved, rules.AlarmUnshelved:
	case rules.Restarted:
		s.entry(ev.At, "GAP", ev.Text+s.since(ev))
	case rules.StationArmed, rules.StationDisarmed:
		// A station's own lot that begins says the same.
		if s.take(func(x *rules.Event) bool { return x.Kind == rules.LotBegun && x.Station == ev.Station }) == nil {
			s.entry(ev.At, "watch", ev.Text)
		} else {
			s.entry(ev.At, "watch", ev.Station+" is armed: it is at its limit, and is watched from now on.")
		}
	case rules.LotBegun, rules.LotMoved, rules.LotEnded:
		s.entry(ev.At, "watch", ev.Text)
	default:
		s.entry(ev.At, string(ev.Kind), ev.Text)
	}
}

// small writes an advice, which asks for no acknowledgement, once: with the times at which the same came again.
// It reports false for what is more than that.
func (s *story) small(a *Alarm) bool {
	ev := &a.Raised
	if ev.Priority != rules.Advice {
		return false
	}
	k := keyOf(ev)
	if s.advised[k] {
		return true
	}
	s.advised[k] = true
	text, later := "advice "+string(ev.Alarm)+": "+ev.Text, []string(nil)
	for _, x := range s.book.Alarms {
		r := &x.Raised
		if keyOf(r) == k && r.Seq > ev.Seq && r.Priority == rules.Advice {
			later = append(later, s.clock(r.At))
		}
	}
	if len(later) > 0 {
		text += " Again " + strings.Join(later, ", ") + "."
	}
	s.entry(ev.At, "bell", text)
	return true
}

// verdict writes a verdict with its citation; an alarm that rings with it for the same reason is told in the
// same line.
func (s *story) verdict(ev *rules.Event) {
	text := s.once(ev) + s.since(ev)
	if ev.Basis != "" && ev.Verdict != rules.OK {
		text += " [" + ev.Basis + "]"
	}
	rings := s.take(func(x *rules.Event) bool {
		return x.Kind == rules.AlarmRaised && x.Lot == ev.Lot && x.Lot != "" && x.Text == ev.Text
	})
	if rings != nil {
		if a := s.raised(rings); a != nil {
			text += " Bell: " + terms.Lower(rings.Priority) + ", " + terms.Lower(rings.Alarm) + s.after(a)
		}
	}
	s.entry(ev.At, strings.ToUpper(string(ev.Verdict)), text)
}

// unchecked ends a verdict's text where nobody made a hand check; it is said once a lot.
const unchecked = " No hand check was made since it was loaded."

func (s *story) once(ev *rules.Event) string {
	text, found := strings.CutSuffix(ev.Text, unchecked)
	if !found || s.unchecked[ev.Lot] {
		return text
	}
	s.unchecked[ev.Lot] = true
	return ev.Text
}

// since is the moment from which an event holds, where that was earlier than its sweep.
func (s *story) since(ev *rules.Event) string {
	if d, known := ev.At.Sub(ev.Since); known && d >= time.Second && !ev.Since.IsZero() && s.clock(ev.At) != s.clock(ev.Since) {
		return " (since " + s.clock(ev.Since) + ")"
	}
	return ""
}

func (s *story) raised(ev *rules.Event) *Alarm {
	for _, a := range s.book.Alarms {
		if a.Raised.Seq == ev.Seq {
			return a
		}
	}
	return nil
}

// again says how often an alarm rang after the first time.
func again(n int) string {
	if n == 1 {
		return "rang once more"
	}
	return fmt.Sprintf("rang %d times more", n)
}

// after is what became of an alarm.
func (s *story) after(a *Alarm) string {
	var then []string
	if lead, ok := s.lead(a); ok {
		then = append(then, "rang "+rules.Words(lead)+" ahead of it")
	}
	if a.Rang > 0 {
		then = append(then, again(a.Rang))
	}
	if !a.Acknowledged.IsZero() {
		who := a.By
		if who == "" {
			who = "somebody who did not sign"
		}
		said := "acknowledged " + s.clock(a.Acknowledged) + " by " + who
		if a.Note != "" {
			said += " “" + a.Note + "”"
		}
		then = append(then, said)
	} else {
		then = append(then, "nobody acknowledged")
	}
	if a.Cleared.IsZero() {
		then = append(then, "it stands")
	} else {
		then = append(then, "over "+s.clock(a.Cleared))
	}
	return " → " + strings.Join(then, "; ") + "."
}

// lead is how long before the limit itself a warning of the same lot rang, if the limit came while it stood.
func (s *story) lead(a *Alarm) (time.Duration, bool) {
	if a.Raised.Lot == "" || a.Raised.Priority == rules.Critical {
		return 0, false
	}
	for _, x := range s.book.Alarms {
		d, known := x.Raised.Since.Sub(a.Raised.At)
		if x.Raised.Lot != a.Raised.Lot || x.Raised.Priority != rules.Critical || !known || d <= 0 {
			continue
		}
		if over, known := a.Cleared.Sub(x.Raised.Since); a.Cleared.IsZero() || known && over >= 0 {
			return d, true
		}
	}
	return 0, false
}

// total writes where a lot stood in the end, with its running totals and the rule that they rest on.
func (s *story) total(l *rules.LotState) {
	name := l.Lot
	if l.Food != "" {
		name += " (" + l.Food + ")"
	}
	says := l.Text
	if l.Ended {
		says = "ended " + s.clock(l.EndedAt) + "."
	}
	danger := "danger zone " + rules.Words(l.DangerZone)
	if l.Charged != l.DangerZone {
		danger += ", counted " + rules.Words(l.Charged)
	}
	clocks := []string{danger + " of " + rules.Words(l.DangerLimit)}
	if l.ComeUp > 0 {
		clocks = append(clocks, "come-up "+rules.Words(l.ComeUp))
	}
	if l.Unknown > 0 {
		clocks = append(clocks, "unknown "+rules.Words(l.Unknown))
	}
	if c := l.Cooling; c != nil {
		clocks = append(clocks, fmt.Sprintf("cooling %s (%s, in all %s)", c.Result, reached(c.Stage1), reached(c.Stage2)))
	}
	if h := l.Reheating; h != nil {
		clocks = append(clocks, fmt.Sprintf("reheating %s (%s)", h.Result, reached(h.Reached)))
	}
	if c := l.Cook; c != nil && l.CookSeen {
		cook := "cook not proven"
		if !c.At.Wall.IsZero() {
			cook = "cook proven " + s.clock(c.At)
		}
		clocks = append(clocks, fmt.Sprintf("%s, C100 %.0f min", cook, l.CookValue))
	}
	s.line(0, fmt.Sprintf("%-8s  ", strings.ToUpper(string(l.Verdict))), name+": "+says+" "+s.ways(l)+" "+strings.Join(clocks, "; ")+". ["+l.Basis+"]")
}

// ways is where a lot has been: how long, and its lowest and highest there in whole degrees. A piece that was
// cut from another begins with the cut; what was before is told of the other.
func (s *story) ways(l *rules.LotState) string {
	var parts []string
	var cut time.Time
	if life := s.book.latest[l.Lot]; life != nil {
		for _, m := range life.Marks {
			if m.Kind == rules.MarkSplit && m.Lot == l.Lot && !m.Refused {
				cut = m.At.Wall
				parts = append(parts, "cut from "+m.From+" "+s.clock(m.At))
			}
		}
	}
	for i := range l.Stays {
		x := &l.Stays[i]
		if !cut.IsZero() && x.From.Wall.Before(cut) && !x.To.IsZero() {
			continue
		}
		part := x.Station + " " + rules.Words(x.Length)
		if x.Low != nil {
			part += " (" + whole(*x.Low, s.units) + " to " + whole(*x.High, s.units)
			if x.OnAir {
				part += ", air"
			}
			part += ")"
		}
		parts = append(parts, part)
	}
	return strings.Join(parts, " → ") + "."
}

// whole writes a temperature in whole degrees, without its unit.
func whole(t sensor.Temp, u rules.Units) string {
	if u == rules.Fahrenheit {
		return fmt.Sprintf("%.0f", t.Fahrenheit())
	}
	return fmt.Sprintf("%.0f", t.Celsius())
}
