package ledger

import (
	"errors"
	"time"
)

// A disk that did not answer is asked so often at a start, with a pause between: history, and minutes of the clocks,
// are worth a second.
const (
	resumeTries = 3
	resumePause = 500 * time.Millisecond
)

// Resume gives what the Engine goes on from: the ledger's snapshot, or the copy's at copyPath (empty: none)
// where that is better. A ledger that is not open, or cannot be read, is opened again before it is given up. The
// copy is better when l then is not open or cannot be read, when l has no snapshot because it was begun
// anew, and when l lacks what the copy has already seen: it had stalled before the stop, or its disk lied.
// What l recorded after Restored.Sweep is had from Inputs.
//
// An error of the one comes with what the other gives; nil when there is neither.
func Resume(l *Ledger, copyPath string) (*Restored, error) {
	r, err := l.Restore()
	for try := 1; err != nil && try < resumeTries; try++ {
		time.Sleep(resumePause)
		if l.Reopen() == nil {
			r, err = l.Restore()
		}
	}
	read := err == nil
	switch {
	case read:
	case errors.Is(err, ErrNotOpen):
		r, err = new(Restored), nil
	case copyPath == "":
		return nil, err
	default:
		r = new(Restored)
	}
	if copyPath == "" {
		return r, nil
	}
	c, missing := LoadCopy(copyPath)
	if missing != nil {
		if err != nil {
			r = nil
		}
		return r, errors.Join(err, missing)
	}
	ahead := c.Ledger == r.Ledger && c.Sweep > max(r.Sweep, r.LastSweep)
	if !read || r.Snapshot == nil || ahead {
		r.Snapshot, r.Sweep, r.LastSeq = c.Snapshot, c.Sweep, max(r.LastSeq, c.LastSeq)
	}
	if !read {
		r.Ledger = c.Ledger
	}
	return r, err
}
