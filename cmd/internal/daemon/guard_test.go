package daemon

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"holdbell/rules"
)

// deaf is a Publisher that answers when it is let go, whatever its context says.
type deaf struct{ let chan error }

func (d deaf) Name() string                                       { return "deaf" }
func (d deaf) Deliver(context.Context, string, rules.Event) error { return <-d.let }
func (d deaf) Show(*rules.State)                                  {}

func TestGuardTellsStuckFromDown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := deaf{make(chan error)}
		g := newGuard(d)
		if g.stuck() {
			t.Error("stuck before anything was delivered")
		}
		for range 2 {
			done := make(chan error)
			go func() { done <- g.Deliver(t.Context(), "", rules.Event{}) }()
			wait(stuckAfter)
			if g.stuck() {
				t.Error("stuck too early")
			}
			wait(time.Second)
			if !g.stuck() {
				t.Error("a delivery that lasts is not seen")
			}
			d.let <- errors.New("down")
			if err := <-done; err == nil || g.stuck() {
				t.Errorf("after the delivery: %v, stuck %v", err, g.stuck())
			}
		}
	})
}

// TestWatchdogStarvesOnAStuckCourier: the loop goes round, but alarms do not get out; then the service
// manager has to hear nothing. Once the courier is free, it hears again.
func TestWatchdogStarvesOnAStuckCourier(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := deaf{make(chan error)}
		g := newGuard(p)
		o := &outputs{}
		o.guards.Store(&[]*guard{g})
		d := &Daemon{notify: &notifier{alive: make(chan struct{}, 1), say: make(chan string, 8)}}
		d.outputs.Store(o)
		fed := func() bool {
			d.alive(&rules.State{})
			select {
			case <-d.notify.alive:
				return true
			default:
				return false
			}
		}
		if !fed() {
			t.Error("a healthy round does not feed the watchdog")
		}
		done := make(chan error)
		go func() { done <- g.Deliver(t.Context(), "", rules.Event{}) }()
		wait(stuckAfter + time.Second)
		if fed() {
			t.Error("a stuck courier is not noticed")
		}
		p.let <- nil
		<-done
		if !fed() {
			t.Error("the watchdog starves though the courier is free again")
		}
		if got := <-d.notify.say; got != "READY=1" {
			t.Errorf("the first word is %q", got)
		}
	})
}
