package publish

import (
	"context"
	"errors"
	"slices"
	"testing"
	"testing/synctest"

	"pgregory.net/rapid"

	"holdbell/rules"
)

func seqsOf(events []rules.Event) (seqs []uint64) {
	for _, ev := range events {
		seqs = append(seqs, ev.Seq)
	}
	return seqs
}

func TestTailJoinsMemoryAndRecord(t *testing.T) {
	for _, c := range []struct {
		name       string
		record     []uint64 // Seqs in the record
		begin, end uint64   // events after begin up to end were added to a tail of 4
		after      uint64
		max        int
		want       []uint64
		lost       uint64
		skip       []uint64 // without the record
		skipLost   uint64
	}{
		{name: "in memory", end: 6, after: 3, max: 10, want: upTo(4, 6), skip: upTo(4, 6)},
		{name: "in memory, bounded", end: 6, after: 2, max: 2, want: upTo(3, 4), skip: upTo(3, 4)},
		{name: "in the record", record: upTo(1, 20), end: 20, after: 5, max: 3, want: upTo(6, 8), skip: upTo(17, 19), skipLost: 11},
		{name: "from before the run", record: upTo(1, 9), begin: 9, end: 9, after: 2, max: 99, want: upTo(3, 9), skipLost: 7},
		{name: "a hole before what memory holds", record: upTo(1, 3), end: 10, after: 3, max: 99, want: upTo(7, 10), lost: 3, skip: upTo(7, 10), skipLost: 3},
		{name: "the record has the older part only", record: upTo(1, 3), end: 10, after: 1, max: 99, want: upTo(2, 3), skip: upTo(7, 10), skipLost: 5},
		{name: "a hole in the record", record: []uint64{1, 2, 5}, end: 12, after: 0, max: 99, want: upTo(1, 2), skip: upTo(9, 12), skipLost: 8},
		{name: "the record is ahead of memory's hole", record: []uint64{9, 10}, end: 10, after: 2, max: 99, want: upTo(7, 10), lost: 4, skip: upTo(7, 10), skipLost: 4},
		{name: "nothing anywhere", begin: 9, end: 9, after: 4, max: 99, lost: 5, skipLost: 5},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := newShelf("a", 0)
			for _, seq := range c.record {
				s.events = append(s.events, rules.Event{Seq: seq})
			}
			tail := NewTail(4, c.begin, s)
			tail.Add(eventsFrom(c.begin+1, c.end))
			if tail.Begin() != c.begin || tail.End() != c.end {
				t.Errorf("from %d to %d, want %d to %d", tail.Begin(), tail.End(), c.begin, c.end)
			}
			events, lost, err := tail.Next(t.Context(), c.after, c.max)
			if err != nil || lost != c.lost || !slices.Equal(seqsOf(events), c.want) {
				t.Errorf("Next gives %v, %d lost, %v; want %v, %d lost", seqsOf(events), lost, err, c.want, c.lost)
			}
			if events, lost = tail.Skip(c.after, c.max); lost != c.skipLost || !slices.Equal(seqsOf(events), c.skip) {
				t.Errorf("Skip gives %v, %d lost; want %v, %d lost", seqsOf(events), lost, c.skip, c.skipLost)
			}
		})
	}
}

func TestTailWakesItsReaders(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		tail := NewTail(0, 7, nil)
		got := make(chan []uint64, 2)
		for range 2 {
			go func() {
				events, _, _ := tail.Next(t.Context(), 7, 9)
				got <- seqsOf(events)
			}()
		}
		synctest.Wait()
		tail.Add(eventsFrom(5, 7)) // nothing new
		synctest.Wait()
		if len(got) != 0 {
			t.Error("old events woke a reader")
		}
		tail.Add(eventsFrom(6, 8))
		for range 2 {
			if seqs := <-got; !slices.Equal(seqs, []uint64{8}) {
				t.Errorf("a reader got %v, want 8 alone", seqs)
			}
		}
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		if _, _, err := tail.Next(ctx, 8, 1); !errors.Is(err, context.Canceled) {
			t.Errorf("a cancelled wait gives %v", err)
		}
	})
}

func TestTailTakesAnEventOnce(t *testing.T) {
	tail := NewTail(4, 0, nil)
	tail.Add(eventsFrom(1, 4))
	tail.Add(eventsFrom(3, 4))
	events, lost := tail.Skip(0, 9)
	if !slices.Equal(seqsOf(events), upTo(1, 4)) || lost != 0 {
		t.Errorf("a tail of four has %v and lost %d", seqsOf(events), lost)
	}
}

func TestTailGivesTheRecordsError(t *testing.T) {
	s := newShelf("a", 10)
	s.err = errDown
	if _, _, err := NewTail(0, 10, s).Next(t.Context(), 0, 1); !errors.Is(err, errDown) {
		t.Errorf("the error is %v", err)
	}
}

// TestTailLosesNothingThatSomebodyHas walks a tail from a random place with a random record behind it:
// every event that either of them holds comes once, in order, and the rest is counted.
func TestTailLosesNothingThatSomebodyHas(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		end := rapid.Uint64Range(1, 60).Draw(t, "end")
		size := rapid.IntRange(1, 20).Draw(t, "size")
		s := newShelf("a", 0)
		for seq := range end {
			if rapid.Bool().Draw(t, "recorded") {
				s.events = append(s.events, rules.Event{Seq: seq + 1})
			}
		}
		tail := NewTail(size, 0, s)
		tail.Add(eventsFrom(1, end))
		at := rapid.Uint64Range(0, end-1).Draw(t, "at")
		var want, got []uint64
		for seq := at + 1; seq <= end; seq++ {
			held := seq+uint64(size) > end
			if held || slices.ContainsFunc(s.events, func(ev rules.Event) bool { return ev.Seq == seq }) {
				want = append(want, seq)
			}
		}
		missing := end - at - uint64(len(want))
		var lost uint64
		for at < end {
			events, l, err := tail.Next(context.Background(), at, rapid.IntRange(1, 9).Draw(t, "max"))
			if err != nil || len(events) == 0 && l == 0 {
				t.Fatalf("at %d: %v, nothing given", at, err)
			}
			lost += l
			at += l
			for _, ev := range events {
				if ev.Seq != at+1 {
					t.Fatalf("event %d after %d", ev.Seq, at)
				}
				at = ev.Seq
				got = append(got, ev.Seq)
			}
		}
		if !slices.Equal(got, want) || lost != missing {
			t.Fatalf("got %v and %d lost, want %v and %d", got, lost, want, missing)
		}
	})
}
