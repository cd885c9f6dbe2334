package ledger

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"holdbell/rules"
)

// What a merged parcel holds at the most, so that no commit grows without bound after a long stall.
const (
	mergedSweeps = 600
	mergedItems  = 512
)

// commits is the goroutine that writes, in order, until the Writer is closed.
func (w *Writer) commits() {
	for failed := 0; ; {
		stopping := w.stopping()
		err := w.attach()
		if err == nil {
			w.look()
			p := w.next()
			if p == nil {
				failed = 0
				if stopping {
					return
				}
				select {
				case <-w.wake:
				case <-w.stop:
				}
				continue
			}
			err = w.commit(p)
		}
		if err == nil {
			failed = 0
			continue
		}
		failed++
		w.mend(err, failed)
		if stopping && failed > reopenAfter {
			return // no less is a reason to leave the last readings behind
		}
		w.pause(failed)
	}
}

func (w *Writer) stopping() bool {
	select {
	case <-w.stop:
		return true
	default:
		return false
	}
}

// pause waits after the failed-th failure in a row.
func (w *Writer) pause(failed int) {
	d := retryMax
	if failed < 7 {
		d = min(d, retryMin<<(failed-1))
	}
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
	case <-w.kick:
	case <-w.stop:
	}
}

// next takes the oldest parcel, and with it those that can go in the same commit. nil: nothing waits.
func (w *Writer) next() *parcel {
	w.mu.Lock()
	defer w.mu.Unlock()
	if len(w.queue) == 0 {
		if len(w.late) == 0 {
			for _, done := range w.idle {
				close(done)
			}
			w.idle = nil
			return nil
		}
		w.queue = append(w.queue, &parcel{})
	}
	p := w.queue[0]
	n := 1
	for !p.tried && n < len(w.queue) && p.merge(w.queue[n]) {
		n++
	}
	w.queue = slices.Delete(w.queue, 1, n)
	p.tried = true
	w.busy, w.since = true, time.Now()
	return p
}

// merge appends q, when its sweeps follow p's in the same layout. Either may have lost its sweeps.
func (p *parcel) merge(q *parcel) bool {
	a, b := &p.batch, &q.batch
	if len(a.Sweeps)+len(b.Sweeps) > mergedSweeps || p.items()+q.items() > mergedItems {
		return false
	}
	switch {
	case len(b.Sweeps) == 0:
	case len(a.Sweeps) == 0:
		a.Layout, a.FirstSweep, a.Sweeps = b.Layout, b.FirstSweep, b.Sweeps
	case !slices.Equal(a.Layout, b.Layout) || a.FirstSweep+uint64(len(a.Sweeps)) != b.FirstSweep:
		return false
	default:
		a.Sweeps = append(a.Sweeps, b.Sweeps...)
	}
	a.Marks = append(a.Marks, b.Marks...)
	a.Notices = append(a.Notices, b.Notices...)
	if b.Snapshot != nil {
		a.Snapshot, a.SnapshotSweep = b.Snapshot, b.SnapshotSweep
	}
	p.told = append(p.told, q.told...)
	p.durable = append(p.durable, q.durable...)
	return true
}

// commit writes p, which next gave.
func (w *Writer) commit(p *parcel) error {
	w.mu.Lock()
	b := p.batch
	for _, t := range p.told {
		b.Events = append(b.Events, t.events...)
	}
	b.Unrecorded = slices.Clone(w.late)
	w.mu.Unlock()

	err := w.store.Commit(context.Background(), b)

	w.mu.Lock()
	w.busy = false
	w.trouble = err
	if err != nil {
		if diskFull(err) {
			p.tried = false // such a commit was surely not made
		}
		w.mu.Unlock()
		return err
	}
	w.queue = slices.Delete(w.queue, 0, 1)
	w.late = slices.Delete(w.late, 0, len(b.Unrecorded))
	w.durable = max(w.durable, b.SnapshotSweep)
	written := b.Events
	for _, t := range p.told {
		t.durable = true
		// While the commit was on its way, the publishers may have been told.
		for i := range t.events {
			if t.events[i].Unrecorded && !written[i].Unrecorded {
				w.late = append(w.late, t.events[i].Seq)
			}
		}
		written = written[len(t.events):]
	}
	w.mu.Unlock()
	signal(w.tell)
	signal(w.copied)
	for _, durable := range p.durable {
		durable()
	}
	return nil
}

// attach opens the ledger when it is not open.
func (w *Writer) attach() error {
	if w.store.opened() {
		return nil
	}
	err := w.reopen()
	if errors.Is(err, ErrConflict) {
		err = w.reopen() // anew
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	// While something waits, only its commit proves that the trouble is over.
	if err != nil || len(w.queue) == 0 {
		w.trouble = err
	}
	return err
}

// reopen opens the ledger and looks whether this run can go on in it: in one that it began in or went on
// from, or in a new one. Numbers that stand for something else must not be used again, since publishers
// know events by them; such a file is moved aside.
func (w *Writer) reopen() error {
	open := w.store.Reopen
	if w.anew {
		open = w.store.StartAnew
	}
	err := open()
	w.tellMoved()
	if err != nil {
		return err
	}
	w.anew = false
	r, err := w.store.Restore()
	if err == nil && !w.enter(r) {
		w.anew = true
		err = fmt.Errorf("%w: this run did not start from the ledger %s", ErrConflict, r.Ledger)
	}
	if err != nil {
		return errors.Join(err, w.store.Close())
	}
	return nil
}

// enter makes the ledger that r is from this run's own, if it can be.
func (w *Writer) enter(r *Restored) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	if r.Ledger != w.ledger && (r.LastSweep > 0 || r.LastSeq > 0) {
		return false
	}
	w.ledger = r.Ledger
	return true
}

// tellMoved makes news of a file that the latest opening moved aside.
func (w *Writer) tellMoved() {
	moved := w.store.Moved()
	if moved == "" {
		return
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.news = fmt.Errorf("the record could not be gone on with; it was moved to %s and a new one begun", moved)
	w.newsAt = time.Now()
}

// mend does what may help against err before the next try: the file is closed, and attach opens it again.
func (w *Writer) mend(err error, failed int) {
	w.anew = w.anew || errors.Is(err, ErrConflict)
	if diskFull(err) {
		// The log gives its room back. Where that is not enough, marks and events go without readings.
		if err := w.store.checkpoint(context.Background()); err != nil || failed > 1 {
			w.mu.Lock()
			w.lack(0)
			w.mu.Unlock()
		}
	}
	if !w.store.opened() || !w.anew && !damaged(err) && failed%reopenAfter != 0 {
		return
	}
	if err := w.store.Close(); err != nil {
		w.o.Log.Warn("the record does not close well", "err", err)
	}
}

// unwritten says what a closed Writer leaves unrecorded.
func (w *Writer) unwritten() error {
	w.mu.Lock()
	defer w.mu.Unlock()
	sweeps, items := 0, 0
	for _, p := range w.queue {
		sweeps += len(p.batch.Sweeps)
		items += p.items()
	}
	if sweeps == 0 && items == 0 {
		return nil
	}
	return fmt.Errorf("%d sweeps and %d marks, notices and events are not recorded: %w", sweeps, items, w.trouble)
}

// telling is what one round decided, on its way to the publishers.
type telling struct {
	events  []rules.Event
	due     time.Time
	durable bool
}
