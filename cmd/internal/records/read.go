package records

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"holdbell/publish/ledger"
	"holdbell/rules"
	"holdbell/sensor"
)

// Options say what to read.
type Options struct {
	From, To time.Time // zero: no bound
	Lots     []Name    // empty: all
	// Setup is what the daemon's rules were told; nil works nothing out.
	Setup *rules.Setup
	// Trace keeps each lot's temperature over its life, for a chart; it takes a Setup.
	Trace bool
	said  bool // works nothing out, whatever the setup: what was said then is all that is asked for
}

// before is how much earlier than a lot's loading the rules are begun: a station's own watch arms after five
// minutes at its limit, and a gap is bridged from the reading before it.
const before = 15 * time.Minute

// How long before the span the rules are begun at the most. A piece may lie in the cold for two weeks; a
// station's own watch can be a year old, and to feed a year for one day would take a small board an hour.
const (
	furthest      = 14 * 24 * time.Hour
	furthestWatch = 24 * time.Hour
)

// captureEach is how often the rules' figures are looked at where nothing happens, so that what a lot's last
// readings added after its end is not missed.
const captureEach = 10 * time.Minute

// traceEach is how close the points of a trace lie where nothing happens.
const traceEach = time.Minute

// Read makes the record of a span. The errors are the ledger's, or say that nothing is there.
func Read(ctx context.Context, l *ledger.Ledger, o Options) (*Record, error) {
	first, last, err := l.Span(ctx)
	if err != nil {
		return nil, err
	}
	if first.IsZero() {
		return nil, errNoReadings()
	}
	r := &Record{Ledger: l.ID(), Head: l.Head(), From: first, To: last, Units: rules.Celsius}
	if o.From.After(r.From) {
		r.From = o.From
	}
	if !o.To.IsZero() && o.To.Before(r.To) {
		r.To = o.To
	}
	if r.To.Before(r.From) {
		return nil, fmt.Errorf("nothing is recorded in that span; the record goes from %s to %s", first.Format(time.RFC3339), last.Format(time.RFC3339))
	}
	lives, err := l.EventsWithin(ctx, time.Time{}, r.To, rules.LotBegun, rules.LotMoved, rules.LotEnded)
	if err != nil {
		return nil, err
	}
	start := r.begin(lives)
	events, err := l.EventsWithin(ctx, start, r.To)
	if err != nil {
		return nil, err
	}
	w := &walk{book: NewBook(), events: events, states: map[lotKey]*Life{}, each: captureEach}
	if o.Trace {
		w.each = traceEach
	}
	// A lot from before the start is known by its beginning alone.
	r.Events = events // cut to the span, and to the lots, once these are known
	for i := range lives {
		if lives[i].At.Wall.Before(start) {
			w.book.Add(&lives[i])
		}
	}
	for _, x := range w.book.Lives {
		x.Late = x.Open()
	}
	r.name(o.Setup)
	if o.Setup != nil {
		for _, p := range o.Setup.Probes {
			w.layout = append(w.layout, p.Name)
		}
		if !o.said {
			if w.engine, err = rules.New(*o.Setup); err != nil {
				return nil, err
			}
		}
	}
	if err := w.run(ctx, l, start, r); err != nil {
		return nil, err
	}
	if err := r.doubtThinned(ctx, l, start); err != nil {
		return nil, err
	}
	if err := r.gather(w, o, start); err != nil {
		return nil, err
	}
	if r.whole = len(o.Lots) == 0; !r.whole {
		return r, nil
	}
	return r, r.calibrations(ctx, l)
}

// name takes what a configuration says about the kitchen.
func (r *Record) name(s *rules.Setup) {
	if s != nil {
		r.Site, r.Units, r.Code, r.setup = s.Site, s.Units, s.Code.Title, s
	}
}

// doubtThinned says which of the readings behind the figures are not every reading.
func (r *Record) doubtThinned(ctx context.Context, l *ledger.Ledger, start time.Time) error {
	until, err := l.ThinnedUntil(ctx)
	if err != nil || !until.After(start) {
		return err
	}
	r.Doubts = append(r.Doubts, "Readings up to "+until.Format(time.RFC3339)+" are thinned: of ten seconds at most the record keeps the lowest, the mean and the highest. "+
		"Figures from them hold lowest and highest exactly, and times to ten seconds.")
	return nil
}

