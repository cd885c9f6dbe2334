package panel

import (
	"context"
	"time"

	"periph.io/x/conn/v3/gpio"
)

const (
	// bounce is for how long the level has to stay before it counts: contacts of small buttons settle within 10 ms or
	// so (common practice).
	bounce = 30 * time.Millisecond
	// long is for how long the button is held for a test.
	long = 3 * time.Second
	// lookEvery is how often its level is read without any edge.
	lookEvery = 500 * time.Millisecond
)

// press is what somebody did with the button.
type press int

const (
	shortPress press = iota
	longPress
)

// button watches a line.
type button struct {
	health
	line  Line
	lines lines
}

// run tells each press once: a short one when the button is let go, a long one while it is still held. One that was
// down when the line was opened counts for nothing.
func (b *button) run(ctx context.Context, tell func(press)) {
	var pin pinIn
	down, counts := true, false
	var since time.Time
	defer func() {
		if pin != nil {
			_ = pin.Halt() // nothing is left to do about it
		}
	}()
	for ctx.Err() == nil {
		if pin == nil {
			pull := gpio.PullDown
			if b.line.ActiveLow {
				pull = gpio.PullUp
			}
			opened, err := b.lines.input(b.line, pull)
			b.note(err)
			if err != nil {
				wait(ctx, b.wait)
				continue
			}
			pin, down, counts = opened, true, false
		}
		most := lookEvery
		if down && counts {
			most = min(most, max(0, long-time.Since(since)))
		}
		if pin.WaitForEdge(most) {
			for pin.WaitForEdge(bounce) && ctx.Err() == nil {
			}
		}
		switch now := pin.Read() == b.line.level(true); {
		case now && !down:
			down, counts, since = true, true, time.Now()
		case now && counts && time.Since(since) >= long:
			counts = false
			tell(longPress)
		case !now && down:
			down = false
			if counts {
				tell(shortPress)
			}
		}
	}
}

// wait sleeps unless ctx ends.
func wait(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
	case <-ctx.Done():
	}
}
