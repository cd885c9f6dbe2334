package main

import (
	"math"

	"holdbell/rules"
	"holdbell/sensor"
)

// report is what `replay --json` prints; scripts rely on its names.
type report struct {
	From   rules.Stamp            `json:"from"`
	To     rules.Stamp            `json:"to"`
	Sweeps uint64                 `json:"sweeps"`
	Probes map[string]probeReport `json:"probes"`
	Lots   []rules.LotReport      `json:"lots"`
	Alarms []*alarmReport         `json:"alarms"`
}

// probeReport is one probe over the recording, as conditioning passed it. The temperatures are null
// where no reading was valid.
type probeReport struct {
	Valid  uint64            `json:"valid"`
	Faults map[string]uint64 `json:"faults"`
	Min    *float64          `json:"min_celsius"`
	Max    *float64          `json:"max_celsius"`
	Mean   *float64          `json:"mean_celsius"`
	// Calibration is the newest check of it; none is left out.
	Calibration *rules.CalibrationReport `json:"calibration,omitempty"`
}

// alarmReport is one alarm from its raising to its end.
type alarmReport struct {
	Seq          uint64          `json:"seq"`
	Alarm        rules.AlarmName `json:"alarm"`
	Station      string          `json:"station"`
	Lot          string          `json:"lot"`
	Probe        string          `json:"probe"`
	Priority     rules.Priority  `json:"priority"`
	Raised       rules.Stamp     `json:"raised"`
	Acknowledged rules.Stamp     `json:"acknowledged"`
	Cleared      rules.Stamp     `json:"cleared"`
	Worst        *float64        `json:"worst_celsius"`
}

func reportProbe(p *rules.ProbeState, relative bool) probeReport {
	r := probeReport{Valid: p.Valid, Faults: map[string]uint64{}, Calibration: p.Calibration.Report(relative)}
	for f, n := range p.Faults {
		if n > 0 {
			r.Faults[sensor.Fault(f).String()] = n
		}
	}
	if p.Valid > 0 {
		low, high := p.Min.Celsius(), p.Max.Celsius()
		// Readings hold thousandths; a mean of them with more digits would promise too much.
		mean := math.Round(p.Sum/float64(p.Valid)*1000) / 1000
		r.Min, r.Max, r.Mean = &low, &high, &mean
	}
	return r
}

// chronicle follows alarms through their events.
type chronicle struct {
	relative bool
	all      []*alarmReport
	open     map[alarmKey]*alarmReport
}

type alarmKey struct {
	alarm               rules.AlarmName
	station, lot, probe string
}

// add takes one event; what is no alarm's passes by.
func (c *chronicle) add(ev *rules.Event) {
	key := alarmKey{ev.Alarm, ev.Station, ev.Lot, ev.Probe}
	at := rules.Stamp{At: ev.At, Relative: c.relative}
	a := c.open[key]
	switch ev.Kind {
	case rules.AlarmRaised:
		a = &alarmReport{Seq: ev.Seq, Alarm: ev.Alarm, Station: ev.Station, Lot: ev.Lot, Probe: ev.Probe, Raised: at}
		c.all = append(c.all, a)
		c.open[key] = a
	case rules.AlarmRepeated, rules.AlarmShelved, rules.AlarmUnshelved, rules.AlarmAcknowledged, rules.AlarmCleared:
	default:
		return
	}
	if a == nil {
		return // raised before the recording began
	}
	switch ev.Kind {
	case rules.AlarmAcknowledged:
		a.Acknowledged = at
	case rules.AlarmCleared:
		a.Cleared = at
	}
	a.Priority = ev.Priority
	if ev.Temp != nil {
		worst := ev.Temp.Celsius()
		a.Worst = &worst
	}
}

// settle takes the worst temperatures of the alarms that still stand when the recording ends.
func (c *chronicle) settle(st *rules.State) {
	for i := range st.Alarms {
		s := &st.Alarms[i]
		a := c.open[alarmKey{s.Alarm, s.Station, s.Lot, s.Probe}]
		if a == nil || a.Seq != s.Seq {
			continue
		}
		a.Priority = s.Priority
		if s.Worst != nil {
			worst := s.Worst.Celsius()
			a.Worst = &worst
		}
	}
}
