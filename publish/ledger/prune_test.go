package ledger

import (
	"context"
	"fmt"
	"testing"
	"time"

	"holdbell/rules"
)

func noticeOf(number int) rules.Notice { return rules.Notice{At: at(number), Kind: rules.LedgerFine} }

func inputOf(number int) rules.Input { return rules.Input{Sweep: sweep(number, 2)} }

// What goes by age goes with its links; the rest is still sound, says what went, and takes new entries.
func TestPrune(t *testing.T) {
	l := begin(t)
	fill := func(from, to int) {
		for i := from; i <= to; i++ {
			commit(t, l, Batch{Layout: twoProbes, FirstSweep: uint64(i), Sweeps: sweepsFrom(i, 1, 2), Events: eventsFrom(i, 1),
				Marks: []Marked{{uint64(i), mark(i, fmt.Sprint(i))}}, Notices: []Noticed{{uint64(i), noticeOf(i)}}})
		}
	}
	prune := func(before time.Time) {
		t.Helper()
		for more := true; more; {
			var err error
			more, err = l.Prune(context.Background(), before)
			must(t, err)
		}
	}
	fill(1, 20)
	early := l.Head()
	fill(21, 30)
	must(t, l.thinAway(1, 3))
	prune(at(1).Wall) // nothing is older
	if n := len(events(t, l)); n != 30 {
		t.Fatalf("%d events are left of 30", n)
	}
	for round, c := range []struct{ from, thinned int }{{11, 0}, {21, 0}} {
		prune(at(c.from).Wall)
		v := verified(t, l.path, VerifyOptions{Held: early.Hash[:]})
		got := events(t, l)
		if v.Break != nil || v.Pruned != uint64(1+4*(c.from-1)) || v.PrunedAt.IsZero() || len(got) != 31-c.from || got[0].Seq != uint64(c.from) || v.Head != l.Head() {
			t.Errorf("round %d: %+v, break %+v, %d events", round, v, v.Break, len(got))
		}
		// The head of then is the last link that goes in the second round: it still can be told.
		if !v.Held.Found || v.Held.Link != early.Links {
			t.Errorf("round %d: the head of then: %+v", round, v.Held)
		}
	}
	fill(31, 31)
	prune(at(1000).Wall)
	if got := events(t, l); len(got) != 1 || got[0].Seq != 31 || restore(t, l).LastSeq != 31 {
		t.Errorf("the newest event is to stay: %d are left", len(got))
	}
	must(t, l.Close())
	for name, s := range map[string]string{
		"the row":            `UPDATE pruned SET link = x'` + fmt.Sprintf("%x", make([]byte, 32)) + `'`,
		"its time":           `UPDATE pruned SET wall = wall + 1`,
		"another than stood": `UPDATE pruned SET n = n - 1`,
	} {
		b := bytesOf(t, l.path)
		if v := tampered(t, b, VerifyOptions{}, s); v.Break == nil {
			t.Errorf("%s altered: nothing is found", name)
		}
	}
}

// A wall clock that stepped back does not take newer events with it, and a step is bounded.
func TestPruneOrder(t *testing.T) {
	l := beginAt(t, fastDir(t)+"/ledger.db")
	evs := eventsFrom(1, 5)
	evs[1].At.Wall = at(1000).Wall
	commit(t, l, Batch{Events: evs})
	more, err := l.Prune(context.Background(), at(500).Wall)
	if got := events(t, l); err != nil || more || len(got) != 4 || got[0].Seq != 2 {
		t.Errorf("%d events are left, %v %v", len(got), more, err)
	}
	commit(t, l, Batch{Events: eventsFrom(6, pruneLinks)})
	steps := 0
	for more = true; more; steps++ {
		more, err = l.Prune(context.Background(), at(100000).Wall)
		must(t, err)
	}
	if got := events(t, l); steps < 2 || len(got) != 1 {
		t.Errorf("%d steps leave %d events", steps, len(got))
	}
	if v := verified(t, l.path, VerifyOptions{}); v.Break != nil {
		t.Errorf("%+v", v.Break)
	}
}
