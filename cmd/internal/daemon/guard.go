package daemon

import (
	"context"
	"sync/atomic"
	"time"

	"holdbell/publish"
	"holdbell/rules"
)

// stuckAfter is how long one delivery may last before its courier counts as stuck. A courier ends an
// attempt after half a minute; a publisher that does not heed that is beyond help from within.
const stuckAfter = 2 * time.Minute

// guard is a Publisher whose deliveries are timed, so that the watchdog can tell a receiver that is down,
// which is an error and tried again, from a courier that hangs.
type guard struct {
	publish.Publisher
	since atomic.Int64 // start of the delivery under way, in nanoseconds since the guard was made; 0: none
	made  time.Time
}

func newGuard(p publish.Publisher) *guard { return &guard{Publisher: p, made: time.Now()} }

// Deliver implements publish.Publisher.
func (g *guard) Deliver(ctx context.Context, ledger string, ev rules.Event) error {
	g.since.Store(int64(time.Since(g.made)) + 1)
	defer g.since.Store(0)
	return g.Publisher.Deliver(ctx, ledger, ev)
}

// stuck reports whether a delivery has been under way for too long.
func (g *guard) stuck() bool {
	since := g.since.Load()
	return since != 0 && time.Since(g.made)-time.Duration(since) > stuckAfter
}
