package ledger

import (
	"context"
	"errors"
	"log/slog"
	"slices"
	"sync"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// The Writer's times and bounds.
const (
	blockQuiet   = 60 * time.Second // a block closes after this while all is well
	blockAlarmed = 10 * time.Second // and after this while an alarm stands
	tellAnyway   = time.Second      // an event waits so long to be durable before it is told all the same
	commitSlow   = 5 * time.Second  // a commit that takes longer is trouble
	newsStands   = time.Minute      // that a file was moved aside is trouble for so long
	snapEvery    = 10 * time.Minute // between two snapshots, and their copies, without an event or a mark
	retryMin     = time.Second      // after a failed commit, doubled up to retryMax
	retryMax     = time.Minute
	reopenAfter  = 3 // failed commits in a row

	maxSweeps = 7200 // waiting: 2 h at 1 Hz, 1 MB with 8 probes
	maxItems  = 8192 // waiting marks, notices and events, some 5 MB: only a record that is gone for months
)

// ErrStalled is Trouble's while a commit does not come back.
var ErrStalled = errors.New("the record stalls: the disk has not answered for 5 s; look at it")

// store is what a Writer needs of a Ledger.
type store interface {
	opened() bool
	ID() string
	Head() Head
	Moved() string
	Reopen() error
	StartAnew() error
	Restore() (*Restored, error)
	Commit(ctx context.Context, b Batch) error
	Usage(ctx context.Context) (Usage, error)
	room() (free, disk int64, err error)
	tidy(ctx context.Context, k Keep) (more bool, err error)
	checkpoint(ctx context.Context) error
	Close() error
}

// WriterOptions are a Writer's surroundings.
type WriterOptions struct {
	// Resumed is what the Engine went on from.
	Resumed Restored
	// CopyPath is where the snapshot is kept apart from the ledger, as SaveCopy does; empty: nowhere.
	CopyPath string
	// Told gets every event once, in order of Seq: when it is durable, or a second after Add and then
	// marked Unrecorded. It must not block. nil: nobody.
	Told func([]rules.Event)
	// Keep says how much history is kept; the zero value keeps all of it while the disk has room.
	Keep Keep
	Log  *slog.Logger // default slog.Default()
}

// Entry is one round of the daemon's loop.
type Entry struct {
	Probes  []string // names, in the order of the readings; not changed afterwards
	Input   rules.Input
	Events  []rules.Event
	Alarmed bool // whether an alarm stands that is more than an advice
	// Snapshot gives the Engine's memory after this round. It is called within Add, and only when a block
	// closes.
	Snapshot func() ([]byte, error)
	// Durable is called once all of this is on the disk, from another goroutine; never when that does not
	// come to pass. It must not block. nil: nobody asks.
	Durable func()
}

// Writer records what the loop decided without ever making it wait. It gathers sweeps into blocks, commits
// them in order in a goroutine of its own, keeps what cannot be written and tries again; it opens the
// ledger where that failed before. The events it holds are told once they are durable or a second has
// passed.
type Writer struct {
	o       WriterOptions
	store   store
	wake    chan struct{} // capacity 1: the queue grew
	kick    chan struct{} // capacity 1: try now, without waiting out the pause
	tell    chan struct{} // capacity 1: something to tell, or told sooner
	copied  chan struct{} // capacity 1: a copy to write
	stop    chan struct{}
	stopped sync.WaitGroup

	anew     bool // the file holds another history: move it aside. Of the committing goroutine alone
	copyFail bool // the latest copy failed. Of the copying goroutine alone

	mu       sync.Mutex
	ledger   string  // the id of the ledger that this run is in; empty: none yet
	number   uint64  // of the newest sweep
	seq      uint64  // of the newest event
	open     *parcel // the block that still grows; nil when there is none
	queue    []*parcel
	busy     bool // queue[0] is being committed, since then
	since    time.Time
	trouble  error
	low      error // the disk has no room for history
	usage    Usage
	news     error // a file was moved aside, at newsAt
	newsAt   time.Time
	idle     []chan struct{} // closed when nothing waits any more
	untold   []*telling
	late     []uint64 // told as unrecorded while their commit was on its way
	durable  uint64   // the sweep of the newest snapshot that is on the disk
	saved    *Copy    // the newest snapshot that is not copied; something waits since savedAt
	savedAt  time.Time
	snapped  time.Time // when the latest snapshot was taken
	ended    bool
	dropped  Dropped
	snapFail bool
}

// Newest is the number of the sweep that was added last, written or not.
func (w *Writer) Newest() uint64 {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.number
}

// Dropped counts what had to be given up while nothing could be written.
type Dropped struct {
	Sweeps uint64
	Items  uint64 // marks, notices and events
}

// parcel is a block on its way to the disk.
type parcel struct {
	batch   Batch // Events are in told
	told    []*telling
	durable []func()
	tried   bool // its outcome may be unknown, so it is not changed any more
}

func (p *parcel) items() int {
	n := len(p.batch.Marks) + len(p.batch.Notices)
	for _, t := range p.told {
		n += len(t.events)
	}
	return n
}

// NewWriter sets a Writer to work on l, which may be open or not yet. Close ends it, and l with it.
func NewWriter(l *Ledger, o WriterOptions) *Writer { return newWriter(l, o) }

func newWriter(s store, o WriterOptions) *Writer {
	if o.Log == nil {
		o.Log = slog.Default()
	}
	w := &Writer{o: o, store: s, number: max(o.Resumed.Sweep, o.Resumed.LastSweep), seq: o.Resumed.LastSeq,
		wake: make(chan struct{}, 1), kick: make(chan struct{}, 1), tell: make(chan struct{}, 1),
		copied: make(chan struct{}, 1), stop: make(chan struct{})}
	w.ledger = s.ID()
	if !s.opened() {
		w.ledger, w.trouble = o.Resumed.Ledger, ErrNotOpen
	}
	w.tellMoved()
	w.stopped.Go(w.commits)
	w.stopped.Go(w.tells)
	w.stopped.Go(w.keeps)
	if o.CopyPath != "" {
		w.stopped.Go(w.copies)
	}
	return w
}

// Add takes one round. It copies what it keeps and never waits. After Close it does nothing.
func (w *Writer) Add(e Entry) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.ended {
		return
	}
	if w.open != nil && !slices.Equal(w.open.batch.Layout, e.Probes) {
		w.shut(nil)
	}
	w.number++
	if w.open == nil {
		w.open = &parcel{batch: Batch{Layout: e.Probes, FirstSweep: w.number}}
	}
	b := &w.open.batch
	b.Sweeps = append(b.Sweeps, sensor.Sweep{At: e.Input.Sweep.At, Readings: slices.Clone(e.Input.Sweep.Readings)})
	for _, m := range e.Input.Marks {
		b.Marks = append(b.Marks, Marked{w.number, m})
	}
	for _, n := range e.Input.Notices {
		b.Notices = append(b.Notices, Noticed{w.number, n})
	}
	if e.Durable != nil {
		w.open.durable = append(w.open.durable, e.Durable)
	}
	if n := len(e.Events); n > 0 {
		w.seq = e.Events[n-1].Seq
		t := &telling{events: slices.Clone(e.Events), due: time.Now().Add(tellAnyway)}
		w.open.told = append(w.open.told, t)
		w.untold = append(w.untold, t)
		signal(w.tell)
	}
	urgent := len(e.Events) > 0 || len(e.Input.Marks) > 0
	if urgent || full(b.Sweeps, e.Alarmed) {
		if !urgent && time.Since(w.snapped) < snapEvery {
			e.Snapshot = nil // a restart feeds the minutes since: that spares the card more than half of a quiet day
		}
		w.shut(e.Snapshot)
	}
}