// begin is where to begin reading: before the first lot of the span, and before those it may have come from,
// was loaded.
func (r *Record) begin(events []rules.Event) time.Time {
	b := NewBook()
	for i := range events {
		b.Add(&events[i])
	}
	start := r.From
	reach := func(l *Life) time.Time {
		limit := furthest
		if l.standing() {
			limit = furthestWatch
		}
		if at := r.From.Add(-limit); l.Begun.Wall.Before(at) {
			return at
		}
		return l.Begun.Wall
	}
	// A piece that was cut from another lot, or took over a station's own watch, has the clocks of that: who was
	// there as the first one began may be such a one.
	for again := true; again; {
		again = false
		for _, l := range b.Lives {
			forebear := !l.End(r.To).Before(start) && (!l.standing() || !l.End(r.To).After(r.From))
			if at := reach(l); at.Before(start) && (forebear || l.touches(r)) {
				start, again = at, true
			}
		}
	}
	return start.Add(-before)
}

// standing reports whether a life is a station's own.
func (l *Life) standing() bool { return len(l.Moves) > 0 && l.Moves[0].Station == l.Lot }

func (l *Life) touches(r *Record) bool {
	return !l.Begun.Wall.After(r.To) && !l.End(r.To).Before(r.From)
}

// walk goes through the recorded sweeps in order, with the events that they decided.
type walk struct {
	book   *Book
	events []rules.Event // not yet told to the book
	engine *rules.Engine // nil: nothing is worked out
	layout []string
	states map[lotKey]*Life
	seen   sensor.Instant   // when the figures were last looked at
	each   time.Duration    // how often they are
	dumb   []sensor.Instant // since when each probe of the layout gives no reading; zero: it does
}

// lotKey tells a lot of the rules from another of the same name.
type lotKey struct {
	name  string
	begun int64
}

func (w *walk) run(ctx context.Context, l *ledger.Ledger, start time.Time, r *Record) error {
	after, err := l.SweepBefore(ctx, start)
	if err != nil {
		return err
	}
	clocks, err := l.Clocks(ctx)
	if err != nil {
		return err
	}
	var last sensor.Instant
	for in, err := range l.Inputs(after, w.layout) {
		if err == nil {
			err = ctx.Err()
		}
		if err != nil {
			return err
		}
		in = clocks.RightInput(in)
		at := in.Sweep.At
		if at.Wall.Before(start) {
			continue
		}
		r.paused(last, at)
		last = at
		if at.Wall.After(r.To) {
			break
		}
		if !at.Wall.Before(r.From) {
			r.Sweeps++
		}
		w.listen(&in.Sweep, r)
		w.step(&in)
	}
	for i := range w.dumb {
		w.speaks(i, last, r)
	}
	for i := range w.events {
		w.book.Add(&w.events[i]) // of sweeps that are not in the record
	}
	w.events = nil
	w.capture()
	return nil
}

// step takes one recorded sweep.
func (w *walk) step(in *rules.Input) {
	if w.engine != nil && len(in.Marks) > 0 {
		w.capture() // a name that is taken anew forgets the lot that had it
	}
	for i := range in.Marks {
		m := w.book.Tell(in.Marks[i])
		if l := w.book.latest[m.Lot]; m.Lot != "" && l != nil && l.State != nil {
			m.Before = l.State.Temp
		}
	}
	at, told := in.Sweep.At, 0
	for i := range w.events {
		ev := &w.events[i]
		if ev.At.Wall.Equal(at.Wall) && ev.At.Mono == at.Mono {
			told = i + 1
		} else if ev.At.Wall.After(at.Wall) {
			break
		}
	}
	for i := range told {
		w.book.Add(&w.events[i])
	}
	w.events = w.events[told:]
	if w.engine == nil {
		return
	}
	again := w.engine.Step(*in)
	for i := range again {
		if l := w.book.latest[again[i].Lot]; again[i].Kind == rules.VerdictChanged && l != nil {
			l.againVerdicts = append(l.againVerdicts, again[i].Verdict)
		}
	}
	if d, known := at.Sub(w.seen); told > 0 || len(again) > 0 || !known || d >= w.each {
		w.capture()
	}
}

