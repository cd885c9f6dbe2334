package records

import (
	"context"
	"fmt"
	"io"
	"time"

	"holdbell/publish/ledger"
	"holdbell/rules"
	"holdbell/sensor"
)

// Summary is a span of days at a glance: a line a day, and what somebody has to answer for. It rests on what was
// said and done then; nothing is worked out anew.
type Summary struct {
	r           *Record
	first, last time.Time // what the whole ledger holds
	days        []day
	items       []item // in order of time
}

// day is a local day, or the part of one that lies in the span.
type day struct {
	from, to time.Time // to is not in it
	recorded bool      // a sweep or an event of it is in the record

	begun, ok, act, discard        int // lots, the ended ones by their verdict
	checks, corrective, calibrated int // marks
	critical, warning, unanswered  int // alarms
	slowest                        time.Duration
	unread                         time.Duration // without a sweep for longer than the allowance
	lost                           bool          // some of that is of unknown length
}

// weekDays is how many days a summary is of unless told.
const weekDays = 7

// answersWithin is how long after the span an answer to an alarm of it is looked for: one that rang before midnight
// may be acknowledged after it.
const answersWithin = weekDays * 24 * time.Hour

// Summarize makes the summary of the days from o.From to o.To, whether they are recorded or not. Without both it is of
// the last seven whole days in the zone; without one it is of seven days up to the other, or up to the record's
// end. The errors are the ledger's, or say what is wrong with the span.
func Summarize(ctx context.Context, l *ledger.Ledger, o Options, zone *time.Location) (*Summary, error) {
	first, last, err := l.Span(ctx)
	if err != nil {
		return nil, err
	}
	if first.IsZero() {
		return nil, errNoReadings()
	}
	o.From, o.To = lastDays(o.From, o.To, last, o.Setup, zone)
	if o.To.Before(o.From) {
		return nil, fmt.Errorf("the span ends before it begins: from %s to %s", o.From.Format(time.RFC3339), o.To.Format(time.RFC3339))
	}
	if o.To.Sub(o.From) > longest {
		return nil, fmt.Errorf("a summary is of at most %d days; write --from nearer to --to", longest/(24*time.Hour))
	}
	o.said, o.Lots, o.Trace = true, nil, false
	r := &Record{Ledger: l.ID(), Head: l.Head(), Units: rules.Celsius, book: NewBook()}
	r.name(o.Setup)
	r.From, r.To = o.From, o.To
	if o.From.After(last) || o.To.Before(first) {
		err = r.calibrations(ctx, l) // there is nothing else
	} else {
		r, err = Read(ctx, l, o)
	}
	if err != nil {
		return nil, err
	}
	after, err := l.EventsWithin(ctx, o.To.Add(time.Millisecond), o.To.Add(answersWithin), rules.AlarmRaised, rules.AlarmRepeated, rules.AlarmAcknowledged, rules.AlarmCleared)
	if err != nil {
		return nil, err
	}
	for i := range after {
		r.book.Add(&after[i])
	}
	r.From, r.To = o.From, o.To
	s := &Summary{r: r, first: first, last: last}
	s.ends()
	s.split(zone)
	s.items = s.answers(zone)
	return s, nil
}

// longest bounds a summary: a line a day fits no paper beyond it.
const longest = 32 * 24 * time.Hour

func errNoReadings() error { return fmt.Errorf("the record holds no readings yet") }

// lastDays fills in the bounds that nobody gave. A day is whole when the record reaches to within the allowance of
// its end.
func lastDays(from, to, last time.Time, set *rules.Setup, zone *time.Location) (time.Time, time.Time) {
	midnight := func(t time.Time, days int) time.Time {
		y, m, d := t.In(zone).Date()
		return time.Date(y, m, d+days, 0, 0, 0, 0, zone)
	}
	switch {
	case to.IsZero() && from.IsZero():
		to = midnight(last.Add((&Record{setup: set}).allowance()), 0).Add(-time.Millisecond)
	case to.IsZero():
		to = last
	}
	if from.IsZero() {
		from = midnight(to, 1-weekDays)
	}
	return from, to
}

