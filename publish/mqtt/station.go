package mqtt

import (
	"slices"

	"holdbell/rules"
	"holdbell/sensor"
)

// stationMessage is station/STATION: how a station stands, in one topic that does not come and go as lots
// and alarms do.
type stationMessage struct {
	At           *string        `json:"at"`
	Age          *float64       `json:"age_s,omitempty"`
	Purpose      rules.Purpose  `json:"purpose"`
	Armed        bool           `json:"armed"`
	OutOfService bool           `json:"out_of_service"`
	AirCelsius   *float64       `json:"air_celsius"`
	LimitAhead   *float64       `json:"limit_ahead_s"`
	Lots         int            `json:"lots"`    // open ones
	Verdict      *rules.Verdict `json:"verdict"` // the worst of them; null without a lot
	Deadline     *string        `json:"deadline"`
	// Alarms counts those whose condition holds; Priority is that of the most serious, null without one.
	Alarms   int             `json:"alarms"`
	Priority *rules.Priority `json:"priority"`
	Text     string          `json:"text"` // the sentence of what to do, else of how the worst lot stands
}

// stationMessages gives one message a station, in order.
func stationMessages(st *rules.State, now sensor.Instant) []stationMessage {
	at := when(st.At, now)
	all := make([]stationMessage, len(st.Stations))
	for i := range st.Stations {
		s := &st.Stations[i]
		m := stationMessage{At: at.at, Age: at.age, Purpose: s.Purpose, Armed: s.Armed, OutOfService: s.OutOfService}
		if s.AirTemp != nil {
			c := s.AirTemp.Celsius()
			m.AirCelsius = &c
		}
		if s.LimitAhead != nil {
			d := round3(*s.LimitAhead)
			m.LimitAhead = &d
		}
		m.lots(st, s.Name, now)
		m.alarms(st, s.Name)
		all[i] = m
	}
	return all
}

// lots takes the worst open lot of a station, of equals the one whose time ends first.
func (m *stationMessage) lots(st *rules.State, station string, now sensor.Instant) {
	var worst *rules.LotState
	for i := range st.Lots {
		l := &st.Lots[i]
		if l.Ended || l.Station != station {
			continue
		}
		m.Lots++
		if worst == nil || worse(l, worst) {
			worst = l
		}
	}
	if worst == nil {
		return
	}
	m.Verdict, m.Text, m.Deadline = &worst.Verdict, worst.Text, when(worst.Deadline, now).at
}

func worse(a, b *rules.LotState) bool {
	order := []rules.Verdict{rules.OK, rules.Act, rules.Discard}
	if x, y := slices.Index(order, a.Verdict), slices.Index(order, b.Verdict); x != y {
		return x > y
	}
	if a.Deadline.IsZero() || b.Deadline.IsZero() {
		return b.Deadline.IsZero() && !a.Deadline.IsZero()
	}
	d, known := a.Deadline.Sub(b.Deadline)
	return known && d < 0
}

// alarms takes the most pressing alarm whose condition holds. Its sentence stands before a lot's that is ok.
func (m *stationMessage) alarms(st *rules.State, station string) {
	var first *rules.AlarmState
	for i := range st.Alarms {
		a := &st.Alarms[i]
		if !a.Active || a.Station != station || a.Status == rules.Shelved || a.Status == rules.OutOfService {
			continue
		}
		m.Alarms++
		if first == nil || pressing(a, first) {
			first = a
		}
	}
	if first == nil {
		return
	}
	m.Priority = &first.Priority
	if m.Verdict == nil || *m.Verdict == rules.OK {
		m.Text = first.Text
	}
}
