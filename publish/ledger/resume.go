package ledger

import "errors"

// Resume gives what the Engine goes on from: the ledger's snapshot, or the copy's at copyPath (empty: none)
// where that is better. The copy is better when l is not open, when l has no snapshot because it was begun
// anew, and when l lacks what the copy has already seen: it had stalled before the stop, or its disk lied.
// What l recorded after Restored.Sweep is had from Inputs.
//
// An error of the copy comes with what the ledger alone gives. An error of the ledger comes with nil.
func Resume(l *Ledger, copyPath string) (*Restored, error) {
	r, err := l.Restore()
	open := err == nil
	if errors.Is(err, ErrNotOpen) {
		r = new(Restored)
	} else if err != nil {
		return nil, err
	}
	if copyPath == "" {
		return r, nil
	}
	c, err := LoadCopy(copyPath)
	if err != nil {
		return r, err
	}
	ahead := c.Ledger == r.Ledger && c.Sweep > max(r.Sweep, r.LastSweep)
	if !open || r.Snapshot == nil || ahead {
		r.Snapshot, r.Sweep, r.LastSeq = c.Snapshot, c.Sweep, max(r.LastSeq, c.LastSeq)
	}
	if !open {
		r.Ledger = c.Ledger
	}
	return r, nil
}
