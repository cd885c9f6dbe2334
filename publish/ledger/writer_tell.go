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

// copies is the goroutine that writes the snapshot apart from the ledger: at once with every event and
// mark and at the end, else every ten minutes. A slow disk delays copies, and the newest replaces those
// that wait.
func (w *Writer) copies() {
	failing := false
	next := time.Now()
	for ending := false; !ending; {
		select {
		case <-w.copied:
		case <-w.stop:
			ending = true
		}
		w.mu.Lock()
		c := w.saved
		due := c != nil && (w.copyNow || ending || !time.Now().Before(next))
		if due {
			w.saved, w.copyNow = nil, false
		}
		w.mu.Unlock()
		if !due {
			continue
		}
		err := SaveCopy(w.o.CopyPath, *c)
		if err != nil && !failing {
			w.o.Log.Error("the copy of the rules' memory cannot be written", "err", err)
		} else if err == nil && failing {
			w.o.Log.Info("the copy of the rules' memory is written again")
		}
		failing = err != nil
		if err == nil {
			next = time.Now().Add(copyEvery)
		}
	}
}
