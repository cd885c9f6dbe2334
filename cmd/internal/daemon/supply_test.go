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
		s := &supply{read: lowVoltage(func() sysfs.Supply {
			if says.Load() == 99 {
				<-hang
			}
			return sysfs.Supply(says.Load())
		})}
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

// TestMainsGoThroughTheLoop: the kernel's word about the mains, asked by the configured name, becomes the alarm and
// ends it.
func TestMainsGoThroughTheLoop(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var says atomic.Uint32
		says.Store(uint32(sysfs.MainsOn))
		s := newStage(t, 0)
		wait(time.Second)
		mains := &supply{read: mainsPower(func(name string) sysfs.Mains {
			if name != "AC" {
				return sysfs.MainsUnknown
			}
			return sysfs.Mains(says.Load())
		}, func() string { return "AC" })}
		s.stop()
		<-s.ended
		s.supplies = []*supply{mains}
		ctx, stop := context.WithCancel(t.Context())
		go mains.run(ctx)
		go func() { s.ended <- s.run(ctx) }()
		wait(time.Minute)
		says.Store(uint32(sysfs.MainsOff))
		wait(20 * time.Second)
		if !standing(s.state.Load(), rules.MainsLost) {
			t.Errorf("mains-lost does not stand: %+v", s.state.Load().Alarms)
		}
		says.Store(uint32(sysfs.MainsOn))
		wait(2 * time.Minute)
		if standing(s.state.Load(), rules.MainsLost) {
			t.Error("mains-lost stands though the mains is back")
		}
		stop()
		<-s.ended
	})
}
