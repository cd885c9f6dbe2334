package publish

import (
	"log/slog"
	"sync"
	"time"
)

// rareEvery is how often Rare says the same thing again.
const rareEvery = time.Minute

// Rare logs what strangers can bring about as often as they like: the first time at once, what follows
// once a minute with how often it was. It is safe for concurrent use.
type Rare struct {
	log  *slog.Logger
	mu   sync.Mutex
	said map[string]*again // by what was said within the last minute
}

// again is what happened since it was last said.
type again struct {
	times int
	args  []any // of the newest
}

// NewRare gives a Rare that writes to log.
func NewRare(log *slog.Logger) *Rare { return &Rare{log: log, said: map[string]*again{}} }

// Warn logs what, with pairs as slog takes them. what is one of few fixed sentences: each is counted alone.
func (r *Rare) Warn(what string, args ...any) {
	r.mu.Lock()
	if a, ok := r.said[what]; ok {
		a.times++
		a.args = args
		r.mu.Unlock()
		return
	}
	r.said[what] = &again{}
	r.mu.Unlock()
	r.log.Warn(what, args...)
	time.AfterFunc(rareEvery, func() { r.sumUp(what) })
}

// sumUp tells what a minute brought. After a quiet one the next is the first again.
func (r *Rare) sumUp(what string) {
	r.mu.Lock()
	a := *r.said[what]
	if a.times == 0 {
		delete(r.said, what)
		r.mu.Unlock()
		return
	}
	r.said[what] = &again{}
	r.mu.Unlock()
	r.log.Warn(what, append([]any{"times", a.times}, a.args...)...)
	time.AfterFunc(rareEvery, func() { r.sumUp(what) })
}
