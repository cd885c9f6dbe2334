package remotewrite

import (
	"context"
	"time"

	"holdbell/publish/ledger"
	"holdbell/sensor"
)

// The backlog's times.
const (
	lookEvery  = 10 * time.Second // at the record, while nothing waits: a block is closed every minute, or sooner
	lookClosed = time.Second      // whether the receiver answers again
	// saveEvery is how often the cursor is saved: after a crash the sweeps since go out twice, which is harmless, and
	// the card is spared.
	saveEvery = 5 * time.Minute
)

// backlog is how far the record has been sent.
type backlog struct {
	ledger  string // whose numbers these are
	after   uint64 // up to here everything is dealt with
	saved   uint64
	savedAt time.Time
	known   bool // saved is what the ledger has

	stretch *ledger.Stretch // what is being sent
	i       int             // the next of its sweeps
	rows    rows
	free    time.Time // when the rate allows the next samples
}

// begin waits a while by chance, and finds where to go on; false when ctx ends before.
func (w *Writer) begin(ctx context.Context) bool {
	w.find(ctx)
	return pause(ctx, w.chance())
}

// chance is a part of Jitter.
func (w *Writer) chance() time.Duration { return time.Duration(w.o.Rand() * float64(w.o.Jitter)) }

// find reads the cursor. Without one there is no history to send: it is set to where this run began.
func (w *Writer) find(ctx context.Context) {
	b := &w.backlog
	seq, found, err := w.o.Record.Cursor(ctx, Name)
	if err != nil {
		w.o.Log.Warn("remote write: the record does not say how far the receiver is; it goes on with what is new", "err", err)
	}
	b.ledger = w.o.Record.ID()
	b.after, b.known = w.o.Newest(), false
	if err == nil && found {
		// A number past the end was given before the power went; it will be given again.
		b.after, b.saved, b.known = min(seq, b.after), seq, true
	}
	w.save(ctx)
}

// follow sends what the record has and the receiver has not, until ctx ends.
func (w *Writer) follow(ctx context.Context) {
	spread := true // the next backlog begins after a while by chance
	for {
		samples, upTo, left := w.collect(ctx)
		if len(samples) == 0 {
			w.dealt(upTo, left)
			spread = true
			w.saveSometimes(ctx)
			if !pause(ctx, lookEvery) {
				return
			}
			continue
		}
		if spread && !(w.untilHealthy(ctx) && pause(ctx, w.chance())) {
			return
		}
		spread = false
		if !w.late.push(ctx, samples) {
			return
		}
		w.dealt(upTo, left)
		w.saveSometimes(ctx)
	}
}

// dealt notes that everything up to a sweep is dealt with.
func (w *Writer) dealt(upTo uint64, left undone) {
	w.backlog.after = upTo
	w.o.Recent.add(func(c *Counts) { c.Undated += left.undated; c.Gone += left.gone })
	w.o.Recent.forget(left.at)
}

// settle passes over what the receiver got live, up to what it still lacks: after a clean stop nothing goes out twice.
func (w *Writer) settle(ctx context.Context) {
	w.backlog.stretch = nil // follow may have been stopped on its way
	if samples, upTo, left := w.collect(ctx); len(samples) == 0 {
		w.dealt(upTo, left)
	}
	w.save(ctx)
}

// undone counts samples that nobody sends, up to a sweep.
type undone struct {
	undated, gone uint64
	at            sensor.Instant
}

// collect gathers the next samples of the backlog, and the number of the last sweep that is dealt with once they are.
// It stops at a sweep that goes out live yet, or whose time may yet be known.
func (w *Writer) collect(ctx context.Context) (samples []sample, upTo uint64, left undone) {
	b := &w.backlog
	upTo = b.after
	if id := w.o.Record.ID(); id != b.ledger {
		// Another record was begun: all that is in it was recorded since.
		b.ledger, b.after, b.known, b.stretch, upTo = id, 0, false, nil, 0
	}
	most := min(mostAtOnce, max(1, w.o.BacklogRate))
	var oldest *sensor.Instant
	defer func() { w.oldest.Store(oldest) }()
	for {
		if b.stretch == nil || b.i == len(b.stretch.Sweeps) {
			if b.stretch != nil {
				upTo = max(upTo, b.stretch.Last)
			}
			next, err := w.o.Record.Stretch(ctx, upTo)
			if err != nil && ctx.Err() == nil {
				w.rare.Warn("remote write: the record cannot be read; its readings follow once it can be", "err", err)
			}
			if b.stretch, b.i = next, 0; next == nil {
				return samples, upTo, left
			}
		}
		s := &b.stretch.Sweeps[b.i]
		stands := w.o.Recent.standing(s.At)
		if stands == waiting {
			return samples, upTo, left
		}
		if stands == held {
			if oldest == nil {
				oldest = &s.At
			}
			b.stretch = nil // it is read anew, with the time that may be known by then
			return samples, upTo, left
		}
		switch stands {
		case sent:
			b.rows.see(b.stretch.Probes, s)
		case undated:
			b.rows.see(b.stretch.Probes, s)
			left.undated += 2 * uint64(len(s.Readings))
		default:
			var gone uint64
			samples, gone = b.rows.samples(samples, b.stretch.Probes, s)
			left.gone += 2 * gone
			if oldest == nil {
				at := s.At
				oldest = &at
			}
		}
		upTo, left.at = b.stretch.Numbers[b.i], s.At
		b.i++
		if len(samples) >= most {
			return samples, upTo, left
		}
	}
}

// mayFollow waits until n samples of the backlog may go: live readings get through, and the rate allows it.
func (w *Writer) mayFollow(ctx context.Context, n int) bool {
	if !w.untilHealthy(ctx) {
		return false
	}
	b := &w.backlog
	if wait := time.Until(b.free); wait > 0 && !pause(ctx, wait) {
		return false
	}
	b.free = time.Now().Add(time.Duration(float64(n) / float64(w.o.BacklogRate) * float64(time.Second)))
	return true
}

// untilHealthy waits until live readings get through.
func (w *Writer) untilHealthy(ctx context.Context) bool {
	for !w.healthy.Load() {
		if !pause(ctx, lookClosed) {
			return false
		}
	}
	return true
}

func (w *Writer) saveSometimes(ctx context.Context) {
	if time.Since(w.backlog.savedAt) >= saveEvery {
		w.save(ctx)
	}
}

// save keeps how far the record has been sent.
func (w *Writer) save(ctx context.Context) {
	b := &w.backlog
	if b.known && b.saved == b.after {
		return
	}
	b.savedAt = time.Now()
	if err := w.o.Record.SetCursor(context.WithoutCancel(ctx), Name, b.after); err != nil {
		w.rare.Warn("remote write: how far the receiver is cannot be recorded; after a restart it may get readings twice", "err", err)
		return
	}
	b.saved, b.known = b.after, true
}
