package publish

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"runtime"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"holdbell/rules"
)

// receiver is a publisher whose far end a test breaks and mends.
type receiver struct {
	name string

	mu       sync.Mutex
	got      []uint64
	ledgers  []string
	attempts []time.Time
	fail     func(seq uint64) error
	hang     bool
}

func (r *receiver) Name() string { return r.name }

func (r *receiver) Deliver(ctx context.Context, ledger string, ev rules.Event) error {
	r.mu.Lock()
	r.attempts = append(r.attempts, time.Now())
	hang, fail := r.hang, r.fail
	r.mu.Unlock()
	if hang {
		<-ctx.Done()
		return ctx.Err()
	}
	if fail != nil {
		if err := fail(ev.Seq); err != nil {
			return err
		}
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.got = append(r.got, ev.Seq)
	r.ledgers = append(r.ledgers, ledger)
	return nil
}

func (r *receiver) Show(*rules.State) {}

func (r *receiver) set(f func(r *receiver)) {
	r.mu.Lock()
	defer r.mu.Unlock()
	f(r)
}

func (r *receiver) seqs() []uint64 {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.got)
}

// shelf is a record in memory: events and cursors.
type shelf struct {
	mu      sync.Mutex
	id      string
	events  []rules.Event
	cursors map[string]uint64
	saves   int
	err     error
	stall   chan struct{} // SetCursor waits for it when not nil
}

func newShelf(id string, upTo uint64) *shelf {
	return &shelf{id: id, events: eventsFrom(1, upTo), cursors: map[string]uint64{}}
}

func eventsFrom(from, to uint64) (events []rules.Event) {
	for seq := from; seq <= to; seq++ {
		events = append(events, rules.Event{Seq: seq, Kind: rules.AlarmRaised, Text: fmt.Sprintf("Example %d.", seq)})
	}
	return events
}

func (s *shelf) ID() string { return s.id }

func (s *shelf) Events(_ context.Context, after uint64, max int) (events []rules.Event, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, ev := range s.events {
		if ev.Seq > after && len(events) < max {
			events = append(events, ev)
		}
	}
	return events, s.err
}

func (s *shelf) Cursor(_ context.Context, name string) (uint64, bool, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	seq, ok := s.cursors[name]
	return seq, ok, s.err
}

func (s *shelf) SetCursor(_ context.Context, name string, seq uint64) error {
	s.mu.Lock()
	stall := s.stall
	s.mu.Unlock()
	if stall != nil {
		<-stall
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.err != nil {
		return s.err
	}
	s.cursors[name] = seq
	s.saves++
	return nil
}

func (s *shelf) set(f func(s *shelf)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	f(s)
}

func (s *shelf) cursor(name string) uint64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.cursors[name]
}

var errDown = errors.New("the far end is down")

func down(uint64) error { return errDown }

// halfway makes waits predictable: three quarters of the full one.
func halfway() float64 { return 0.5 }

// start sets a courier to work in the bubble, and gives what ends it.
func start(t *testing.T, p Publisher, log EventLog, cursors Cursors, o CourierOptions) (*Courier, func()) {
	o.Jitter, o.Log = halfway, slog.New(slog.DiscardHandler)
	c := NewCourier(p, log, cursors, o)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() {
		defer close(done)
		c.Run(ctx)
	}()
	synctest.Wait()
	return c, func() { cancel(); <-done }
}

func upTo(from, to uint64) (seqs []uint64) {
	for s := from; s <= to; s++ {
		seqs = append(seqs, s)
	}
	return seqs
}

func wantSeqs(t *testing.T, got, want []uint64) {
	t.Helper()
	if !slices.Equal(got, want) {
		t.Errorf("delivered %v, want %v", got, want)
	}
}

func TestCourierGoesOnAtItsCursor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newShelf("a", 500)
		s.cursors["bell"] = 100
		tail := NewTail(8, 500, s)
		r := &receiver{name: "bell"}
		c, end := start(t, r, tail, s, CourierOptions{})
		tail.Add(eventsFrom(501, 503))
		synctest.Wait()
		wantSeqs(t, r.seqs(), upTo(101, 503))
		if c.Pending() != 0 || c.Lost() != 0 || c.Failures() != 0 || c.LastError() != nil {
			t.Errorf("pending %d, lost %d, failures %d, error %v", c.Pending(), c.Lost(), c.Failures(), c.LastError())
		}
		end()
		if got := s.cursor("bell"); got != 503 {
			t.Errorf("the cursor is %d, want 503", got)
		}
		if slices.ContainsFunc(r.ledgers, func(id string) bool { return id != "a" }) {
			t.Errorf("delivered as of ledgers %v", r.ledgers)
		}
	})
}

