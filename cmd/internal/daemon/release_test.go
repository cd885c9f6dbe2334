package daemon

import (
	"context"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"holdbell/rules"
)

func TestReleaseWaitsForTheRecordOrASecond(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		start := time.Now()
		type told struct {
			seq        uint64
			after      time.Duration
			unrecorded bool
		}
		var got []told
		r := newRelease(func(events []rules.Event) {
			for _, ev := range events {
				got = append(got, told{ev.Seq, time.Since(start), ev.Unrecorded})
			}
		})
		done := make(chan struct{})
		go func() { r.run(ctx); close(done) }()

		events := []rules.Event{{Seq: 1}, {Seq: 2}}
		first := r.add(events)
		events[0].Seq = 99 // the Engine reuses its slice
		r.add(nil)()
		time.Sleep(200 * time.Millisecond)
		synctest.Wait()
		if len(got) != 0 {
			t.Fatalf("told before it was durable: %v", got)
		}
		first()
		synctest.Wait()

		// The record stalls. The second batch is durable before the first, and is still told after it.
		r.add([]rules.Event{{Seq: 3}})
		time.Sleep(300 * time.Millisecond)
		fourth := r.add([]rules.Event{{Seq: 4}})
		fourth()
		fourth()
		time.Sleep(5 * time.Second)
		synctest.Wait()

		r.add([]rules.Event{{Seq: 5}})
		synctest.Wait()
		cancel()
		<-done
		want := []told{
			{1, 200 * time.Millisecond, false},
			{2, 200 * time.Millisecond, false},
			{3, 1200 * time.Millisecond, true},
			{4, 1200 * time.Millisecond, false},
			{5, 5500 * time.Millisecond, true},
		}
		if !slices.Equal(got, want) {
			t.Errorf("told\n%v, want\n%v", got, want)
		}
	})
}
