package records

import (
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// Book turns marks and events, in the order of the record, into lives.
type Book struct {
	Lives  []*Life
	Marks  []*Mark
	Alarms []*Alarm
	Gaps   []rules.Event // the watch was off
	Clocks []rules.Event // the board's clock was set

	latest map[string]*Life // by lot: the newest life
	told   map[uint64]*Mark // by the event that answered
	byID   map[string]*Mark
	asked  map[markKey][]*Mark // told, and not answered yet
	open   map[alarmKey]*Alarm
}

// markKey finds the mark that an event answers: the event tells when it was said and by which id.
type markKey struct {
	wall int64
	mono time.Duration
	id   string
}

type alarmKey struct {
	alarm               rules.AlarmName
	station, lot, probe string
}

func keyOf(ev *rules.Event) alarmKey { return alarmKey{ev.Alarm, ev.Station, ev.Lot, ev.Probe} }

// NewBook gives an empty one.
func NewBook() *Book {
	return &Book{latest: map[string]*Life{}, told: map[uint64]*Mark{}, byID: map[string]*Mark{}, asked: map[markKey][]*Mark{}, open: map[alarmKey]*Alarm{}}
}

// Tell takes a mark before the events of its sweep.
func (b *Book) Tell(m rules.Mark) *Mark {
	x := &Mark{Mark: m}
	b.Marks = append(b.Marks, x)
	k := markKey{m.At.Wall.UnixNano(), m.At.Mono, m.ID}
	b.asked[k] = append(b.asked[k], x)
	return x
}

// Add takes an event.
func (b *Book) Add(ev *rules.Event) {
	switch ev.Kind {
	case rules.LotBegun:
		b.begin(ev)
	case rules.LotMoved:
		b.life(ev).move(ev)
	case rules.LotEnded:
		l := b.life(ev)
		l.Ended, l.Final = ev.At, ev.Verdict
	case rules.VerdictChanged:
		l := b.life(ev)
		l.Verdicts = append(l.Verdicts, *ev)
	case rules.ReheatProven:
		l := b.life(ev)
		l.Proofs = append(l.Proofs, *ev)
	case rules.MarkTaken, rules.MarkRefused:
		b.answer(ev)
	case rules.Restarted:
		b.Gaps = append(b.Gaps, *ev)
	case rules.ClockSet:
		b.Clocks = append(b.Clocks, *ev)
	default:
		if ev.Alarm != "" {
			b.alarm(ev)
		}
	}
}

func (b *Book) begin(ev *rules.Event) {
	l := &Life{Lot: ev.Lot, Begun: ev.Since, Seq: ev.Seq}
	l.move(ev)
	b.Lives = append(b.Lives, l)
	b.latest[ev.Lot] = l
}

func (l *Life) move(ev *rules.Event) {
	l.Moves = append(l.Moves, Move{ev.Since, ev.Station, ev.By})
}

// life is the one that an event is about. A lot whose beginning lies before what was read begins here.
func (b *Book) life(ev *rules.Event) *Life {
	if l := b.latest[ev.Lot]; l != nil {
		return l
	}
	b.begin(ev)
	l := b.latest[ev.Lot]
	l.Late = true
	return l
}

// answer joins a mark with what was said to it, and with the lots that it was about.
func (b *Book) answer(ev *rules.Event) {
	k := markKey{ev.Since.Wall.UnixNano(), ev.Since.Mono, ev.Mark}
	var m *Mark
	if q := b.asked[k]; len(q) > 0 {
		m, b.asked[k] = q[0], q[1:]
	} else {
		// The block that held it was lost; its answer tells the most of it.
		m = &Mark{Mark: rules.Mark{At: ev.Since, Lot: ev.Lot, Station: ev.Station, Probe: ev.Probe, Temp: ev.Temp, By: ev.By, ID: ev.Mark}}
		b.Marks = append(b.Marks, m)
	}
	b.told[ev.Seq] = m
	m.Seq, m.Answer, m.Refused = ev.Seq, ev.Text, ev.Kind == rules.MarkRefused
	if m.ID != "" && !m.Refused {
		b.byID[m.ID] = m
	}
	b.concern(m)
	if m.Refused {
		return
	}
	switch m.Kind {
	case rules.MarkLoad:
		for _, l := range m.lives {
			l.Food = m.Food
		}
	case rules.MarkSplit:
		if parent, part := b.latest[m.From], b.latest[m.Lot]; parent != nil && part != nil {
			part.Food = parent.Food
		}
	case rules.MarkAcknowledge:
		for _, a := range b.Alarms {
			if a.Acknowledged == ev.At {
				a.Note = m.FreeText()
			}
		}
	case rules.MarkUndo:
		b.undo(m)
	}
}

// concern gives a mark to the lots it is about: those it names, else all in its station.
func (b *Book) concern(m *Mark) {
	add := func(l *Life) {
		if l != nil {
			m.lives = append(m.lives, l)
			l.Marks = append(l.Marks, m)
		}
	}
	if l := b.latest[m.Lot]; m.Lot != "" && l != nil {
		add(l)
		if m.From != "" {
			add(b.latest[m.From])
		}
		return
	}
	if m.Kind == rules.MarkAcknowledge || m.Kind == rules.MarkShelve {
		return // about a station's alarms, not about what is in it
	}
	station := m.Station
	if station == "" {
		station = m.Lot
	}
	if station == "" {
		return
	}
	for _, l := range b.Lives {
		if l.Open() && l.stationAt(m.At.Wall) == station {
			add(l)
		}
	}
}

// undo takes back what a mark ended.
func (b *Book) undo(m *Mark) {
	was := b.byID[m.Undoes]
	if was == nil {
		return
	}
	for _, l := range was.lives {
		m.lives = append(m.lives, l)
		l.Marks = append(l.Marks, m)
		switch was.Kind {
		case rules.MarkClose, rules.MarkDiscard:
			l.Ended, l.Final = sensor.Instant{}, ""
		case rules.MarkMove:
			if n := len(l.Moves); n > 1 {
				l.Moves = append(l.Moves, Move{m.At, l.Moves[n-2].Station, m.By})
			}
		}
	}
}

// heard keeps how urgent an alarm was at its worst, and how long it rang at the longest before somebody answered.
func (a *Alarm) heard(ev *rules.Event) {
	if ev.Priority.Rank() > a.priority.Rank() {
		a.priority = ev.Priority
	}
	switch {
	case ev.Kind == rules.AlarmAcknowledged:
		if d, known := ev.At.Sub(a.asked); known && !a.asked.IsZero() {
			a.wait = max(a.wait, d)
		}
		a.asked = sensor.Instant{}
	case a.asked.IsZero() && ev.State == rules.Unacknowledged:
		a.asked = ev.At
	}
}

func (b *Book) alarm(ev *rules.Event) {
	k := keyOf(ev)
	a := b.open[k]
	if ev.Kind == rules.AlarmRaised || a == nil {
		a = &Alarm{Raised: *ev}
		b.open[k] = a
		b.Alarms = append(b.Alarms, a)
		if l := b.latest[ev.Lot]; ev.Lot != "" && l != nil {
			l.Alarms = append(l.Alarms, a)
		}
	}
	if ev.Temp != nil {
		a.Worst = ev.Temp
	}
	a.heard(ev)
	switch ev.Kind {
	case rules.AlarmRepeated:
		a.Rang++
	case rules.AlarmAcknowledged:
		a.Acknowledged, a.By = ev.At, ev.By
	case rules.AlarmCleared:
		a.Cleared, a.ClearedText = ev.At, ev.Text
	}
}
