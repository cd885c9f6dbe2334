package panel

import (
	"log/slog"
	"sync"
	"time"
)

// The pauses between two tries of a part that fails.
const (
	shortestPause = time.Second
	longestPause  = time.Minute
)

// health is how one part does: when it is tried next, and what there is to say about it.
type health struct {
	what string
	log  *slog.Logger
	next time.Time // not tried before
	wait time.Duration

	mu  sync.Mutex
	why string // empty while all is well
}

// due reports whether a part that is not open may be tried.
func (h *health) due() bool { return !time.Now().Before(h.next) }

// note keeps how a try went, and logs a change once.
func (h *health) note(err error) {
	h.mu.Lock()
	was := h.why
	if h.why = ""; err != nil {
		h.why = err.Error()
	}
	h.mu.Unlock()
	switch {
	case err == nil && was != "":
		h.log.Info("a part of the panel works again", "part", h.what)
	case err != nil && was == "":
		h.log.Warn("a part of the panel does not work; it is tried again, and the watch goes on", "part", h.what, "err", err)
	}
	if h.wait = min(max(2*h.wait, shortestPause), longestPause); err == nil {
		h.wait = 0
	}
	h.next = time.Now().Add(h.wait)
}

// trouble is what is wrong, in words; empty while all is well.
func (h *health) trouble() string {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.why == "" {
		return ""
	}
	return h.what + ": " + h.why
}

// output is a buzzer or a lamp.
type output struct {
	health
	line  Line
	lines lines
	pin   pinOut // nil while it is not open
	on    bool
}

// set switches it. It opens the line when need be, with nothing to be heard or seen.
func (o *output) set(on bool) {
	if o.pin == nil {
		if !o.due() {
			return
		}
		pin, err := o.lines.output(o.line, o.line.level(false))
		if err != nil {
			o.note(err)
			return
		}
		o.pin, o.on = pin, false
		o.note(nil)
	}
	if on == o.on {
		return
	}
	if err := o.pin.Out(o.line.level(on)); err != nil {
		o.note(err)
		_ = o.pin.Halt() // the error that led here is the one to tell
		o.pin = nil
		return
	}
	o.on = on
}

// close switches it off and lets the line go.
func (o *output) close() {
	if o.pin == nil {
		return
	}
	o.set(false)
	if o.pin != nil {
		_ = o.pin.Halt() // nothing is left to do about it
	}
}
