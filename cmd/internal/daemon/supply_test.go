package daemon

import (
	"context"
	"slices"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"holdbell/rules"
	"holdbell/sensor/sysfs"
)

// What the kernel says becomes a notice when it changes, and the first time; a kernel that hangs stops nothing.
func TestSupplyNotices(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var says atomic.Uint32
		hang := make(chan struct{})
		s := &supply{read: func() sysfs.Supply {
			if says.Load() == 99 {
				<-hang
			}
			return sysfs.Supply(says.Load())
		}}
		ctx, stop := context.WithCancel(t.Context())
		defer stop()
		var got []rules.NoticeKind
		look := func() {
			synctest.Wait()
			if n, changed := s.notice(bubble()); changed {
				got = append(got, n.Kind)
			}
		}
		look() // before the first answer nothing is known to have changed
		go s.run(ctx)
		for _, v := range []sysfs.Supply{sysfs.SupplyUnknown, sysfs.SupplyLow, sysfs.SupplyLow, sysfs.SupplyFine, 99, sysfs.SupplyLow} {
			says.Store(uint32(v))
			time.Sleep(supplyPeriod)
			look()
			look()
		}
		close(hang)
		time.Sleep(supplyPeriod)
		look()
		want := []rules.NoticeKind{rules.SupplyUnknown, rules.SupplyLow, rules.SupplyFine, rules.SupplyLow}
		if !slices.Equal(got, want) {
			t.Errorf("got %v, want %v", got, want)
		}
	})
}
