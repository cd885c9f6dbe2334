package page

import (
	"cmp"
	"fmt"
	"strings"

	"holdbell/publish"
	"holdbell/rules"
	"holdbell/rules/terms"
	"holdbell/sensor"
)

// count is one line of the summary: how many lots have a verdict, or how many alarms ring.
type count struct {
	ID    string
	N     int
	Word  string
	Shape string
	Href  string
}

type station struct {
	ID, Href, FormID, Name, Purpose, Setpoint, Band, InBand string
	Air                                                     *temp
	Armed, OutOfService, Stale, Marks                       bool
	Probes                                                  string
	Facts                                                   []fact
}

type alarm struct {
	ID, Name, Station, Lot, Probe string
	Subject, StationHref, FormID  string
	Marks, Shelvable              bool
	Priority                      rules.Priority
	Status                        string
	Unseen, Active                bool // waits to be acknowledged; still is so
	Since                         string
	Facts                         []fact
	Text                          string
	AckNote                       string
}

type probe struct {
	ID, Name, Where, Reading, Fault, LastValid string
}

type event struct {
	ID, When, Text, Kind, By string
	Unrecorded               bool
	Undo                     string // where the mark can be taken back; empty: it is none
}

// factView is one line about the board.
type factView struct {
	BoardFact
	ID string
}

// stay is one place where a lot has been.
type stay struct{ ID, When, Stage, Station, Length, Range string }

// hand is a large button that begins a mark.
type hand struct{ ID, Href, Word, Says string }

func stationOf(s *rules.StationState, u rules.Units, c clock) station {
	v := station{Name: s.Name, Purpose: terms.Label(s.Purpose), Armed: s.Armed, OutOfService: s.OutOfService, Air: tempOf(s.AirTemp, u),
		Probes: strings.Join(s.Food, ", "), Facts: keepingOf(s, u, c)}
	if s.Setpoint != nil {
		v.Setpoint = u.Format(*s.Setpoint)
	}
	if s.Band == nil {
		return v
	}
	v.Band = u.Format(s.Band.Low) + " to " + u.Format(s.Band.High)
	switch {
	case s.AirTemp == nil:
		v.InBand = "not known"
	case *s.AirTemp < s.Band.Low:
		v.InBand = "under it"
	case *s.AirTemp > s.Band.High:
		v.InBand = "over it"
	default:
		v.InBand = "inside it"
	}
	return v
}

func alarmOf(a *rules.AlarmState, u rules.Units, c clock) alarm {
	v := alarm{Name: terms.Label(a.Alarm), Station: a.Station, Lot: a.Lot, Probe: a.Probe, Priority: a.Priority,
		Status: terms.Label(a.Status), Unseen: publish.WaitsForHand(a), Active: a.Active,
		Shelvable: a.Status != rules.Shelved && a.Status != rules.OutOfService,
		Subject:   cmp.Or(a.Lot, a.Probe, a.Station), Since: c.both(a.Since), Text: a.Text, AckNote: "alarm=" + string(a.Alarm)}
	if a.Probe != "" {
		v.AckNote += " probe=" + a.Probe
	}
	add := func(name, value string) { v.Facts = append(v.Facts, fact{name, value}) }
	if a.ValueUnknown {
		add("Value", "unknown: no valid reading says how it stands")
	}
	if a.Worst != nil {
		add("Worst", u.Format(*a.Worst))
	}
	if !a.Acknowledged.IsZero() {
		by := ", unsigned"
		if a.AckBy != "" {
			by = " by " + a.AckBy
		}
		add("Acknowledged", c.both(a.Acknowledged)+by)
	}
	if !a.Cleared.IsZero() {
		add("Condition ended", c.both(a.Cleared))
	}
	if a.Status == rules.Shelved {
		add("Sounds again", c.ahead(a.Until))
	}
	return v
}

func probeOf(p *rules.ProbeState, u rules.Units, c clock) probe {
	v := probe{Name: p.Name, Where: "no station", LastValid: c.ago(p.LastValid)}
	if p.Station != "" {
		v.Where = p.Role + " of " + p.Station
	}
	if p.Reading.Valid() {
		v.Reading = u.Format(p.Reading.Temp)
		if p.Raw.Valid() && p.Corrected == p.Reading && p.Raw != p.Corrected {
			v.Reading += ", corrected from " + u.Format(p.Raw.Temp)
		}
	} else {
		v.Reading, v.Fault = terms.Label(p.Reading.Fault), cmp.Or(p.Rejected, terms.Of(p.Reading.Fault).Means)
	}
	return v
}

// boardStation is the station name of the daemon's own alarms.
const boardStation = "board"

// board says how the board itself is.
func (p *Page) board(st *rules.State, now sensor.Instant, c clock) []BoardFact {
	clockFact := BoardFact{"Clock", "not set yet: ages are shown in place of clock times", true}
	if now.Believed {
		clockFact = BoardFact{"Clock", "believed", false}
	}
	facts := []BoardFact{clockFact}
	if st == nil {
		facts = append(facts, BoardFact{"Last sweep", "none yet", true})
	} else {
		age, known := now.Sub(st.At)
		facts = append(facts, BoardFact{"Last sweep", c.ago(st.At), !known || age > p.staleAfter()})
		valid := 0
		for i := range st.Probes {
			if st.Probes[i].Reading.Valid() {
				valid++
			}
		}
		facts = append(facts, BoardFact{"Probes that read", fmt.Sprintf("%d of %d", valid, len(st.Probes)), valid < len(st.Probes)})
		record := BoardFact{"Record", "no trouble", false}
		for i := range st.Alarms {
			a := &st.Alarms[i]
			if a.Station != boardStation || !a.Active {
				continue
			}
			if a.Alarm == rules.RecordTrouble {
				record = BoardFact{"Record", a.Text, true}
				continue
			}
			facts = append(facts, BoardFact{terms.Label(a.Alarm), a.Text, true})
		}
		facts = append(facts, record)
	}
	if config := p.opt.Config; config.Hash != "" {
		said := config.Hash
		if config.Base != "" {
			said += " over the base " + config.Base
		}
		facts = append(facts, BoardFact{"Configuration", said + ", taken up " + c.both(config.Since), false})
	}
	if p.opt.Board != nil {
		facts = append(facts, p.opt.Board()...)
	}
	return facts
}
