package daemon

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"sync"
	"time"

	"holdbell/publish/page"
	"holdbell/rules"
	"holdbell/sensor"
)

// What a person hears whose mark did not go the straight way.
var (
	ErrBusy       = errors.New("too many marks are waiting; nothing was taken, so say it again in a moment")
	ErrStopping   = errors.New("the daemon is stopping; the mark was not taken, so say it again when it is back")
	ErrUnanswered = errors.New("no sweep took the mark in time; said again with its id it counts once")
	ErrUnrecorded = errors.New("the mark is in force, but the record cannot be written now; it is kept in memory and recorded when the disk works again")
)

// markPatience is how long a person waits for a mark to be durable.
const markPatience = 5 * time.Second

// maxMarks is how many marks may wait for the next sweep. A kitchen makes a few a minute.
const maxMarks = 64

// order is one mark on its way through the loop.
type order struct {
	mark   rules.Mark
	text   string // what the rules answered
	refuse bool
	// taken is closed by the loop once the rules have seen the mark, answered once it is durable.
	taken    chan struct{}
	answered chan struct{}
	done     func() // closes answered, once
}

// desk is where marks arrive: from the page, the control socket and the broker. The loop empties it with
// each sweep.
type desk struct {
	now      func() sensor.Instant
	queue    chan *order
	patience func() time.Duration
	closed   chan struct{}
}

func newDesk(now func() sensor.Instant, patience func() time.Duration) *desk {
	return &desk{now: now, queue: make(chan *order, maxMarks), patience: patience, closed: make(chan struct{})}
}

// Mark stamps m, enters it with the next sweep and waits until it is durable. It gives the rules' answer
// for the person.
func (d *desk) Mark(ctx context.Context, m rules.Mark) (string, error) {
	m.At = d.now()
	if m.ID == "" {
		m.ID = rand.Text()
	}
	o := &order{mark: m, taken: make(chan struct{}), answered: make(chan struct{})}
	o.done = sync.OnceFunc(func() { close(o.answered) })
	select {
	case <-d.closed:
		return "", ErrStopping
	default:
	}
	select {
	case d.queue <- o:
	default:
		return "", ErrBusy
	}
	ctx, cancel := context.WithTimeout(ctx, d.patience())
	defer cancel()
	select {
	case <-o.answered:
	case <-d.closed:
		// The last commit may have answered while the desk was closing.
		select {
		case <-o.answered:
		case <-o.taken:
			return "", ErrUnrecorded
		default:
			return "", ErrStopping
		}
	case <-ctx.Done():
		select {
		case <-o.taken:
			return "", ErrUnrecorded
		default:
			return "", fmt.Errorf("%w: %s", ErrUnanswered, m.ID)
		}
	}
	if o.refuse {
		return "", &page.RefusedError{Text: o.text}
	}
	return o.text, nil
}

// collect takes the marks that wait, oldest first.
func (d *desk) collect(into []*order) []*order {
	for len(into) < maxMarks {
		select {
		case o := <-d.queue:
			into = append(into, o)
		default:
			return into
		}
	}
	return into
}

// close turns later marks away, and wakes those who wait.
func (d *desk) close() { close(d.closed) }

// alreadyRecorded is the answer to a mark whose id the rules have seen.
const alreadyRecorded = "already recorded"

// settle writes the rules' answers into the orders of one sweep. A mark without an event is one whose id
// was there before.
func settle(orders []*order, events []rules.Event) {
	for _, o := range orders {
		o.text = alreadyRecorded
		for i := range events {
			ev := &events[i]
			if ev.Mark != o.mark.ID || (ev.Kind != rules.MarkTaken && ev.Kind != rules.MarkRefused) {
				continue
			}
			o.text, o.refuse = ev.Text, ev.Kind == rules.MarkRefused
			break
		}
		close(o.taken)
	}
}
