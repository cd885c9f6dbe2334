package phone

import (
	"time"

	"holdbell/rules"
)

// escalates reports whether ev rings a target that is next in line: its alarm stands, unacknowledged for as
// long as the target waits. The end of an alarm rings only where the alarm did.
func (p *Phone) escalates(ev *rules.Event, id identity) bool {
	switch ev.Kind {
	case rules.AlarmCleared:
		_, rang := p.rang[id]
		return rang
	case rules.AlarmRaised, rules.AlarmRepeated:
		return p.waiting(ev, id) >= p.o.After
	}
	return false
}

// waiting is for how long the alarm of ev has stood unacknowledged; negative when it no longer does.
func (p *Phone) waiting(ev *rules.Event, id identity) time.Duration {
	st := p.state.Load()
	if st == nil || st.Seq < ev.Seq {
		// The event is newer than what is known of its alarm: as it was told, it stands.
		return p.late(ev.Since)
	}
	a := standing(st, id)
	if a == nil || a.Status != rules.Unacknowledged {
		return -1
	}
	return p.late(a.Raised)
}

// hushed reports whether ev is advice in the quiet hours. Nothing more serious ever waits for the morning.
func (p *Phone) hushed(ev *rules.Event) bool {
	return p.o.Quiet != nil && ev.Priority == rules.Advice && ev.Kind != rules.AlarmCleared && p.o.Quiet(p.o.Now())
}

// answer is the address that acknowledges the alarm of ev; empty where there is none to acknowledge.
func (p *Phone) answer(ledger string, ev *rules.Event) string {
	if p.o.Answer == nil || ev.Kind != rules.AlarmRaised && ev.Kind != rules.AlarmRepeated {
		return ""
	}
	seq := ev.Seq
	if ev.Kind == rules.AlarmRepeated {
		st := p.state.Load()
		if st == nil {
			return ""
		}
		a := standing(st, identify(ev.Alarm, ev.Station, ev.Lot, ev.Probe))
		if a == nil || a.Status != rules.Unacknowledged {
			return ""
		}
		seq = a.Seq
	}
	return p.o.Answer(ledger, seq)
}
