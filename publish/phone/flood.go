package phone

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"holdbell/rules"
)

// How a flood is known. EEMUA 191 calls ten alarms in ten minutes a flood for a control room; a person
// with one phone has enough with four.
const (
	floodSize  = 4                // alarms that stand and have not rung are told in one message
	floodRings = 3                // after so many rings
	floodSpan  = 10 * time.Second // within so long, two are enough
	floodWait  = 2 * time.Second  // and the next waits for those that come with it
)

// flood gives the alarms that one message tells of in place of ev's own; nil when ev goes alone. What a
// summary has told counts as delivered, so nothing is held back that a crash could lose: the state knows
// the alarms that are still to come.
func (p *Phone) flood(ctx context.Context, ev *rules.Event) ([]rules.AlarmState, error) {
	if ev.Kind != rules.AlarmRaised || p.state.Load() == nil {
		return nil, nil
	}
	enough := floodSize
	if len(p.recent) == floodRings && time.Since(p.recent[0]) < floodSpan {
		enough = 2
		timer := time.NewTimer(floodWait)
		defer timer.Stop()
		select {
		case <-timer.C:
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
	var group []rules.AlarmState
	own := false
	for _, a := range p.state.Load().Alarms {
		if a.Active && a.Status == rules.Unacknowledged && a.Seq >= ev.Seq && a.Priority.Rank() >= p.o.From.Rank() && !p.summed[a.Seq] {
			group = append(group, a)
			own = own || a.Seq == ev.Seq
		}
	}
	if !own || len(group) < enough {
		return nil, nil
	}
	slices.SortStableFunc(group, func(a, b rules.AlarmState) int {
		return cmp.Or(cmp.Compare(b.Priority.Rank(), a.Priority.Rank()), cmp.Compare(a.Seq, b.Seq))
	})
	return group, nil
}

// sumUp makes m tell of all alarms of group, the most urgent first, in as many sentences as fit.
func (p *Phone) sumUp(m *message, group []rules.AlarmState) {
	m.title = fmt.Sprintf("%d alarms: %s", len(group), group[0].Priority)
	m.loud = group[0].Priority
	m.tags = []string{string(group[0].Priority)}
	m.ack = "" // one button would answer for one of them alone
	const room = maxBody - maxTitle - len("Late by 23 h 59 min, raised at 00:00 on Mon 22 Sep: And 1000 more stand on the page.")
	text := fmt.Sprintf("%d alarms stand at once.", len(group))
	for i, a := range group {
		next := plain(a.Text)
		if len(text)+1+len(next) > room {
			text += fmt.Sprintf(" And %d more.", len(group)-i)
			break
		}
		text += " " + next
	}
	m.body = p.body(p.late(group[0].Raised), group[0].Raised, text)
}
