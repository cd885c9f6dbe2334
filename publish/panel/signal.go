package panel

import (
	"time"

	"holdbell/publish"
	"holdbell/rules"
)

// signal is what is heard and seen, by how much it matters.
type signal int

// The signals of the lamp. The buzzer knows quiet, soft, loud and trying.
const (
	quiet  signal = iota
	steady        // something stands that somebody knows of, or that can wait
	soft          // a warning waits to be acknowledged
	loud          // a critical alarm does
	trying        // somebody holds the button
)

// pattern is for how long a line is on, off, on and so on; then it begins again. One entry is always on, none
// always off.
type pattern []time.Duration

// sound is the buzzer's pattern. Loud is two thirds of the time, and cannot be taken for soft, which asks twice
// briefly and lets half a minute pass.
func (s signal) sound() pattern {
	switch s {
	case loud:
		return pattern{500 * time.Millisecond, 250 * time.Millisecond}
	case soft:
		return pattern{120 * time.Millisecond, 120 * time.Millisecond, 120 * time.Millisecond, 30 * time.Second}
	case trying:
		return pattern{300 * time.Millisecond, 300 * time.Millisecond}
	}
	return nil
}

// light is the lamp's pattern. None flashes three times a second or more (WCAG 2.2, 2.3.1: three flashes or below).
func (s signal) light() pattern {
	switch s {
	case loud:
		return pattern{250 * time.Millisecond, 250 * time.Millisecond}
	case soft:
		return pattern{time.Second, time.Second}
	case steady:
		return pattern{time.Second}
	case trying:
		return pattern{300 * time.Millisecond, 300 * time.Millisecond}
	}
	return nil
}

// at reports whether the line is on when the pattern has run for t, and how long that stays so; 0 for ever.
func (p pattern) at(t time.Duration) (on bool, left time.Duration) {
	if len(p) < 2 {
		return len(p) == 1, 0
	}
	var whole time.Duration
	for _, d := range p {
		whole += d
	}
	t %= whole
	for i, d := range p {
		if t < d {
			return i%2 == 0, d - t
		}
		t -= d
	}
	return false, 0
}

// heard and seen say what a state asks for. What is in hushed, by the Seq of the event that raised it, has just been
// acknowledged at the button. An alarm of the lowest priority makes no sound; one that is over asks as a warning if it
// was critical, for nobody has said that he saw it.
func heard(st *rules.State, hushed map[uint64]bool) (s signal) {
	for i := range st.Alarms {
		a := &st.Alarms[i]
		switch {
		case hushed[a.Seq]:
		case a.Status == rules.Unacknowledged && a.Priority == rules.Critical:
			return loud
		case a.Status == rules.Unacknowledged && a.Priority == rules.Warning, a.Status == rules.Returned && a.Priority == rules.Critical:
			s = soft
		}
	}
	return s
}

func seen(st *rules.State) (s signal) {
	for i := range st.Alarms {
		a := &st.Alarms[i]
		switch {
		case a.Status == rules.Unacknowledged && a.Priority == rules.Critical:
			return loud
		case publish.WaitsForHand(a) && a.Priority != rules.Advice:
			s = max(s, soft)
		case a.Status == rules.Unacknowledged || a.Status == rules.Acknowledged:
			s = max(s, steady)
		}
	}
	for i := range st.Lots {
		if l := &st.Lots[i]; publish.WantsHand(l) && l.Verdict != rules.OK {
			s = max(s, steady)
		}
	}
	return s
}
