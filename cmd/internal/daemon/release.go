package daemon

import (
	"context"
	"slices"
	"sync"
	"time"

	"holdbell/rules"
)

// tellAnyway is how long an event waits to be durable before the publishers hear of it all the same.
const tellAnyway = time.Second

// batch is what one sweep decided, on its way to the publishers.
type batch struct {
	events  []rules.Event
	durable chan struct{}
	due     *time.Timer
}

// release holds events back until they are durable, or tellAnyway has passed, and hands them on in order.
// The record cannot hold the publishers up for longer, and the publishers cannot hold the loop up at all.
type release struct {
	tell func([]rules.Event)
	wake chan struct{}

	mu      sync.Mutex
	waiting []*batch
}

func newRelease(tell func([]rules.Event)) *release {
	return &release{tell: tell, wake: make(chan struct{}, 1)}
}

// add queues a copy of events and returns what to call once they are durable. It never blocks.
func (r *release) add(events []rules.Event) (durable func()) {
	if len(events) == 0 {
		return func() {}
	}
	b := &batch{events: slices.Clone(events), durable: make(chan struct{}), due: time.NewTimer(tellAnyway)}
	r.mu.Lock()
	r.waiting = append(r.waiting, b)
	r.mu.Unlock()
	select {
	case r.wake <- struct{}{}:
	default:
	}
	return sync.OnceFunc(func() { close(b.durable) })
}

// run hands on until ctx ends; then it hands on what is left at once.
func (r *release) run(ctx context.Context) {
	for {
		b := r.next()
		if b == nil {
			select {
			case <-r.wake:
				continue
			case <-ctx.Done():
				// What was added before the end may have come in while we looked away.
				if b = r.next(); b == nil {
					return
				}
			}
		}
		recorded := true
		select {
		case <-b.durable:
		default:
			select {
			case <-b.durable:
			case <-b.due.C:
				recorded = false
			case <-ctx.Done():
				recorded = false
			}
		}
		b.due.Stop()
		for i := range b.events {
			b.events[i].Unrecorded = !recorded
		}
		r.tell(b.events)
	}
}

func (r *release) next() *batch {
	r.mu.Lock()
	defer r.mu.Unlock()
	if len(r.waiting) == 0 {
		return nil
	}
	b := r.waiting[0]
	r.waiting = slices.Delete(r.waiting, 0, 1)
	return b
}