// full reports whether a block has lasted long enough. Within a boot the monotonic clock says so; a new
// boot, or a clock that ran back, ends the block.
func full(sweeps []sensor.Sweep, alarmed bool) bool {
	first, last := sweeps[0].At, sweeps[len(sweeps)-1].At
	limit := blockQuiet
	if alarmed {
		limit = blockAlarmed
	}
	age := last.Mono - first.Mono
	return first.Boot != last.Boot || age < 0 || age >= limit
}

// shut closes the open block and queues it. w.mu is held.
func (w *Writer) shut(snapshot func() ([]byte, error)) {
	p := w.open
	if p == nil {
		return
	}
	w.open = nil
	w.snap(p, snapshot)
	w.queue = append(w.queue, p)
	w.bound()
	signal(w.wake)
}

// snap takes the Engine's memory into p. A failure leaves the one before: a restart then feeds the sweeps
// since.
func (w *Writer) snap(p *parcel, snapshot func() ([]byte, error)) {
	if snapshot == nil {
		return
	}
	data, err := snapshot()
	if err != nil {
		if !w.snapFail {
			w.o.Log.Error("the rules' memory cannot be written down; the record keeps the one before", "err", err)
		}
		w.snapFail = true
		return
	}
	w.snapFail, w.snapped = false, time.Now()
	p.batch.Snapshot, p.batch.SnapshotSweep = data, w.number
	// Only the newest is worth its memory.
	for _, q := range w.queue {
		if !q.tried {
			q.batch.Snapshot = nil
		}
	}
	if w.saved == nil {
		w.savedAt = time.Now()
	}
	w.saved = &Copy{Ledger: w.ledger, Sweep: w.number, LastSeq: w.seq, Snapshot: data}
	signal(w.copied)
}

