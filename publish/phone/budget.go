package phone

import (
	"time"

	"holdbell/rules"
)

// budget keeps a target to so many messages in any hour.
type budget struct {
	size int
	sent []time.Time // within the last hour, oldest first; at most size
}

// room reports whether ev may go out at now. When it may not, wait is how long until it may, for what
// must not be dropped, and 0 for what may.
func (b *budget) room(now time.Time, ev *rules.Event) (ok bool, wait time.Duration) {
	for len(b.sent) > 0 && now.Sub(b.sent[0]) >= time.Hour {
		b.sent = b.sent[1:]
	}
	if len(b.sent) < b.share(ev) {
		return true, 0
	}
	if !loudest(ev) {
		return false, 0
	}
	return false, b.sent[0].Add(time.Hour).Sub(now)
}

// share is how much of the budget may be spent before ev has to stand back: the thinner it gets, the
// more an event has to matter. Whatever the size, each kind has at least one.
func (b *budget) share(ev *rules.Event) int {
	switch {
	case loudest(ev):
		return b.size
	case ev.Kind == rules.AlarmRaised, ev.Priority == rules.Critical:
		return max(1, b.size*3/4)
	}
	return max(1, b.size/2)
}

// loudest is what is never dropped.
func loudest(ev *rules.Event) bool {
	return ev.Priority == rules.Critical && (ev.Kind == rules.AlarmRaised || ev.Kind == rules.LotEnded)
}

func (b *budget) spend(now time.Time) { b.sent = append(b.sent, now) }
