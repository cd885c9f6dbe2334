package daemon

import (
	"context"
	"sync/atomic"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
	"holdbell/sensor/sysfs"
)

// supplyPeriod is how often the kernel is asked for the board's supply: it looks itself every two seconds, and a
// probe's fault is told after five.
const supplyPeriod = 3 * time.Second

// supply is the board's own supply as it was last seen. It is asked apart from the loop: a firmware that does not
// answer holds nothing up.
type supply struct {
	read func() sysfs.Supply // nil: nobody can say
	last atomic.Uint32       // a sysfs.Supply and one more; 0 before the first look
	told sysfs.Supply
	any  bool
}

// run looks until ctx ends.
func (s *supply) run(ctx context.Context) {
	if s.read == nil {
		return
	}
	tick := time.NewTicker(supplyPeriod)
	defer tick.Stop()
	for {
		s.last.Store(uint32(s.read()) + 1)
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
	}
}

// notice gives what has changed since the last one. The first look is always one: the rules may remember a low
// supply from before a restart.
func (s *supply) notice(at sensor.Instant) (n rules.Notice, changed bool) {
	seen := s.last.Load()
	if seen == 0 || s.any && sysfs.Supply(seen-1) == s.told {
		return n, false
	}
	s.told, s.any = sysfs.Supply(seen-1), true
	kinds := [...]rules.NoticeKind{sysfs.SupplyUnknown: rules.SupplyUnknown, sysfs.SupplyFine: rules.SupplyFine, sysfs.SupplyLow: rules.SupplyLow}
	return rules.Notice{At: at, Kind: kinds[s.told]}, true
}