// bound gives up the oldest readings when too much waits; marks and events only where the record has been
// gone for so long that they would fill the memory.
func (w *Writer) bound() {
	sweeps, items := 0, 0
	for _, p := range w.queue {
		sweeps += len(p.batch.Sweeps)
		items += p.items()
	}
	for _, p := range w.queue {
		if p.tried {
			continue
		}
		if sweeps > maxSweeps {
			sweeps -= len(p.batch.Sweeps)
			w.dropped.Sweeps += uint64(len(p.batch.Sweeps))
			p.batch.Sweeps = nil
		}
		if items > maxItems {
			items -= p.items()
			w.dropped.Items += uint64(p.items())
			p.batch.Marks, p.batch.Notices, p.told, p.durable = nil, nil, nil, nil
		}
	}
	w.queue = slices.DeleteFunc(w.queue, func(p *parcel) bool {
		return !p.tried && len(p.batch.Sweeps) == 0 && p.items() == 0 && p.batch.Snapshot == nil
	})
}

// Trouble is why nothing can be written at present, or that a damaged file was moved aside a moment ago;
// nil while all is well. It never waits for the disk.
func (w *Writer) Trouble() error {
	w.mu.Lock()
	defer w.mu.Unlock()
	switch {
	case w.trouble != nil:
		return w.trouble
	case w.busy && time.Since(w.since) > commitSlow:
		return ErrStalled
	case w.low != nil:
		return w.low
	case w.news != nil && time.Since(w.newsAt) < newsStands:
		return w.news
	}
	return nil
}

// Dropped counts what was given up so far.
func (w *Writer) Dropped() Dropped {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.dropped
}

// Flush closes the open block with the Engine's memory (nil: without), tries at once what waits, and
// returns when everything is durable or ctx ends.
func (w *Writer) Flush(ctx context.Context, snapshot func() ([]byte, error)) error {
	w.mu.Lock()
	w.shut(snapshot)
	done := make(chan struct{})
	w.idle = append(w.idle, done)
	w.mu.Unlock()
	signal(w.wake)
	signal(w.kick)
	select {
	case <-done:
		return nil
	case <-ctx.Done():
		return errors.Join(ctx.Err(), w.Trouble())
	}
}

// Close closes the open block with the Engine's memory (nil: without), tries what waits, with the ledger
// opened again where that fails, tells what is not told, and closes the ledger. It returns when that is done or ctx ends; the error says what
// was not recorded. A second Close does nothing.
func (w *Writer) Close(ctx context.Context, snapshot func() ([]byte, error)) error {
	w.mu.Lock()
	if w.ended {
		w.mu.Unlock()
		return nil
	}
	w.shut(snapshot)
	w.ended = true
	w.mu.Unlock()
	close(w.stop)
	done := make(chan error, 1)
	go func() {
		w.stopped.Wait()
		if c := w.lastCopy(); c != nil {
			w.copy(c)
		}
		done <- errors.Join(w.unwritten(), w.store.Close())
	}()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
		return errors.Join(ctx.Err(), w.Trouble())
	}
}

func (w *Writer) lastCopy() *Copy {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.o.CopyPath == "" {
		return nil
	}
	return w.takeCopy()
}

// signal wakes whoever listens at c, now or at his next look.
func signal(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}
