package publish

import (
	"context"
	"fmt"
	"sync"

	"holdbell/rules"
)

// EventLog gives couriers the events in order of Seq. *Tail is one.
type EventLog interface {
	// Next waits until there is an event after the one with Seq after, and gives up to max of them in
	// order. lost counts the events between that nobody can give any more. An error leaves the caller
	// where it was: asked again, Next tries again.
	Next(ctx context.Context, after uint64, max int) (events []rules.Event, lost uint64, err error)
	// Skip is Next for a record that cannot be read: it gives what memory holds, at once, and counts the
	// events before as lost.
	Skip(after uint64, max int) (events []rules.Event, lost uint64)
	// Begin is the Seq of the newest event when this run began, 0 in a new record.
	Begin() uint64
	// End is the Seq of the newest event.
	End() uint64
}

// Older gives recorded events with a Seq greater than after, in order, at most max of them.
type Older interface {
	Events(ctx context.Context, after uint64, max int) ([]rules.Event, error)
}

// defaultTail is how many events a Tail holds unless told otherwise: some 0.6 MB at the most.
const defaultTail = 1024

// Tail holds the newest events in memory, so that couriers need no disk in steady running, and asks the
// record for older ones. It is safe for concurrent use, and adding to it never waits.
type Tail struct {
	older Older // nil: there is none

	mu    sync.Mutex
	ring  []rules.Event // in order; at most size
	size  int
	begin uint64
	end   uint64
	grown chan struct{} // closed and replaced when the tail grows
}

// NewTail gives a Tail of at most size events (0: 1024) after the one with Seq begin. older may be nil.
func NewTail(size int, begin uint64, older Older) *Tail {
	if size <= 0 {
		size = defaultTail
	}
	return &Tail{older: older, size: size, begin: begin, end: begin, grown: make(chan struct{})}
}

// Add appends events, which stand in order of Seq; one that is not newer than the newest is ignored.
func (t *Tail) Add(events []rules.Event) {
	t.mu.Lock()
	defer t.mu.Unlock()
	before := t.end
	for _, ev := range events {
		if ev.Seq <= t.end {
			continue
		}
		t.end = ev.Seq
		if len(t.ring) == t.size {
			copy(t.ring, t.ring[1:])
			t.ring = t.ring[:t.size-1]
		}
		t.ring = append(t.ring, ev)
	}
	if t.end != before {
		close(t.grown)
		t.grown = make(chan struct{})
	}
}

// Begin implements EventLog.
func (t *Tail) Begin() uint64 { return t.begin }

// End implements EventLog.
func (t *Tail) End() uint64 {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.end
}

// Next implements EventLog.
func (t *Tail) Next(ctx context.Context, after uint64, max int) ([]rules.Event, uint64, error) {
	for {
		events, complete, grown := t.held(after, max)
		if complete {
			return events, 0, nil
		}
		if grown != nil {
			select {
			case <-grown:
				continue
			case <-ctx.Done():
				return nil, 0, ctx.Err()
			}
		}
		recorded, err := t.recorded(ctx, after, max)
		if err != nil {
			return nil, 0, err
		}
		// While the record was asked, the ring may have moved on. What neither has between is gone.
		events, _, _ = t.held(after, max)
		if len(events) == 0 || len(recorded) > 0 && recorded[0].Seq < events[0].Seq {
			events = recorded
		}
		events, lost := t.from(events, after)
		return events, lost, nil
	}
}

// Skip implements EventLog.
func (t *Tail) Skip(after uint64, max int) ([]rules.Event, uint64) {
	events, _, _ := t.held(after, max)
	return t.from(events, after)
}

// from cuts events before their first hole, and counts what is missing before the first of them.
func (t *Tail) from(events []rules.Event, after uint64) ([]rules.Event, uint64) {
	if len(events) == 0 {
		return nil, t.End() - min(after, t.End())
	}
	for i := range events[1:] {
		if events[i+1].Seq != events[i].Seq+1 {
			events = events[:i+1]
			break
		}
	}
	return events, events[0].Seq - after - 1
}

// held gives the events after one that the ring holds. complete: they follow without a hole. grown is
// not nil when there is no event after it yet.
func (t *Tail) held(after uint64, max int) (events []rules.Event, complete bool, grown <-chan struct{}) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if after >= t.end {
		return nil, false, t.grown
	}
	i := 0
	for i < len(t.ring) && t.ring[i].Seq <= after {
		i++
	}
	events = append(events, t.ring[i:min(len(t.ring), i+max)]...)
	return events, len(events) > 0 && events[0].Seq == after+1, nil
}

// recorded asks the record, for events that the ring no longer holds.
func (t *Tail) recorded(ctx context.Context, after uint64, max int) ([]rules.Event, error) {
	if t.older == nil {
		return nil, nil
	}
	events, err := t.older.Events(ctx, after, max)
	if err != nil {
		return nil, fmt.Errorf("events after %d: %w", after, err)
	}
	return events, nil
}
