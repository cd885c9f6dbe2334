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