// capture looks at the rules' figures of every lot and keeps them with the life that they are of.
func (w *walk) capture() {
	if w.engine == nil {
		return
	}
	st := w.engine.State()
	w.seen = st.At
	for i := range st.Lots {
		s := &st.Lots[i]
		k := lotKey{s.Lot, s.Begun.Wall.UnixNano()}
		l := w.states[k]
		if l == nil {
			l = w.book.latest[s.Lot]
			if l == nil || !s.Ended && !l.Open() || l.State != nil && l.State.Begun != s.Begun {
				continue // it has not begun yet in what was recorded, which may be a sweep later
			}
			w.states[k] = l
		}
		if l.State == nil || l.State.Begun == s.Begun {
			l.State = s
			if w.each == traceEach && !s.Ended {
				l.trace = append(l.trace, point{st.At, s.Temp})
			}
		}
	}
}

// gather fills the record with what lies in its span.
func (r *Record) gather(w *walk, o Options, start time.Time) error {
	b := w.book
	r.book = b
	var names []string
	for _, l := range b.Lives {
		if !l.touches(r) {
			continue
		}
		names = append(names, l.Lot)
		if len(o.Lots) == 0 || slices.ContainsFunc(o.Lots, func(n Name) bool { return n.fits(l) }) {
			r.Lots = append(r.Lots, l)
		}
	}
	if len(o.Lots) > 0 && len(r.Lots) == 0 {
		return fmt.Errorf("no lot %s in that span; the lots in it: %s", o.Lots[0], orNone(names))
	}
	within := func(at sensor.Instant) bool { return !at.Wall.Before(r.From) && !at.Wall.After(r.To) }
	all := len(o.Lots) == 0
	for _, a := range b.Alarms {
		if all && a.Raised.Lot == "" && (within(a.Raised.At) || a.Raised.At.Wall.Before(r.From) && (a.Cleared.IsZero() || within(a.Cleared))) {
			r.Alarms = append(r.Alarms, a)
		}
	}
	for _, m := range b.Marks {
		if all && len(m.lives) == 0 && within(m.At) {
			r.Marks = append(r.Marks, m)
		}
	}
	for _, g := range b.Clocks {
		if all && within(g.At) {
			r.Clocks = append(r.Clocks, g)
		}
	}
	for _, g := range b.Gaps {
		if within(g.At) || within(g.Since) {
			r.Gaps = append(r.Gaps, g)
		}
	}
	r.Events = slices.DeleteFunc(slices.Clone(r.Events), func(ev rules.Event) bool {
		return !within(ev.At) || !all && !slices.ContainsFunc(r.Lots, func(l *Life) bool { return l.told(&ev) })
	})
	if o.said {
		return nil
	}
	if w.engine == nil {
		r.Doubts = append(r.Doubts, "Stages, lowest and highest, clocks and runs are not in it: they are worked out from the readings by the rules, which need the configuration (--config FILE).")
		return nil
	}
	r.compare(start)
	return nil
}

// compare says where the rules of today would have spoken otherwise than was recorded.
func (r *Record) compare(start time.Time) {
	for _, l := range r.Lots {
		switch {
		case l.State == nil:
			r.Doubts = append(r.Doubts, l.Lot+" is not known to the rules with this configuration: its figures are left out. Is it the configuration that the daemon ran with?")
		case l.Late:
			r.Doubts = append(r.Doubts, l.Lot+" was watched before the readings that were gone through begin, at "+start.Format(time.RFC3339)+": its figures count from there.")
		case !slices.EqualFunc(l.Verdicts, l.againVerdicts, func(ev rules.Event, v rules.Verdict) bool { return ev.Verdict == v }):
			r.Doubts = append(r.Doubts, "Of "+l.Lot+" was said then: "+saidVerdicts(l.Verdicts)+". This program with this configuration would say: "+
				joinVerdicts(l.againVerdicts)+". Its figures are by the latter; what was said then stands.")
		}
	}
}

func saidVerdicts(events []rules.Event) string {
	var v []rules.Verdict
	for i := range events {
		v = append(v, events[i].Verdict)
	}
	return joinVerdicts(v)
}

func joinVerdicts(v []rules.Verdict) string {
	if len(v) == 0 {
		return "nothing"
	}
	words := make([]string, len(v))
	for i := range v {
		words[i] = string(v[i])
	}
	return strings.Join(words, ", ")
}

func orNone(names []string) string {
	if len(names) == 0 {
		return "none"
	}
	slices.Sort(names)
	return strings.Join(slices.Compact(names), ", ")
}
