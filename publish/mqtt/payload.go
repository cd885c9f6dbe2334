package mqtt

import (
	"time"

	"holdbell/publish"
	"holdbell/rules"
	"holdbell/sensor"
)

// moment is an instant as messages carry it: RFC 3339 in UTC, or null while the wall clock was not
// believed, with the age at the time of publishing beside it where that is known.
type moment struct {
	at  *string
	age *float64
}

// when gives i as a moment. An instant of this boot gets its wall time from now once now's is believed.
func when(i, now sensor.Instant) moment {
	if i.IsZero() {
		return moment{}
	}
	if i = i.Rebase(now); !i.Believed {
		age, known := now.Sub(i)
		if !known {
			return moment{}
		}
		s := round3(max(age, 0))
		return moment{age: &s}
	}
	s := i.Wall.UTC().Round(time.Millisecond).Format("2006-01-02T15:04:05.999Z07:00")
	return moment{at: &s}
}

func round3(d time.Duration) float64 {
	return float64(d.Round(time.Millisecond)/time.Millisecond) / 1000
}

// probeMessage is probe/PROBE. Seq is the number of the sweep, so a listener sees what it missed.
type probeMessage struct {
	At      *string  `json:"at"`
	Celsius *float64 `json:"celsius"`
	Fault   *string  `json:"fault"`
	Seq     uint64   `json:"seq"`
	Age     *float64 `json:"age_s,omitempty"`
}

// newProbeMessage tells what conditioning passed; a faulty reading has a word and no number.
func newProbeMessage(r sensor.Reading, at moment, sweep uint64) probeMessage {
	m := probeMessage{At: at.at, Age: at.age, Seq: sweep}
	if r.Valid() {
		c := r.Temp.Celsius()
		m.Celsius = &c
	} else {
		f := r.Fault.String()
		m.Fault = &f
	}
	return m
}

// alarmMessage is alarm/STATION/ALARM/SUBJECT. Seq is that of the event which raised it.
type alarmMessage struct {
	Alarm        rules.AlarmName   `json:"alarm"`
	Station      string            `json:"station"`
	Lot          string            `json:"lot"`
	Probe        string            `json:"probe"`
	Seq          uint64            `json:"seq"`
	State        rules.AlarmStatus `json:"state"`
	Priority     rules.Priority    `json:"priority"`
	Active       bool              `json:"active"`
	ValueUnknown bool              `json:"value_unknown"`
	Since        *string           `json:"since"`
	Age          *float64          `json:"age_s,omitempty"`
	Until        *string           `json:"until,omitempty"` // end of shelving
	By           string            `json:"by,omitempty"`    // who acknowledged
	Text         string            `json:"text"`
}

func newAlarmMessage(a *rules.AlarmState, now sensor.Instant) alarmMessage {
	since := when(a.Since, now)
	return alarmMessage{Alarm: a.Alarm, Station: a.Station, Lot: a.Lot, Probe: a.Probe, Seq: a.Seq,
		State: a.Status, Priority: a.Priority, Active: a.Active, ValueUnknown: a.ValueUnknown,
		Since: since.at, Age: since.age, Until: when(a.Until, now).at, By: a.AckBy, Text: a.Text}
}

// eventMessage is one event. Ledger and Seq are its key: a listener that has seen them ignores it. But one that is
// Unrecorded is not to be remembered by them: when the power fails before the record can be written again, a later
// event gets its number.
type eventMessage struct {
	Ledger     string            `json:"ledger"`
	Seq        uint64            `json:"seq"`
	Kind       rules.EventKind   `json:"kind"`
	At         *string           `json:"at"`
	Age        *float64          `json:"age_s,omitempty"`
	Since      *string           `json:"since"`
	SinceAge   *float64          `json:"since_age_s,omitempty"`
	Alarm      rules.AlarmName   `json:"alarm,omitempty"`
	Station    string            `json:"station,omitempty"`
	Lot        string            `json:"lot,omitempty"`
	Probe      string            `json:"probe,omitempty"`
	Priority   rules.Priority    `json:"priority,omitempty"`
	State      rules.AlarmStatus `json:"state,omitempty"`
	Verdict    rules.Verdict     `json:"verdict,omitempty"`
	Celsius    *float64          `json:"celsius,omitempty"`
	Basis      string            `json:"basis,omitempty"`
	Mark       string            `json:"mark,omitempty"`
	By         string            `json:"by,omitempty"`
	Text       string            `json:"text"`
	Unrecorded bool              `json:"unrecorded,omitempty"`
}

func newEventMessage(ledger string, ev *rules.Event, now sensor.Instant) eventMessage {
	at, since := when(ev.At, now), when(ev.Since, now)
	m := eventMessage{Ledger: ledger, Seq: ev.Seq, Kind: ev.Kind, At: at.at, Age: at.age, Since: since.at, SinceAge: since.age,
		Alarm: ev.Alarm, Station: ev.Station, Lot: ev.Lot, Probe: ev.Probe, Priority: ev.Priority, State: ev.State,
		Verdict: ev.Verdict, Basis: ev.Basis, Mark: ev.Mark, By: ev.By, Text: ev.Text, Unrecorded: ev.Unrecorded}
	if ev.Temp != nil {
		c := ev.Temp.Celsius()
		m.Celsius = &c
	}
	return m
}

// configMessage is status/config. Since is null until the wall clock is believed.
type configMessage struct {
	Hash    string   `json:"hash"`
	Base    string   `json:"base,omitempty"`
	Since   *string  `json:"since"`
	Age     *float64 `json:"since_age_s,omitempty"`
	Version string   `json:"version"` // of the daemon
}

func newConfigMessage(c publish.Config, version string, now sensor.Instant) configMessage {
	since := when(c.Since, now)
	return configMessage{Hash: c.Hash, Base: c.Base, Since: since.at, Age: since.age, Version: version}
}

// Head is the newest link of the record's chain.
type Head struct {
	Ledger string `json:"ledger"` // the ledger's id
	Links  uint64 `json:"links"`  // the link's number, from 1
	Hash   string `json:"hash"`   // 64 hexadecimal digits
}

// headMessage is head. At is the sweep with which the link was first seen; a link that is as old as the
// record's trouble keeps its time.
type headMessage struct {
	Head
	At  *string  `json:"at"`
	Age *float64 `json:"age_s,omitempty"`
}
