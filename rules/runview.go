package rules

import (
	"time"

	"holdbell/sensor"
)

// LegState is the way to a temperature within a cooling or reheating run.
type LegState struct {
	To       sensor.Temp
	Deadline sensor.Instant // zero: none
	// Forecast is when it will be there; nil when nobody knows.
	Forecast *ForecastState
}

// ForecastState is when a temperature will be reached. Nine in ten should lie between Soonest and Latest
// as long as nobody changes anything.
type ForecastState struct{ At, Soonest, Latest sensor.Instant }

// legState is the way to v by a deadline, on which the lot falls or rises.
func (e *Engine) legState(l *lot, v sensor.Temp, deadline time.Duration, falling bool) *LegState {
	s := &LegState{To: v}
	if deadline != never {
		s.Deadline = e.instant(deadline)
	}
	if est, ok := e.reach(l, v, falling); ok {
		s.Forecast = &ForecastState{e.instant(e.mem.Now + est.In), e.instant(e.mem.Now + est.Soonest), e.instant(e.mem.Now + est.Latest)}
	}
	return s
}

// coolingState is a lot's latest cooling run.
func (e *Engine) coolingState(l *lot) *CoolingState {
	c, legs := l.Cool, e.legs(l.Cool)
	s := &CoolingState{Started: c.StartedAt, Stage1: since(c, 0), Stage2: since(c, len(legs)-1), Result: c.Result,
		Basis: e.leg(l).Basis.String()}
	if c.Result == Running && l.open() {
		s.Late = l.AlarmCooling.Active
		s.Leg = e.legState(l, e.leg(l).To, e.legDeadline(c), true)
		if len(legs) > 0 {
			s.Finish = e.legState(l, legs[len(legs)-1].guardedBy(l.Guard).To, e.coolingEnds(c), true)
		}
	}
	return s
}

// reheatingState is a lot's latest reheating run.
func (e *Engine) reheatingState(l *lot) *ReheatingState {
	h, rule := l.Heat, e.reheatRule(l)
	s := &ReheatingState{Started: h.StartedAt, Reached: since(h, 0), Result: h.Result, Basis: rule.Basis.String()}
	if h.Result == Running && l.open() {
		deadline := never
		if rule.Within > 0 {
			deadline = h.Started + rule.Within
		}
		s.Late = l.AlarmReheat.Active
		s.Finish = e.legState(l, rule.Target, deadline, false)
	}
	return s
}

// LegReport is LegState as outside scripts read it.
type LegReport struct {
	Celsius  float64         `json:"to_celsius"`
	Deadline *Stamp          `json:"deadline"`
	Forecast *ForecastReport `json:"forecast"` // null when nobody knows
}

// ForecastReport is when a temperature will be reached, with the spread of nine in ten.
type ForecastReport struct {
	At      Stamp `json:"at"`
	Soonest Stamp `json:"soonest"`
	Latest  Stamp `json:"latest"`
}

func (s *LegState) report(relative bool) *LegReport {
	if s == nil {
		return nil
	}
	r := &LegReport{Celsius: s.To.Celsius()}
	if !s.Deadline.Wall.IsZero() {
		r.Deadline = &Stamp{s.Deadline, relative}
	}
	if f := s.Forecast; f != nil {
		r.Forecast = &ForecastReport{Stamp{f.At, relative}, Stamp{f.Soonest, relative}, Stamp{f.Latest, relative}}
	}
	return r
}
