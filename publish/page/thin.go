package page

import (
	"context"
	"slices"
	"sync"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// tailLength is how many of the last sweeps the page keeps for its charts: more than lie between a reading
// and the record, which closes a block after a minute.
const tailLength = 240

// tail is the last readings of every probe, corrected, in a ring.
type tail struct {
	mu     sync.Mutex
	probes []string
	sweeps []sensor.Sweep
	next   int
}

// add takes up the readings of a state.
func (t *tail) add(st *rules.State) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if !slices.EqualFunc(t.probes, st.Probes, func(name string, p rules.ProbeState) bool { return name == p.Name }) {
		t.probes, t.sweeps, t.next = nil, nil, 0
		for i := range st.Probes {
			t.probes = append(t.probes, st.Probes[i].Name)
		}
	}
	if len(t.sweeps) < tailLength {
		t.sweeps = append(t.sweeps, sensor.Sweep{Readings: make([]sensor.Reading, len(st.Probes))})
	}
	s := &t.sweeps[t.next]
	t.next = (t.next + 1) % tailLength
	s.At = st.At
	for i := range st.Probes {
		s.Readings[i] = st.Probes[i].Corrected
	}
}

// each visits the kept sweeps, oldest first.
func (t *tail) each(visit func(probes []string, s *sensor.Sweep) bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for i := range t.sweeps {
		if !visit(t.probes, &t.sweeps[(t.next+i)%len(t.sweeps)]) {
			return
		}
	}
}

// thinned is a span of readings as columns of a chart: of each probe the lowest and the highest reading in
// each. A column without any sweep is left out.
type thinned struct {
	probes  []string
	from    time.Time
	width   time.Duration // of a column
	columns []column
	at      []int // columns by number, -1 where there is none

	gap     time.Duration // the time between two sweeps from which nothing was read between
	last    time.Time
	layout  []string
	place   []int // where the layout has each probe; -1 nowhere
	visited int
}

type column struct {
	number int
	// after a time in which nothing was read
	after bool
	cells []cell
}

// cell is one probe in one column.
type cell struct {
	low, high sensor.Temp
	read      bool // there is a reading
	missed    bool // there is a sweep in which the probe gave none
}

func newThinned(probes []string, from, to time.Time, columns int, gap time.Duration) *thinned {
	t := &thinned{probes: probes, from: from, width: max(1, to.Sub(from)/time.Duration(columns)), gap: gap, at: make([]int, columns)}
	for i := range t.at {
		t.at[i] = -1
	}
	return t
}

// add takes up a sweep. One that does not go forward, because the wall clock was put back, is passed over.
func (t *thinned) add(layout []string, s *sensor.Sweep) {
	n := int(s.At.Wall.Sub(t.from) / t.width)
	if s.At.Wall.Before(t.from) || n >= len(t.at) || !t.last.IsZero() && !s.At.Wall.After(t.last) {
		return
	}
	if !slices.Equal(layout, t.layout) {
		t.layout, t.place = slices.Clone(layout), t.place[:0]
		for _, name := range t.probes {
			t.place = append(t.place, slices.Index(layout, name))
		}
	}
	if t.at[n] < 0 {
		t.at[n] = len(t.columns)
		t.columns = append(t.columns, column{number: n, after: !t.last.IsZero() && s.At.Wall.Sub(t.last) > t.gap, cells: make([]cell, len(t.probes))})
	}
	t.last = s.At.Wall
	t.visited++
	cells := t.columns[t.at[n]].cells
	for i, j := range t.place {
		c := &cells[i]
		if j < 0 || !s.Readings[j].Valid() {
			c.missed = true
			continue
		}
		temp := s.Readings[j].Temp
		if !c.read {
			c.low, c.high, c.read = temp, temp, true
			continue
		}
		c.low, c.high = min(c.low, temp), max(c.high, temp)
	}
}

// thin reads a span from the record, and what it does not have yet from what the page keeps.
func (p *Page) thin(ctx context.Context, probes []string, from, to time.Time, columns int) (*thinned, error) {
	t := newThinned(probes, from, to, columns, max(5*time.Second, 3*p.opt.Period))
	if p.opt.Readings != nil {
		err := p.opt.Readings(ctx, from, to, func(layout []string, s *sensor.Sweep) bool {
			t.add(layout, s)
			return ctx.Err() == nil
		})
		if err == nil {
			err = ctx.Err()
		}
		if err != nil {
			return nil, err
		}
	}
	p.tail.each(func(layout []string, s *sensor.Sweep) bool {
		t.add(layout, s)
		return true
	})
	return t, nil
}
