package page

import (
	"fmt"

	"holdbell/rules"
)

// keepingOf is how a station's air has been kept since it was armed, how its door stands, and what it wants
// done, for its card.
func keepingOf(s *rules.StationState, u rules.Units, c clock) []fact {
	var facts []fact
	add := func(name, format string, args ...any) {
		facts = append(facts, fact{name, fmt.Sprintf(format, args...)})
	}
	if k := s.Kept; k != nil && k.Known > 0 {
		add("Kept at", "%s, give or take %s, for %s", u.Format(k.Mean), u.Difference(k.Spread), rules.Words(k.Known))
		if s.Band != nil {
			// In whole percent rounded down: 100 is said of all, and of nothing less.
			add("In its band", "%d %% of that time", int64(100*k.InBand.Seconds()/k.Known.Seconds()))
		}
		if k.Unknown > 0 {
			add("Not known", "for %s more", rules.Words(k.Unknown))
		}
	}
	switch {
	case !s.DoorOpen.IsZero():
		add("Door", "seems open by its air; opened %s", c.both(s.DoorOpen))
	case s.Recovery != nil:
		add("Door", "shut; the air took %s to come back the last time", rules.Words(*s.Recovery))
	}
	for _, r := range s.Reminders {
		switch {
		case r.Next.IsZero():
			add("To do", "%s: each %s while it is armed", r.Say, rules.Words(r.Every))
		case r.Due:
			add("To do", "%s: fell due %s", r.Say, c.both(r.Next))
		default:
			add("To do", "%s: next %s", r.Say, c.ahead(r.Next))
		}
	}
	return facts
}
