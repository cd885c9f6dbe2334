package publish

import (
	"context"
	"time"
)

// How the cursor is saved: at once when it moved, yet at most so often; and how long Run waits for the
// last save.
const (
	saveEvery = time.Second
	saveLast  = 2 * time.Second
)

// keep saves the cursor whenever it moved until ctx ends, then once more. A burst of deliveries is one
// save: after a crash the rest of the burst comes a second time, which every receiver bears.
func (c *Courier) keep(ctx context.Context) {
	var kept uint64
	var known, failing bool
	save := func() {
		at := c.position()
		if known && at == kept {
			return
		}
		err := c.cursors.SetCursor(context.WithoutCancel(ctx), c.p.Name(), at)
		if err == nil {
			kept, known, failing = at, true, false
			return
		}
		if !failing {
			c.o.Log.Warn("how far this publisher is cannot be recorded; after a restart it may get events twice", "publisher", c.p.Name(), "err", err)
		}
		failing = true
		c.changed()
	}
	defer save()
	pause := time.NewTimer(saveEvery)
	defer pause.Stop()
	for {
		select {
		case <-c.save:
		case <-ctx.Done():
			return
		}
		save()
		pause.Reset(saveEvery)
		select {
		case <-pause.C:
		case <-ctx.Done():
			return
		}
	}
}