// within reports whether a moment lies in the span.
func (r *Record) within(at sensor.Instant) bool {
	return !at.Wall.Before(r.From) && !at.Wall.After(r.To)
}

// split counts what belongs to each day.
func (s *Summary) split(zone *time.Location) {
	r := s.r
	for from := r.From; !from.After(r.To); {
		y, m, d := from.In(zone).Date()
		next := time.Date(y, m, d+1, 0, 0, 0, 0, zone)
		s.days = append(s.days, day{from: from, to: earlier(next, r.To.Add(time.Millisecond))})
		from = next
	}
	for i := range s.days {
		d := &s.days[i]
		d.recorded = true
		for _, p := range r.pause {
			part := earlier(p.to.Wall, d.to).Sub(later(p.from.Wall, d.from))
			switch {
			case part <= 0:
				continue
			case p.known:
				d.unread += part
			default:
				d.lost = true
			}
			d.recorded = d.recorded && part < d.to.Sub(d.from)
		}
	}
	for i := range r.Events {
		s.on(r.Events[i].At, func(d *day) { d.recorded = true })
	}
	for _, l := range r.Lots {
		if !l.Late {
			s.on(l.Begun, func(d *day) { d.begun++ })
		}
		if !l.Open() {
			s.on(l.Ended, func(d *day) { *d.endedAs(l.Verdict())++ })
		}
	}
	for _, m := range r.book.Marks {
		if m.Refused || m.Seq == 0 {
			continue
		}
		s.on(m.At, func(d *day) {
			switch {
			case m.Kind == rules.MarkCorrective:
				d.corrective++
			case m.Kind == rules.MarkCalibrate:
				d.calibrated++
			case m.isCheck():
				d.checks++
			}
		})
	}
	for _, a := range r.book.Alarms {
		s.on(a.Raised.At, func(d *day) { d.alarm(a) })
	}
}

// on calls f with the day of a moment, if the span has it.
func (s *Summary) on(at sensor.Instant, f func(d *day)) {
	for i := range s.days {
		if d := &s.days[i]; d.has(at.Wall) {
			f(d)
		}
	}
}

func (d *day) has(t time.Time) bool { return !t.Before(d.from) && t.Before(d.to) }

func (d *day) endedAs(v rules.Verdict) *int {
	switch v {
	case rules.Act:
		return &d.act
	case rules.Discard:
		return &d.discard
	}
	return &d.ok
}

// alarm counts one that rings; advice rings nobody.
func (d *day) alarm(a *Alarm) {
	switch a.priority {
	case rules.Critical:
		d.critical++
	case rules.Warning:
		d.warning++
	default:
		return
	}
	if !a.asked.IsZero() {
		d.unanswered++
	}
	d.slowest = max(d.slowest, a.wait)
}

// total is of the days that have a record, and how many have none.
func (s *Summary) total() (t day, missing int) {
	for i := range s.days {
		d := &s.days[i]
		if !d.recorded {
			missing++
			continue
		}
		t.begun, t.ok, t.act, t.discard = t.begun+d.begun, t.ok+d.ok, t.act+d.act, t.discard+d.discard
		t.checks, t.corrective, t.calibrated = t.checks+d.checks, t.corrective+d.corrective, t.calibrated+d.calibrated
		t.critical, t.warning, t.unanswered = t.critical+d.critical, t.warning+d.warning, t.unanswered+d.unanswered
		t.slowest, t.unread, t.lost, t.recorded = max(t.slowest, d.slowest), t.unread+d.unread, t.lost || d.lost, true
	}
	return t, missing
}

// Write writes the summary in one of Formats.
func (s *Summary) Write(w io.Writer, format string, zone *time.Location) error {
	switch format {
	case "text":
		return s.Text(w, zone)
	case "csv":
		return s.CSV(w, zone)
	}
	return s.HTML(w, zone)
}
