package daemon

import (
	"context"
	"sync/atomic"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
	"holdbell/sensor/sysfs"
)

// supplyPeriod is how often the kernel is asked for the board's supply and mains: it looks itself every two seconds,
// and a probe's fault is told after five.
const supplyPeriod = 3 * time.Second

// supply is a word of the kernel about the board's power, as it was last heard. It is asked apart from the loop: a
// firmware that does not answer holds nothing up.
type supply struct {
	read func() rules.NoticeKind // nil: nobody can say
	last atomic.Pointer[rules.NoticeKind]
	told rules.NoticeKind
}

// lowVoltage asks for the board's own supply, mainsPower for its mains; nil where nobody can say.
func lowVoltage(read func() sysfs.Supply) func() rules.NoticeKind {
	if read == nil {
		return nil
	}
	kinds := [...]rules.NoticeKind{sysfs.SupplyUnknown: rules.SupplyUnknown, sysfs.SupplyFine: rules.SupplyFine, sysfs.SupplyLow: rules.SupplyLow}
	return func() rules.NoticeKind { return kinds[read()] }
}

func mainsPower(read func(name string) sysfs.Mains, name func() string) func() rules.NoticeKind {
	if read == nil {
		return nil
	}
	kinds := [...]rules.NoticeKind{sysfs.MainsUnknown: rules.MainsUnknown, sysfs.MainsOn: rules.MainsOn, sysfs.MainsOff: rules.MainsOff}
	return func() rules.NoticeKind { return kinds[read(name())] }
}

// run looks until ctx ends.
func (s *supply) run(ctx context.Context) {
	if s.read == nil {
		return
	}
	tick := time.NewTicker(supplyPeriod)
	defer tick.Stop()
	for {
		k := s.read()
		s.last.Store(&k)
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
	if seen == nil || *seen == s.told {
		return n, false
	}
	s.told = *seen
	return rules.Notice{At: at, Kind: s.told}, true
}
