package remotewrite

import (
	"slices"
	"sync"
	"time"

	"holdbell/sensor"
)

// Bounds of what Recent holds.
const (
	keepSweeps = 180 // three minutes at 1 Hz: a shorter outage leaves no gap behind the live readings
	keepSpans  = 256 // of sweeps that were sent live; a forgotten one is sent again, which is harmless
)

// Recent is the memory of the newest sweeps, which the record has only after up to a minute, and of which of them the
// receiver has. It outlives a Writer, so that a new configuration goes on where the one before was. It is safe for
// concurrent use.
type Recent struct {
	mu     sync.Mutex
	ring   []recent       // oldest first
	count  uint64         // of all that were added
	taken  uint64         // up to here they were dealt with live
	hand   sensor.Instant // of the first one that is on its way; zero when none is
	spans  []span         // sent live, oldest first
	newest sensor.Instant
	counts Counts
	// lastSuccess is when the receiver last took something; zero never.
	lastSuccess sensor.Instant
	// When something was last refused as too old, and for another reason, which is why; zero never.
	tooOldAt, refusedAt sensor.Instant
	why                 string
}

// Counts count samples since the daemon started.
type Counts struct {
	Sent    uint64 // taken by the receiver
	Refused uint64 // which the receiver will never take
	TooOld  uint64 // those of Refused that came too late for it, or out of order
	Undated uint64 // of sweeps whose time nobody will know
	Gone    uint64 // of probes that the configuration no longer has
}

// recent is one sweep of the ring.
type recent struct {
	n      uint64 // 1 for the first that was added
	probes []string
	sweep  sensor.Sweep
}

// span stands for the sweeps of a boot between two of them, both included.
type span struct {
	boot     sensor.BootID
	from, to time.Duration
	last     uint64 // n of the one at to
}

// Add takes a sweep as it is recorded. It copies the readings, not the names of the probes, and never waits.
func (r *Recent) Add(probes []string, s sensor.Sweep) {
	s.Readings = slices.Clone(s.Readings)
	r.mu.Lock()
	defer r.mu.Unlock()
	r.count++
	r.newest = s.At
	if len(r.ring) == keepSweeps {
		copy(r.ring, r.ring[1:])
		r.ring = r.ring[:keepSweeps-1]
	}
	r.ring = append(r.ring, recent{r.count, probes, s})
}

// pending gives the sweeps that were not dealt with live, oldest first, at most most of them. Until took they are on
// their way, if the ring has let go of them meanwhile or not.
func (r *Recent) pending(most int) []recent {
	r.mu.Lock()
	defer r.mu.Unlock()
	i := r.firstPending()
	sweeps := slices.Clone(r.ring[i:min(len(r.ring), i+most)])
	if r.hand = (sensor.Instant{}); len(sweeps) > 0 {
		r.hand = sweeps[0].sweep.At
	}
	return sweeps
}

// firstPending is the place of the first sweep that was not dealt with live. r.mu is held.
func (r *Recent) firstPending() int {
	i := slices.IndexFunc(r.ring, func(e recent) bool { return e.n > r.taken })
	if i < 0 {
		return len(r.ring)
	}
	return i
}

// took notes that sweeps were dealt with live. Those whose clock is not believed were passed over: they are the
// record's to send, once it is known when they were.
func (r *Recent) took(sweeps []recent) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.hand = sensor.Instant{}
	for _, e := range sweeps {
		r.taken = max(r.taken, e.n)
		at := e.sweep.At
		if !at.Believed {
			continue
		}
		if k := len(r.spans) - 1; k >= 0 && r.spans[k].last+1 == e.n && r.spans[k].boot == at.Boot && r.spans[k].to <= at.Mono {
			r.spans[k].to, r.spans[k].last = at.Mono, e.n
			continue
		}
		r.spans = append(r.spans, span{at.Boot, at.Mono, at.Mono, e.n})
		if len(r.spans) > keepSpans {
			r.spans = slices.Delete(r.spans, 0, 1)
		}
	}
}

// where a recorded sweep stands.
type standing int

const (
	owed    standing = iota // nobody has sent it
	sent                    // live
	waiting                 // it is in the ring, and goes out live yet
	held                    // its time may yet be known
	undated                 // nobody will know its time
)

// forget lets go of what was sent live up to a sweep: the record's cursor is past it.
func (r *Recent) forget(at sensor.Instant) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.spans = slices.DeleteFunc(r.spans, func(s span) bool { return s.boot == at.Boot && s.to < at.Mono })
}

// standing tells of a recorded sweep.
func (r *Recent) standing(at sensor.Instant) standing {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, s := range r.spans {
		if s.boot == at.Boot && s.from <= at.Mono && at.Mono <= s.to {
			return sent
		}
	}
	if first := r.first(); !first.IsZero() && first.Boot == at.Boot && first.Mono <= at.Mono {
		return waiting
	}
	switch {
	case at.Believed:
		return owed
	case at.Boot == r.newest.Boot && !r.newest.Believed || r.newest.IsZero():
		return held
	}
	return undated
}

// oldest is the instant of the first sweep that waits to go out live; zero when none does.
func (r *Recent) oldest() sensor.Instant {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.first()
}

// first is oldest. r.mu is held.
func (r *Recent) first() sensor.Instant {
	if !r.hand.IsZero() {
		return r.hand
	}
	if i := r.firstPending(); i < len(r.ring) {
		return r.ring[i].sweep.At
	}
	return sensor.Instant{}
}

// add changes the counts.
func (r *Recent) add(change func(*Counts)) {
	r.mu.Lock()
	defer r.mu.Unlock()
	change(&r.counts)
}

// refused counts samples that the receiver will never take.
func (r *Recent) refused(n uint64, a answer, at sensor.Instant) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.counts.Refused += n
	if a.old {
		r.counts.TooOld += n
		r.tooOldAt = at
		return
	}
	r.refusedAt, r.why = at, a.why
}

// succeeded notes when the receiver last took something.
func (r *Recent) succeeded(at sensor.Instant) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.lastSuccess = at
}
