package page

import (
	"encoding/json"
	"math"
	"net/http"
	"slices"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// StateReport is the answer of GET /state. Lots, probes and alarms carry the field names of the replay's
// JSON, with what holds at present beside them. Temperatures are in degrees Celsius.
type StateReport struct {
	Site          string                 `json:"site"`
	Units         rules.Units            `json:"units"`
	At            *rules.Stamp           `json:"at"` // null while the wall clock is not believed
	Age           *float64               `json:"age_seconds"`
	Stale         bool                   `json:"stale"`
	ClockBelieved bool                   `json:"clock_believed"`
	Monotonic     float64                `json:"monotonic_seconds"` // of the sweep, by the clock that nobody sets
	Seq           uint64                 `json:"seq"`
	Sweeps        uint64                 `json:"sweeps"`
	Supply        rules.Supply           `json:"supply,omitempty"` // the board's own: fine, low
	Config        string                 `json:"config,omitempty"` // the hash of the configuration in force
	Probes        map[string]ProbeReport `json:"probes"`
	Stations      []StationReport        `json:"stations"`
	Lots          []rules.LotReport      `json:"lots"`
	Alarms        []AlarmReport          `json:"alarms"`
}

// ProbeReport is one probe: since the start, and now.
type ProbeReport struct {
	Valid        uint64            `json:"valid"`
	Faults       map[string]uint64 `json:"faults"`
	Min          *float64          `json:"min_celsius"`
	Max          *float64          `json:"max_celsius"`
	Mean         *float64          `json:"mean_celsius"`
	Station      string            `json:"station"`
	Role         string            `json:"role"`
	Corrected    *float64          `json:"corrected_celsius"`  // by its calibration
	Rejected     string            `json:"rejected,omitempty"` // why celsius is not that
	Celsius      *float64          `json:"celsius"`            // null while faulty
	Fault        *string           `json:"fault"`              // null while valid
	LastValidAge *float64          `json:"last_valid_age_seconds"`
	Raw          *float64          `json:"raw_celsius"` // before calibration; null while faulty
	// Lots are the open ones that it speaks for.
	Lots        []string                 `json:"lots,omitempty"`
	Calibration *rules.CalibrationReport `json:"calibration,omitempty"`        // the newest
	Second      *rules.CalibrationReport `json:"calibration_second,omitempty"` // the newest far enough from it for a line through both
}

// StationReport is one station.
type StationReport struct {
	Station      string        `json:"station"`
	Purpose      rules.Purpose `json:"purpose"`
	Armed        bool          `json:"armed"`
	OutOfService bool          `json:"out_of_service"`
	Air          string        `json:"air"`
	Food         []string      `json:"food"`
	AirCelsius   *float64      `json:"air_celsius"`
	Setpoint     *float64      `json:"setpoint_celsius"`
	BandLow      *float64      `json:"band_low_celsius"`
	BandHigh     *float64      `json:"band_high_celsius"`
	Kept         *KeptReport   `json:"kept"` // null while it is not armed
	DoorOpen     *rules.Stamp  `json:"door_open_since,omitempty"`
	Recovery     *float64      `json:"recovery_seconds"` // after the door was last shut; null before that

	Reminders []ReminderReport `json:"reminders,omitempty"`
}

// KeptReport is how a station's air was kept since it was armed; the mean and the spread are null without
// any known time.
type KeptReport struct {
	Known   float64  `json:"known_seconds"`
	Unknown float64  `json:"unknown_seconds"`
	In      float64  `json:"in_band_seconds"`
	Below   float64  `json:"below_band_seconds"`
	Above   float64  `json:"above_band_seconds"`
	Mean    *float64 `json:"mean_celsius"`
	Spread  *float64 `json:"spread_celsius"`
}

// ReminderReport is one of a station's reminders.
type ReminderReport struct {
	Say   string         `json:"say"`
	After rules.MarkKind `json:"after"`
	Every float64        `json:"every_seconds"`
	Next  *rules.Stamp   `json:"next"` // null while it does not run
	Due   bool           `json:"due"`
}

// AlarmReport is one alarm that is not normal.
type AlarmReport struct {
	Seq          uint64            `json:"seq"`
	Alarm        rules.AlarmName   `json:"alarm"`
	Station      string            `json:"station"`
	Lot          string            `json:"lot"`
	Probe        string            `json:"probe"`
	Priority     rules.Priority    `json:"priority"`
	State        rules.AlarmStatus `json:"state"`
	Active       bool              `json:"active"`
	ValueUnknown bool              `json:"value_unknown"`
	Since        rules.Stamp       `json:"since"`
	Raised       rules.Stamp       `json:"raised"`
	Acknowledged rules.Stamp       `json:"acknowledged"`
	By           string            `json:"by"`
	Cleared      rules.Stamp       `json:"cleared"`
	Until        rules.Stamp       `json:"until"`
	Worst        *float64          `json:"worst_celsius"`
	SinceAge     *float64          `json:"since_age_seconds"`
	Text         string            `json:"text"`
}

// Report gives st as GET /state does, seen at now; stale is the age past which it no longer counts as
// the present.
func Report(st *rules.State, now sensor.Instant, stale time.Duration) StateReport {
	age, known := now.Sub(st.At)
	r := StateReport{Site: st.Site, Units: st.Units, Age: ageOf(now, st.At), Stale: !known || age > stale,
		ClockBelieved: now.Believed, Monotonic: round3(st.At.Mono.Seconds()), Seq: st.Seq, Sweeps: st.Sweeps, Supply: st.Supply, Probes: make(map[string]ProbeReport, len(st.Probes)),
		Stations: []StationReport{}, Lots: []rules.LotReport{}, Alarms: []AlarmReport{}}
	if st.At.Believed {
		r.At = &rules.Stamp{At: st.At}
	}
	for i := range st.Probes {
		v := reportProbe(&st.Probes[i], now)
		for j := range st.Lots {
			if l := &st.Lots[j]; !l.Ended && slices.Contains(l.Probes, st.Probes[i].Name) {
				v.Lots = append(v.Lots, l.Lot)
			}
		}
		r.Probes[st.Probes[i].Name] = v
	}
	for i := range st.Stations {
		s := &st.Stations[i]
		v := StationReport{Station: s.Name, Purpose: s.Purpose, Armed: s.Armed, OutOfService: s.OutOfService, Air: s.Air,
			Food: append([]string{}, s.Food...), AirCelsius: celsius(s.AirTemp), Setpoint: celsius(s.Setpoint)}
		if s.Band != nil {
			v.BandLow, v.BandHigh = celsius(&s.Band.Low), celsius(&s.Band.High)
		}
		keep(&v, s)
		r.Stations = append(r.Stations, v)
	}
	for i := range st.Lots {
		r.Lots = append(r.Lots, st.Lots[i].Report(false))
	}
	for i := range st.Alarms {
		a := &st.Alarms[i]
		r.Alarms = append(r.Alarms, AlarmReport{Seq: a.Seq, Alarm: a.Alarm, Station: a.Station, Lot: a.Lot, Probe: a.Probe,
			Priority: a.Priority, State: a.Status, Active: a.Active, ValueUnknown: a.ValueUnknown, Since: rules.Stamp{At: a.Since},
			Raised: rules.Stamp{At: a.Raised}, Acknowledged: rules.Stamp{At: a.Acknowledged}, By: a.AckBy,
			Cleared: rules.Stamp{At: a.Cleared}, Until: rules.Stamp{At: a.Until}, Worst: celsius(a.Worst),
			SinceAge: ageOf(now, a.Since), Text: a.Text})
	}
	return r
}

// keep fills in how a station's air was kept, its door and its reminders.
func keep(v *StationReport, s *rules.StationState) {
	if k := s.Kept; k != nil {
		v.Kept = &KeptReport{Known: round3(k.Known.Seconds()), Unknown: round3(k.Unknown.Seconds()), In: round3(k.InBand.Seconds()),
			Below: round3(k.BelowBand.Seconds()), Above: round3(k.AboveBand.Seconds())}
		if k.Known > 0 {
			v.Kept.Mean, v.Kept.Spread = celsius(&k.Mean), celsius(&k.Spread)
		}
	}
	if !s.DoorOpen.IsZero() {
		v.DoorOpen = &rules.Stamp{At: s.DoorOpen}
	}
	if s.Recovery != nil {
		d := round3(s.Recovery.Seconds())
		v.Recovery = &d
	}
	for _, m := range s.Reminders {
		w := ReminderReport{Say: m.Say, After: m.After, Every: m.Every.Seconds(), Due: m.Due}
		if !m.Next.IsZero() {
			w.Next = &rules.Stamp{At: m.Next}
		}
		v.Reminders = append(v.Reminders, w)
	}
}

func reportProbe(p *rules.ProbeState, now sensor.Instant) ProbeReport {
	r := ProbeReport{Valid: p.Valid, Faults: map[string]uint64{}, Station: p.Station, Role: p.Role, LastValidAge: ageOf(now, p.LastValid)}
	for f, n := range p.Faults {
		if n > 0 && sensor.Fault(f) != sensor.None {
			r.Faults[sensor.Fault(f).String()] = n
		}
	}
	if p.Valid > 0 {
		mean := round3(p.Sum / float64(p.Valid))
		r.Min, r.Max, r.Mean = celsius(&p.Min), celsius(&p.Max), &mean
	}
	if p.Raw.Valid() {
		r.Raw = celsius(&p.Raw.Temp)
	}
	r.Calibration, r.Second = p.Calibration.Report(false), p.Second.Report(false)
	if p.Corrected.Valid() {
		r.Corrected = celsius(&p.Corrected.Temp)
	}
	r.Rejected = p.Rejected
	if p.Reading.Valid() {
		r.Celsius = celsius(&p.Reading.Temp)
	} else {
		word := p.Reading.Fault.String()
		r.Fault = &word
	}
	return r
}

// ageOf is how long ago at was, in seconds; nil when at was never, or the clocks cannot tell.
func ageOf(now, at sensor.Instant) *float64 {
	d, known := now.Sub(at)
	if at.IsZero() || !known {
		return nil
	}
	s := round3(d.Seconds())
	return &s
}

func celsius(t *sensor.Temp) *float64 {
	if t == nil {
		return nil
	}
	c := t.Celsius()
	return &c
}

func round3(v float64) float64 { return math.Round(v*1000) / 1000 }

// health is the answer of GET /healthz.
type health struct {
	Status        string   `json:"status"` // starting, watching, stale
	SweepAge      *float64 `json:"sweep_age_s"`
	Sweeps        uint64   `json:"sweeps"`
	Probes        int      `json:"probes"`
	ProbesValid   int      `json:"probes_valid"`
	Lots          int      `json:"lots_open"`
	Alarms        int      `json:"alarms_active"`
	ClockBelieved bool     `json:"clock_believed"`
}

// serveHealth answers 200 while the last sweep is fresh, else 503. What a probe or a lot says makes no
// difference: those are alarms.
func (p *Page) serveHealth(w http.ResponseWriter, r *http.Request) {
	st, now := p.state.Load(), p.opt.Now()
	h := health{Status: "starting", ClockBelieved: now.Believed}
	if st != nil {
		h.Status, h.SweepAge, h.Sweeps, h.Probes = "stale", ageOf(now, st.At), st.Sweeps, len(st.Probes)
		if age, known := now.Sub(st.At); known && age <= p.staleAfter() {
			h.Status = "watching"
		}
		for i := range st.Probes {
			if st.Probes[i].Reading.Valid() {
				h.ProbesValid++
			}
		}
		for i := range st.Lots {
			if !st.Lots[i].Ended {
				h.Lots++
			}
		}
		for i := range st.Alarms {
			if st.Alarms[i].Active {
				h.Alarms++
			}
		}
	}
	status := http.StatusServiceUnavailable
	if h.Status == "watching" {
		status = http.StatusOK
	}
	writeJSON(w, status, h)
}

// serveState answers the present state.
func (p *Page) serveState(w http.ResponseWriter, r *http.Request) {
	st := p.state.Load()
	if st == nil {
		writeJSON(w, http.StatusServiceUnavailable, markRefusal{Error: "No sweep was made yet; ask again in a few seconds."})
		return
	}
	report := Report(st, p.opt.Now(), p.staleAfter())
	report.Config = p.opt.Config.Hash
	writeJSON(w, http.StatusOK, report)
}

func writeJSON(w http.ResponseWriter, status int, v any) { writeAs(w, status, "application/json", v) }

// writeAs writes a value as JSON under a type of its own.
func writeAs(w http.ResponseWriter, status int, kind string, v any) {
	body, err := json.Marshal(v)
	if err != nil {
		http.Error(w, "The answer cannot be written as JSON.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", kind)
	w.WriteHeader(status)
	// A client that hung up is its own affair.
	_, _ = w.Write(append(body, '\n'))
}
