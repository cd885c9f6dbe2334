package ledger

import (
	"context"
	"fmt"
	"time"
)

// The keeper's times.
const (
	tidyEvery       = 10 * time.Minute
	tidyPause       = 50 * time.Millisecond // between two steps: a commit goes first
	checkpointEvery = time.Hour
)

// keeps is the goroutine that thins what is old and keeps the write-ahead log short, in small steps between the
// commits, until the Writer is closed. What fails is tried again at the next turn.
func (w *Writer) keeps() {
	ctx, failed := context.Background(), false
	checked := time.Now()
	for more := false; ; {
		wait := tidyEvery
		if more {
			wait = tidyPause
		}
		timer := time.NewTimer(wait)
		select {
		case <-timer.C:
		case <-w.stop:
			timer.Stop()
			return
		}
		if !w.store.opened() {
			more = false
			continue
		}
		var err error
		more, err = w.store.tidy(ctx, w.o.Keep)
		if err == nil && time.Since(checked) >= checkpointEvery {
			checked = time.Now()
			err = w.store.checkpoint(ctx)
		}
		if err != nil && !failed {
			w.o.Log.Warn("old readings cannot be thinned; they stay as they are", "err", err)
		}
		if failed = err != nil; failed {
			more = false // a disk that fails is not asked again at once
		}
		if !more {
			w.measure(ctx)
		}
	}
}

// measure looks what the record takes, for Usage.
func (w *Writer) measure(ctx context.Context) {
	u, err := w.store.Usage(ctx)
	if err != nil {
		return // the next commit says what is wrong
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.usage = u
}

// Usage is what the record took a while ago, 10 min at most; zero before it was looked at. It never waits for
// the disk.
func (w *Writer) Usage() Usage {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.usage
}

// look asks the disk whether there is room for history, before a commit. Once there was none, a tenth more than
// the floor ends that, so that it does not flap.
func (w *Writer) look() {
	free, disk, err := w.store.room()
	if err != nil {
		return // the commit says what is wrong
	}
	floor := w.o.Keep.floor(disk)
	w.mu.Lock()
	was := w.low != nil
	if was {
		floor += floor / 10
	}
	if free >= floor {
		w.low = nil
		w.mu.Unlock()
		return
	}
	w.lack(free)
	w.mu.Unlock()
	if !was {
		// What the log holds needs room in the database: now there still is some.
		if err := w.store.checkpoint(context.Background()); err != nil {
			w.o.Log.Warn("the record's log cannot be brought in", "err", err)
		}
	}
}

// lack stops history: readings that wait are given up. Marks, events and the rules' memory, which a restart goes
// on from, are written as long as anything can be. w.mu is held.
func (w *Writer) lack(free int64) {
	w.low = fmt.Errorf("the disk of the record is nearly full, %d MB are free: no readings are kept until there is more room; make room", free/1e6)
	for _, p := range w.queue {
		if !p.tried {
			w.dropped.Sweeps += uint64(len(p.batch.Sweeps))
			p.batch.Sweeps = nil
		}
	}
}
