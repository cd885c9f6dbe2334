package page

import (
	"context"
	"net/http"
	"sync"
	"sync/atomic"
	"time"
)

// How often an open page is told. What the rules decided goes out at once; a temperature that crept, a few
// times a second at most; and something each second, so that a page knows the board is there.
const (
	eventPace = 50 * time.Millisecond
	sweepPace = 450 * time.Millisecond
	heartbeat = time.Second
	// sayPatience is how long a browser may take to receive what is written to it.
	sayPatience = 10 * time.Second
)

// maxLive is how many pages may be open live at once; more are told to come again, and load themselves
// anew until then.
const maxLive = 96

// hub wakes the open pages when there is something new, and keeps the frames that they share.
type hub struct {
	// eventPace and sweepPace are the constants of these names, but where a test lets a week pass in minutes.
	eventPace, sweepPace time.Duration

	mu      sync.Mutex
	wakes   map[chan struct{}]struct{}
	memos   map[look]*memo
	seq     uint64 // of the newest event in the state that was shown last
	woken   time.Time
	version atomic.Uint64 // moves with everything new
}

func newHub() *hub {
	return &hub{eventPace: eventPace, sweepPace: sweepPace, wakes: map[chan struct{}]struct{}{}, memos: map[look]*memo{}}
}

// changed says that there is something new. What is not urgent waits for its turn.
func (h *hub) changed(seq uint64, urgent bool) {
	h.version.Add(1)
	h.mu.Lock()
	defer h.mu.Unlock()
	if seq > h.seq {
		h.seq, urgent = seq, true
	}
	now := time.Now()
	if !urgent && now.Sub(h.woken) < h.sweepPace {
		return
	}
	h.woken = now
	for w := range h.wakes {
		select {
		case w <- struct{}{}:
		default:
		}
	}
}

// join adds an open page; ok is false when there are too many.
func (h *hub) join(l look) (wake chan struct{}, m *memo, ok bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if len(h.wakes) >= maxLive {
		return nil, nil, false
	}
	wake = make(chan struct{}, 1)
	h.wakes[wake] = struct{}{}
	if m = h.memos[l]; m == nil {
		m = new(memo)
		h.memos[l] = m
	}
	m.lookers++
	return wake, m, true
}

// leave takes an open page out; the last one takes the frame along.
func (h *hub) leave(l look, wake chan struct{}, m *memo) {
	h.mu.Lock()
	defer h.mu.Unlock()
	delete(h.wakes, wake)
	if m.lookers--; m.lookers == 0 {
		delete(h.memos, l)
	}
}

// newest gives the frame of a look: the shared one unless something is new, or it is so old that its ages
// are.
func (p *Page) newest(l look, m *memo) (*frame, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	version := p.hub.version.Load()
	if m.f != nil && m.version == version && time.Since(m.drawn) < heartbeat/2 {
		return m.f, nil
	}
	f, err := p.draw(l, p.opt.Now())
	if err != nil {
		return nil, err
	}
	m.f, m.version, m.drawn = f, version, time.Now()
	return f, nil
}

// serveLive tells an open page what changes, as server-sent events: all of its view first, then the
// differences.
func (p *Page) serveLive(w http.ResponseWriter, r *http.Request) {
	l := p.lookOf(w, r, r.URL.Query().Get("view"))
	wake, m, ok := p.hub.join(l)
	if !ok {
		w.Header().Set("Retry-After", "30")
		http.Error(w, "Too many pages are open live; this one loads itself anew.", http.StatusServiceUnavailable)
		return
	}
	defer p.hub.leave(l, wake, m)
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("X-Accel-Buffering", "no") // a proxy between must not hold an alarm back
	say := http.NewResponseController(w)
	// The stream outlives the limits of an answer. A test's recorder knows no deadlines.
	_ = say.SetReadDeadline(time.Time{})
	_ = say.SetWriteDeadline(time.Now().Add(sayPatience))
	beat := time.NewTicker(heartbeat)
	defer beat.Stop()
	var shown *frame
	for {
		f, err := p.newest(l, m)
		if err != nil {
			p.opt.Log.Error("the page cannot be drawn", "err", err)
			return
		}
		body, err := f.since(shown)
		if err != nil {
			p.opt.Log.Error("the page cannot be told", "err", err)
			return
		}
		_ = say.SetWriteDeadline(time.Now().Add(sayPatience))
		// The encoder ends a message with one line feed; an event ends with two.
		if _, err := w.Write(append(append([]byte("data: "), body...), '\n')); err != nil {
			return
		}
		if err := say.Flush(); err != nil {
			return
		}
		shown = f
		if !pause(r.Context(), p.hub.eventPace) {
			return
		}
		select {
		case <-wake:
		case <-beat.C:
		case <-r.Context().Done():
			return
		}
	}
}

// pause waits for d; false when the page or its server goes away first.
func pause(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-ctx.Done():
		return false
	}
}

// liveURL is where an open page of a look listens.
func liveURL(l look) string {
	return href("/live", "view", l.view, "name", l.name, "units", string(l.units))
}
