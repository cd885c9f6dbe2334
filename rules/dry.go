package rules

import (
	"fmt"
	"time"

	"holdbell/sensor"
)

// TooHot is how hot and for how long food may be held hot before somebody is told that it dries out.
type TooHot struct {
	Above sensor.Temp
	For   time.Duration
}

// What stands without a TooHot of the station's own, all of it common practice: an hour above 165 °F, or
// above what the station was set to keep where that is more.
const (
	dryFor  = time.Hour
	dryOver = sensor.Temp(2_778) // 5 °F above a setpoint is the thermostat's swing
)

// tooHot is when food held in a station dries out.
func (s *StationSetup) tooHot() TooHot {
	t := TooHot{sensor.FahrenheitLimit(165), dryFor}
	switch {
	case s.TooHot != nil:
		return *s.TooHot
	case s.Setpoint != nil:
		t.Above = max(t.Above, *s.Setpoint+dryOver)
	case s.Band != nil:
		t.Above = max(t.Above, s.Band.High)
	}
	return t
}

// watchDry judges out-of-band for a lot: its food has been too hot for long, and not because it came so
// from the fire. Where the air is known it must be as hot; without an air probe the wait is three times
// as long, the time that a large piece takes to come down.
func (e *Engine) watchDry(l *lot) {
	f := finding{since: never, left: never, delay: never, priority: Advice, worse: higher}
	if l.Station >= 0 && l.Stage == HotHolding && l.Time == nil {
		s := &e.set.Stations[l.Station]
		t := s.tooHot()
		f.delay = t.For
		airToo := true
		switch {
		case s.Air < 0:
			f.delay *= 3
		case e.read[s.Air].Valid():
			airToo = e.read[s.Air].Temp >= t.Above
		}
		switch {
		case l.onAirOnly(e): // its air's own alarm speaks
		case !l.AnyValid:
			f.level = unknown
		case l.High >= t.Above && airToo:
			f.level, f.temp, f.hasTemp = bad, l.High, true
			f.since = e.crossing(l.HighProbe, t.Above)
			if e.mem.Stations[l.Station].AlarmBand.Active && !l.AlarmDry.Active {
				f.level = near // the air's own alarm says it
			}
		case l.High >= t.Above-e.specs[l.Station][aBand].hysteresis:
			f.level = near
		}
	}
	e.judge(&l.AlarmDry, e.lotSubject(l, aBand), f)
}

// dryText is what out-of-band says of a lot.
func (e *Engine) dryText(a *alarm, s subjectOf) string {
	st := &e.set.Stations[s.station]
	t := st.tooHot()
	set := ""
	if st.Setpoint != nil {
		set = " to " + e.temp(*st.Setpoint)
	}
	long := t.For
	if d, known := e.mem.At.Sub(a.Since); known {
		long = max(long, d)
	}
	return fmt.Sprintf("%s at %s has been above %s for %s: so hot a hold dries it out. Turn %s down%s, or serve it first.",
		e.placed(s.lot), e.temp(a.Worst), e.temp(t.Above), words(long), st.Name, set)
}

// dryClearText is its end.
func (e *Engine) dryClearText(l *lot) string {
	if !l.open() {
		return l.Name + " has ended."
	}
	return l.Name + " is not held too hot any more."
}
