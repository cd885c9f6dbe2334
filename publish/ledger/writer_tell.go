package ledger

import (
	"slices"
	"time"

	"holdbell/rules"
)

// tells is the goroutine that hands events on, in order. It ends once the Writer is closed and everything
// is told: at the latest a second later.
func (w *Writer) tells() {
	for {
		events, wait := w.ripe()
		switch {
		case events != nil:
			if w.o.Told != nil {
				w.o.Told(events)
			}
		case wait > 0:
			timer := time.NewTimer(wait)
			select {
			case <-timer.C:
			case <-w.tell:
			}
			timer.Stop()
		default:
			select {
			case <-w.tell:
			case <-w.stop:
				if w.nothingUntold() {
					return
				}
			}
		}
	}
}

func (w *Writer) nothingUntold() bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return len(w.untold) == 0
}

// ripe takes the oldest round that can be told: durable, or due. Otherwise it says how long until the
// oldest is due, 0 when there is none.
func (w *Writer) ripe() (events []rules.Event, wait time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if len(w.untold) == 0 {
		return nil, 0
	}
	t := w.untold[0]
	if wait := time.Until(t.due); !t.durable && wait > 0 {
		return nil, wait
	}
	w.untold = slices.Delete(w.untold, 0, 1)
	if !t.durable {
		// The commit that is still to come records them so, too.
		for i := range t.events {
			t.events[i].Unrecorded = true
		}
	}
	return slices.Clone(t.events), 0
}

// copies is the goroutine that writes the snapshot apart from the ledger: with every event and mark, else
// every ten minutes, as snapshots are taken. Close writes the last one.
func (w *Writer) copies() {
	for {
		c, wait := w.ripeCopy()
		if c != nil {
			w.copy(c)
			continue
		}
		timer := time.NewTimer(wait)
		select {
		case <-timer.C:
		case <-w.copied:
		case <-w.stop:
			timer.Stop()
			return
		}
		timer.Stop()
	}
}

// ripeCopy takes the newest snapshot when its copy is due, or says how long until that is to be asked
// again. A copy that is ahead of the ledger is what a restart goes on from, and events in it that were
// neither recorded nor told would be lost: it waits until the ledger has it, or has clearly stalled.
func (w *Writer) ripeCopy() (*Copy, time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.saved == nil {
		return nil, snapEvery
	}
	if w.saved.Sweep > w.durable {
		if left := commitSlow - time.Since(w.savedAt); left > 0 || len(w.untold) > 0 {
			return nil, max(left, tellAnyway)
		}
	}
	return w.takeCopy(), 0
}

// takeCopy takes the newest snapshot, nil when there is none. w.mu is held.
func (w *Writer) takeCopy() *Copy {
	c := w.saved
	if head := w.store.Head(); c != nil && c.Ledger != "" && head.Ledger == c.Ledger {
		c.Links, c.Hash = head.Links, head.Hash
	}
	w.saved = nil
	return c
}

// copy writes c. It is called by one goroutine at a time.
func (w *Writer) copy(c *Copy) {
	err := SaveCopy(w.o.CopyPath, *c)
	switch {
	case err != nil && !w.copyFail:
		w.o.Log.Error("the copy of the rules' memory cannot be written", "err", err)
	case err == nil && w.copyFail:
		w.o.Log.Info("the copy of the rules' memory is written again")
	}
	w.copyFail = err != nil
}
