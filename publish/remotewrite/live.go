package remotewrite

import (
	"context"
	"time"
)

// goLive sends the newest sweeps, and the gathered families, until ctx ends.
func (w *Writer) goLive(ctx context.Context) {
	tick := time.NewTicker(liveEvery)
	defer tick.Stop()
	var gathered time.Time
	for {
		due := gathered.IsZero() || time.Since(gathered) >= w.o.Every-liveEvery/2
		if due {
			gathered = time.Now()
		}
		if !w.sendLive(ctx, due) {
			return
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
	}
}

// sendLive sends what waits, in order: an outage that the ring outlasts leaves no gap that a receiver which takes
// nothing out of order would refuse. false when ctx ends before.
func (w *Writer) sendLive(ctx context.Context, gather bool) bool {
	for {
		most := max(1, w.live.most/max(1, 2*len(w.probes)))
		sweeps := w.o.Recent.pending(most)
		var samples []sample
		gone := uint64(0)
		for i := range sweeps {
			s := &sweeps[i].sweep
			if !s.At.Believed {
				w.rows.see(sweeps[i].probes, s)
				continue
			}
			var n uint64
			samples, n = w.rows.samples(samples, sweeps[i].probes, s)
			gone += n
		}
		next := w.stands
		if gather {
			samples, next = w.gather(samples)
			gather = false
		}
		if !w.live.push(ctx, samples) {
			return false
		}
		w.stands = next
		w.o.Recent.took(sweeps)
		w.o.Recent.add(func(c *Counts) { c.Gone += 2 * gone })
		if len(sweeps) < most {
			return true
		}
	}
}

// gather appends the families of ours at this time, with an end for each series that is gone.
func (w *Writer) gather(samples []sample) ([]sample, standingSeries) {
	now := w.o.Now()
	if !now.Believed {
		return samples, w.stands
	}
	families, err := w.o.Gather()
	if err != nil {
		w.rare.Warn("remote write: the metrics cannot be gathered", "err", err)
		return samples, w.stands
	}
	at := now.Wall.UnixMilli()
	all, next := w.stands.with(gathered(families, w.o.Site, at), at)
	return append(samples, all...), next
}

// end sends what waits, and tells the receiver that every series ends: so a dashboard shows nothing old.
func (w *Writer) end(ctx context.Context) {
	if !w.healthy.Load() || !w.sendLive(ctx, false) {
		return
	}
	now := w.o.Now()
	if !now.Believed {
		return
	}
	// The last sweep may bear this very millisecond.
	at := now.Wall.UnixMilli() + 1
	samples, _ := w.stands.with(nil, at)
	w.live.push(ctx, w.rows.end(samples, at))
}
