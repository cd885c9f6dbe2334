package records

import (
	"slices"
	"time"

	"holdbell/rules"
	"holdbell/rules/terms"
	"holdbell/sensor"
)

// pause is a stretch without sweeps, between two of them; known is false where nobody can tell how long it was.
type pause struct {
	from, to sensor.Instant
	length   time.Duration
	known    bool
}

// silence is a pause of one probe.
type silence struct {
	probe string
	pause
}

// gapWithout is the longest gap that is none where no configuration tells its own; it is the configuration's default.
const gapWithout = 5 * time.Minute

// allowance is how long a gap may be.
func (r *Record) allowance() time.Duration {
	if r.setup == nil || r.setup.GapAllowance <= 0 {
		return gapWithout
	}
	return r.setup.GapAllowance
}

// paused keeps a stretch between two sweeps that reaches into the span, where it is longer than the allowance.
func (r *Record) paused(from, to sensor.Instant) {
	if to.Wall.Before(r.From) {
		return
	}
	d, known := to.Sub(from)
	if from.IsZero() { // what lies before was not gone through: the span's beginning has to do
		from = sensor.Instant{Wall: r.From, Believed: true}
		d, known = to.Wall.Sub(r.From), to.Believed
	}
	if !known || d > r.allowance() {
		r.pause = append(r.pause, pause{from, to, d, known})
	}
}

// listen keeps how long each probe of the layout gave no reading.
func (w *walk) listen(s *sensor.Sweep, r *Record) {
	if w.dumb == nil {
		w.dumb = make([]sensor.Instant, len(w.layout))
	}
	for i := range w.dumb {
		switch {
		case s.Readings[i].Valid():
			w.speaks(i, s.At, r)
		case w.dumb[i].IsZero():
			w.dumb[i] = s.At
		}
	}
}

// speaks ends a probe's silence; one longer than the allowance is kept.
func (w *walk) speaks(i int, at sensor.Instant, r *Record) {
	from := w.dumb[i]
	if from.IsZero() {
		return
	}
	w.dumb[i] = sensor.Instant{}
	if d, known := at.Sub(from); !known || d > r.allowance() {
		r.silence = append(r.silence, silence{w.layout[i], pause{from, at, d, known}})
	}
}

// ends adds what of the span lies before and after all that is recorded to the stretches without sweeps.
func (s *Summary) ends() {
	r, edge := s.r, func(t time.Time) sensor.Instant { return sensor.Instant{Wall: t, Believed: true} }
	add := func(from, to time.Time) {
		if d := to.Sub(from); d > r.allowance() {
			r.pause = append(r.pause, pause{edge(from), edge(to), d, true})
		}
	}
	end := r.To.Add(time.Millisecond) // the span's end is in it
	add(r.From, earlier(s.first, end))
	if s.last.Before(r.To) {
		add(later(s.last, r.From), end)
	}
}

func earlier(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// gaps are the stretches without a watch, and those without readings.
func (s *Summary) gaps(t *words) (all []item) {
	told := map[sensor.Instant]bool{}
	for i := range s.r.Gaps {
		ev := &s.r.Gaps[i]
		told[ev.At] = true
		x := item{entry{head: terms.Label(terms.Gap), at: ev.Since.Wall, what: "to " + t.short(ev.At.Wall, ev.Since.Wall) + ". " + ev.Text}, off}
		if _, known := ev.At.Sub(ev.Since); !known {
			x.what += " Its length is unknown: the clock was not set."
		}
		all = append(all, x)
	}
	for _, p := range s.r.pause {
		if !told[p.to] {
			length := rules.Words(p.length)
			if !p.known {
				length = "an unknown time"
			}
			all = append(all, item{entry{head: terms.Label(terms.Gap), at: p.from.Wall,
				what: "to " + t.short(p.to.Wall, p.from.Wall) + ". No reading is in the record for " + length + "."}, off})
		}
	}
	for i := range s.r.silence {
		if x := &s.r.silence[i]; s.missed(x) {
			length := rules.Words(x.length)
			if !x.known {
				length = "an unknown time"
			}
			all = append(all, item{entry{head: terms.Label(terms.Gap), at: x.from.Wall,
				what: "to " + t.short(x.to.Wall, x.from.Wall) + ". Probe " + x.probe + " gave no reading for " + length + "."}, off})
		}
	}
	return all
}

// missed reports whether an alarm rang because a probe was silent: a lead that lies in a drawer rings nobody.
func (s *Summary) missed(x *silence) bool {
	return !x.to.Wall.Before(s.r.From) && slices.ContainsFunc(s.r.book.Alarms, func(a *Alarm) bool {
		return a.Raised.Alarm == rules.ProbeFault && a.Raised.Probe == x.probe && !a.Raised.At.Wall.After(x.to.Wall) &&
			(a.Cleared.IsZero() || !a.Cleared.Wall.Before(x.from.Wall))
	})
}
