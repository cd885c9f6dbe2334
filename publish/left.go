package publish

import (
	"cmp"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// StaleDo is what to do when what is shown is old.
const StaleDo = "The watch may have stopped: check the food by hand, and look at the board."

// Left is the time that a lot has left. Its zero value is a lot without any.
type Left struct {
	How  LeftKind
	Time time.Duration // with LeftTime: at least 0
}

// LeftKind is what can be said of it.
type LeftKind int

// The kinds, the one that needs a hand first before the others.
const (
	LeftNone    LeftKind = iota // it is to be discarded
	LeftUnknown                 // a power cut of unknown length lies in it
	LeftTime
	LeftEnded
	LeftUnlimited // nothing counts down
)

// LeftOf is the time that a lot has left at now: to its deadline, else until its charged time reaches the limit.
// unseen is how long nobody has looked, when the state is old: the worst is assumed.
func LeftOf(l *rules.LotState, now sensor.Instant, unseen time.Duration) Left {
	switch {
	case l.Verdict == rules.Discard:
		return Left{}
	case l.UnknownLength || l.Ended && l.Verdict == rules.Act:
		return Left{How: LeftUnknown}
	case l.Ended:
		return Left{How: LeftEnded}
	case !l.Deadline.IsZero():
		d, _ := l.Deadline.Sub(now)
		return Left{LeftTime, max(0, d)}
	case l.DangerLimit > 0:
		return Left{LeftTime, max(0, l.DangerLimit-l.Charged-unseen)}
	}
	return Left{How: LeftUnlimited}
}

// Words says it to people.
func (l Left) Words() string {
	switch l.How {
	case LeftUnknown:
		return "Time left is not known"
	case LeftEnded:
		return "Ended"
	case LeftUnlimited:
		return "No limit counts down"
	case LeftTime:
		if l.Time > 0 {
			return rules.Words(l.Time) + " left"
		}
	}
	return "No time left"
}

// WantsHand reports whether a lot is still to be looked after: it is open, or a station's own lot that a power cut
// ended and nobody has checked.
func WantsHand(l *rules.LotState) bool {
	return !l.Ended || l.Standing && l.Verdict == rules.Act
}

// Urgency ranks the verdicts, the worst highest.
func Urgency(v rules.Verdict) int {
	switch v {
	case rules.Discard:
		return 2
	case rules.Act:
		return 1
	}
	return 0
}

// CompareUrgency orders lots as they need a hand: the worst verdict first, then the least time left.
func CompareUrgency(v rules.Verdict, l Left, w rules.Verdict, m Left) int {
	return cmp.Or(cmp.Compare(Urgency(w), Urgency(v)), cmp.Compare(l.rank(), m.rank()))
}

// rank puts what has no time before what has, and what nothing counts down last.
func (l Left) rank() time.Duration {
	switch l.How {
	case LeftTime:
		return l.Time
	case LeftEnded, LeftUnlimited:
		return 1<<63 - 1
	}
	return 0
}

// WaitsForHand reports whether an alarm waits to be acknowledged.
func WaitsForHand(a *rules.AlarmState) bool {
	return a.Status == rules.Unacknowledged || a.Status == rules.Returned
}