func TestCourierWithoutACursorStartsWhereTheRunBegan(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newShelf("a", 40)
		tail := NewTail(0, 40, s)
		// The first alarm of the run comes before the courier has looked at its cursor.
		tail.Add(eventsFrom(41, 42))
		r := &receiver{name: "bell"}
		_, end := start(t, r, tail, s, CourierOptions{})
		wantSeqs(t, r.seqs(), upTo(41, 42))
		end()

		// Its cursor is known from now on; a new ledger has none and begins at 0.
		if got := s.cursor("bell"); got != 42 {
			t.Errorf("the cursor is %d, want 42", got)
		}
		fresh := newShelf("b", 0)
		tail = NewTail(0, 0, fresh)
		tail.Add(eventsFrom(1, 3))
		r = &receiver{name: "bell"}
		_, end = start(t, r, tail, fresh, CourierOptions{})
		end()
		wantSeqs(t, r.seqs(), upTo(1, 3))
		if r.ledgers[0] != "b" {
			t.Errorf("delivered as of ledger %q, want b", r.ledgers[0])
		}
	})
}

func TestCourierWithACursorBeyondTheEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		// Events 6 to 9 were told while nothing could be written, and went with the power. Their numbers
		// are given again, to other events.
		s := newShelf("a", 5)
		s.cursors["bell"] = 9
		tail := NewTail(0, 5, s)
		r := &receiver{name: "bell"}
		_, end := start(t, r, tail, s, CourierOptions{})
		tail.Add(eventsFrom(6, 7))
		synctest.Wait()
		end()
		wantSeqs(t, r.seqs(), upTo(6, 7))
	})
}

func TestCourierKeepsACursorOfZeroEvents(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		// A new publisher that is down for the whole of its first run misses nothing in the second.
		s := newShelf("a", 10)
		tail := NewTail(0, 10, s)
		r := &receiver{name: "bell", fail: down}
		_, end := start(t, r, tail, s, CourierOptions{})
		s.set(func(s *shelf) { s.events = append(s.events, eventsFrom(11, 12)...) })
		tail.Add(eventsFrom(11, 12))
		time.Sleep(time.Minute)
		end()
		r = &receiver{name: "bell"}
		_, end = start(t, r, NewTail(0, 12, s), s, CourierOptions{})
		end()
		wantSeqs(t, r.seqs(), upTo(11, 12))
	})
}

func TestCourierBacksOff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newShelf("a", 0)
		tail := NewTail(0, 0, s)
		r := &receiver{name: "bell", fail: down}
		c, end := start(t, r, tail, s, CourierOptions{})
		tail.Add(eventsFrom(1, 2))
		time.Sleep(10 * time.Minute)
		synctest.Wait()
		// 1, 2, 4 … 60 s, each three quarters.
		want := []time.Duration{750, 1500, 3000, 6000, 12000, 24000, 45000, 45000}
		for i, w := range want {
			if got := r.attempts[i+1].Sub(r.attempts[i]); got != w*time.Millisecond {
				t.Errorf("pause %d is %v, want %v", i, got, w*time.Millisecond)
			}
		}
		if c.Pending() != 2 || !errors.Is(c.LastError(), errDown) || c.Failures() != uint64(len(r.attempts)) {
			t.Errorf("pending %d, error %v, %d failures of %d attempts", c.Pending(), c.LastError(), c.Failures(), len(r.attempts))
		}
		r.set(func(r *receiver) { r.fail = nil })
		time.Sleep(time.Minute)
		synctest.Wait()
		wantSeqs(t, r.seqs(), upTo(1, 2))
		if c.LastError() != nil || c.Pending() != 0 {
			t.Errorf("after the mending: pending %d, error %v", c.Pending(), c.LastError())
		}
		end()
	})
}

func TestCourierPassesOverWhatIsRefused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newShelf("a", 0)
		tail := NewTail(0, 0, s)
		r := &receiver{name: "bell", fail: func(seq uint64) error {
			switch seq {
			case 2:
				return Permanent(fmt.Errorf("event 2: %w", errDown))
			case 3:
				panic("event 3 is beyond me")
			}
			return nil
		}}
		c, end := start(t, r, tail, s, CourierOptions{})
		tail.Add(eventsFrom(1, 4))
		synctest.Wait()
		wantSeqs(t, r.seqs(), []uint64{1, 4})
		r.set(func(r *receiver) { r.fail = func(uint64) error { return Permanent(errDown) } })
		tail.Add(eventsFrom(5, 5))
		synctest.Wait()
		if c.Refused() != 3 || c.Failures() != 0 || c.Pending() != 0 || c.LastError() != nil {
			t.Errorf("%d refused, %d failures, %d pending, error %v; want 3, none, none, nil", c.Refused(), c.Failures(), c.Pending(), c.LastError())
		}
		end()
		if got := s.cursor("bell"); got != 5 {
			t.Errorf("the cursor is %d, want 5: what was refused is dealt with", got)
		}
	})
}

func TestCourierEndsAnAttemptThatHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newShelf("a", 0)
		tail := NewTail(0, 0, s)
		r := &receiver{name: "bell", hang: true}
		c, end := start(t, r, tail, s, CourierOptions{Attempt: 5 * time.Second})
		tail.Add(eventsFrom(1, 1))
		time.Sleep(5*time.Second + time.Millisecond)
		synctest.Wait()
		if !errors.Is(c.LastError(), context.DeadlineExceeded) {
			t.Errorf("after the attempt's deadline the error is %v", c.LastError())
		}
		r.set(func(r *receiver) { r.hang = false })
		time.Sleep(time.Second)
		wantSeqs(t, r.seqs(), upTo(1, 1))
		end()
	})
}

func TestCourierEndsWhileThePublisherHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newShelf("a", 0)
		tail := NewTail(0, 0, s)
		c, end := start(t, &receiver{name: "bell", hang: true}, tail, s, CourierOptions{})
		tail.Add(eventsFrom(1, 1))
		synctest.Wait()
		end()
		if c.Failures() != 0 {
			t.Errorf("the end of the daemon counts as %d failures", c.Failures())
		}
		if got := s.cursor("bell"); got != 0 {
			t.Errorf("the cursor is %d, want 0: nothing was delivered", got)
		}
	})
}

func TestAStalledRecordHoldsNoDeliveryUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newShelf("a", 0)
		tail := NewTail(0, 0, s)
		s.stall = make(chan struct{})
		r := &receiver{name: "bell"}
		_, end := start(t, r, tail, s, CourierOptions{})
		for seq := range uint64(20) {
			tail.Add(eventsFrom(seq+1, seq+1))
			time.Sleep(time.Second)
		}
		wantSeqs(t, r.seqs(), upTo(1, 20))
		begun := time.Now()
		end()
		if d := time.Since(begun); d != saveLast {
			t.Errorf("the end waited %v for the stalled record, want %v", d, saveLast)
		}
		close(s.stall)
		synctest.Wait()
		if got := s.cursor("bell"); got != 20 {
			t.Errorf("when the record returns the cursor is %d, want 20", got)
		}
	})
}

func TestCursorsAreSavedTogether(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newShelf("a", 0)
		tail := NewTail(0, 0, s)
		_, end := start(t, &receiver{name: "bell"}, tail, s, CourierOptions{})
		time.Sleep(10 * time.Second)
		s.set(func(s *shelf) { s.saves = 0 })
		tail.Add(eventsFrom(1, 200))
		time.Sleep(10 * time.Second)
		synctest.Wait()
		if s.saves > 2 || s.cursor("bell") != 200 {
			t.Errorf("a burst of 200 events made %d saves, up to %d", s.saves, s.cursor("bell"))
		}
		// A record that fails is asked again until it takes the cursor.
		s.set(func(s *shelf) { s.err = errDown })
		tail.Add(eventsFrom(201, 201))
		time.Sleep(time.Minute)
		s.set(func(s *shelf) { s.err = nil })
		time.Sleep(saveEvery)
		synctest.Wait()
		if got := s.cursor("bell"); got != 201 {
			t.Errorf("after the record returned the cursor is %d, want 201", got)
		}
		end()
	})
}

func TestALostRecordIsCountedAndPassed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newShelf("a", 0)
		tail := NewTail(4, 0, s)
		r := &receiver{name: "bell", fail: down}
		c, end := start(t, r, tail, s, CourierOptions{})
		s.set(func(s *shelf) { s.err = errors.New("the disk is gone") })
		tail.Add(eventsFrom(1, 40))
		synctest.Wait()
		// It holds events 1 to 4 at best; what lies before the tail's last four is gone with the disk.
		r.set(func(r *receiver) { r.fail = nil })
		time.Sleep(5 * time.Minute)
		got := r.seqs()
		if len(got) < 4 || !slices.Equal(got[len(got)-4:], upTo(37, 40)) || !slices.IsSorted(got) {
			t.Errorf("delivered %v, want the last four at the end", got)
		}
		if want := uint64(40 - len(got)); c.Lost() != want || c.Pending() != 0 {
			t.Errorf("lost %d of 40 with %d delivered, %d pending", c.Lost(), len(got), c.Pending())
		}
		end()
	})
}

func TestMemoryStaysFlatWhileThePublisherIsDown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		tail := NewTail(64, 0, nil)
		r := &receiver{name: "bell", fail: down}
		c, end := start(t, r, tail, newShelf("a", 0), CourierOptions{})
		heap := func() uint64 {
			var m runtime.MemStats
			runtime.GC()
			runtime.ReadMemStats(&m)
			return m.HeapAlloc
		}
		seq := uint64(0)
		add := func(n int) {
			for range n {
				seq++
				tail.Add(eventsFrom(seq, seq))
			}
		}
		add(1000)
		before := heap()
		add(50_000)
		if after := heap(); after > before+256<<10 {
			t.Errorf("50,000 events more made the heap grow from %d to %d bytes", before, after)
		}
		if c.Pending()+c.Lost() != seq {
			t.Errorf("%d pending and %d lost of %d", c.Pending(), c.Lost(), seq)
		}
		end()
	})
}
