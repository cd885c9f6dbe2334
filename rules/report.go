package rules

import (
	"encoding/json"
	"math"
	"time"

	"holdbell/sensor"
)

// Stamp writes an Instant to JSON as RFC 3339, as seconds from the start when Relative, and as null when
// the Instant is zero.
type Stamp struct {
	At       sensor.Instant
	Relative bool
}

// MarshalJSON implements json.Marshaler.
func (s Stamp) MarshalJSON() ([]byte, error) {
	switch {
	case s.At.IsZero() && !s.Relative, s.At.Wall.IsZero():
		return []byte("null"), nil
	case s.Relative:
		return json.Marshal(round3(s.At.Mono.Seconds()))
	}
	return json.Marshal(s.At.Wall.UTC().Round(time.Millisecond).Format("2006-01-02T15:04:05.999Z07:00"))
}

// UnmarshalJSON implements json.Unmarshaler.
func (s *Stamp) UnmarshalJSON(b []byte) error {
	*s = Stamp{}
	switch {
	case string(b) == "null":
		return nil
	case len(b) > 0 && b[0] == '"':
		return json.Unmarshal(b, &s.At.Wall)
	}
	var seconds float64
	err := json.Unmarshal(b, &seconds)
	s.Relative, s.At.Mono = true, time.Duration(seconds*float64(time.Second))
	return err
}

// LotReport is a lot as outside scripts read it: in the replay's JSON and on MQTT.
type LotReport struct {
	Lot           string           `json:"lot"`
	Food          string           `json:"food"`
	Station       string           `json:"station"`
	Stage         Purpose          `json:"stage"`
	Verdict       Verdict          `json:"verdict"`
	Action        string           `json:"action"`
	Deadline      Stamp            `json:"deadline"`
	Basis         string           `json:"basis"`
	Text          string           `json:"text"`
	Proposal      string           `json:"proposal,omitempty"`
	Celsius       *float64         `json:"celsius"`
	Probe         string           `json:"probe,omitempty"`
	Ended         bool             `json:"ended"`
	CookSeen      bool             `json:"cook_seen"`
	DangerZone    float64          `json:"danger_zone_seconds"`
	Charged       float64          `json:"charged_seconds"`
	BelowHotLimit float64          `json:"below_hot_limit_seconds"`
	ComeUp        float64          `json:"come_up_seconds"`
	Unknown       float64          `json:"unknown_seconds"`
	UnknownSince  *Stamp           `json:"unknown_since,omitempty"`
	UnknownLength bool             `json:"unknown_length,omitempty"`
	Made          Made             `json:"made,omitempty"`
	Guard         float64          `json:"guard_celsius,omitempty"`
	Cooling       *CoolingReport   `json:"cooling"`
	Reheating     *ReheatingReport `json:"reheating"`
	Cook          *CookReport      `json:"cook"`
	CookValue     float64          `json:"c100_minutes"`
	Lethality     *LethalityReport `json:"lethality"`
	Growth        *GrowthReport    `json:"growth"`
	Stays         []StayReport     `json:"stays"`
}

// StayReport is a lot's time in one station and stage; To is null while it is there. The temperatures are
// null where no reading was valid: of the food, but for OnAir, and the station's air by time.
type StayReport struct {
	Station   string   `json:"station"`
	Stage     Purpose  `json:"stage"`
	From      Stamp    `json:"from"`
	To        Stamp    `json:"to"`
	Seconds   float64  `json:"seconds"`
	Min       *float64 `json:"min_celsius"`
	Max       *float64 `json:"max_celsius"`
	OnAir     bool     `json:"on_air,omitempty"`
	AirMean   *float64 `json:"air_mean_celsius"`
	AirSpread *float64 `json:"air_spread_celsius"` // a standard deviation
	Unknown   float64  `json:"air_unknown_seconds"`
}

// CoolingReport is a cooling run; a stage not reached is null.
type CoolingReport struct {
	Started Stamp     `json:"started"`
	Stage1  *float64  `json:"stage1_seconds"`
	Stage2  *float64  `json:"stage2_seconds"`
	Result  RunResult `json:"result"`

	Basis  string     `json:"basis"`
	Late   bool       `json:"late"`
	Leg    *LegReport `json:"leg"`    // null when the run is over
	Finish *LegReport `json:"finish"` // likewise
}

// ReheatingReport is a reheating run; Reached is null until proven.
type ReheatingReport struct {
	Started Stamp     `json:"started"`
	Reached *float64  `json:"reached_seconds"`
	Result  RunResult `json:"result"`

	Basis  string     `json:"basis"`
	Late   bool       `json:"late"`
	Finish *LegReport `json:"finish"` // null when the run is over
}

// LethalityReport is the cooking lethality of a lot.
type LethalityReport struct {
	Salmonella float64 `json:"salmonella_log10"`
	TableMet   bool    `json:"table_met"`
	Table      string  `json:"table"`
}

// Report gives l as outside scripts read it; relative chooses seconds from the start instead of
// RFC 3339.
func (l *LotState) Report(relative bool) LotReport {
	r := LotReport{
		Lot: l.Lot, Food: l.Food, Station: l.Station, Stage: l.Stage,
		Verdict: l.Verdict, Action: l.Action, Deadline: Stamp{l.Deadline, relative},
		Basis: l.Basis, Text: l.Text, Proposal: l.Proposal, Probe: l.Probe, Ended: l.Ended, CookSeen: l.CookSeen,
		DangerZone: seconds(l.DangerZone), Charged: seconds(l.Charged),
		BelowHotLimit: seconds(l.BelowHotLimit), ComeUp: seconds(l.ComeUp),
		Unknown: seconds(l.Unknown), UnknownLength: l.UnknownLength,
	}
	r.Made, r.Guard = l.Made, l.Guard.Celsius()
	if l.Temp != nil {
		c := l.Temp.Celsius()
		r.Celsius = &c
	}
	if !l.UnknownSince.Wall.IsZero() {
		r.UnknownSince = &Stamp{l.UnknownSince, relative}
	}
	r.Cook, r.CookValue = l.Cook.report(relative), round3(l.CookValue)
	if x := l.Lethality; x != nil {
		r.Lethality = &LethalityReport{round3(x.Salmonella), x.TableMet, x.Table}
	}
	if g := l.Growth; g != nil {
		r.Growth = g.report()
	}
	r.Stays = make([]StayReport, len(l.Stays))
	for i := range l.Stays {
		r.Stays[i] = l.Stays[i].report(relative)
	}
	if c := l.Cooling; c != nil {
		r.Cooling = &CoolingReport{Stamp{c.Started, relative}, reached(c.Stage1), reached(c.Stage2), c.Result,
			c.Basis, c.Late, c.Leg.report(relative), c.Finish.report(relative)}
	}
	if h := l.Reheating; h != nil {
		r.Reheating = &ReheatingReport{Stamp{h.Started, relative}, reached(h.Reached), h.Result,
			h.Basis, h.Late, h.Finish.report(relative)}
	}
	return r
}

func (s *StayState) report(relative bool) StayReport {
	r := StayReport{Station: s.Station, Stage: s.Stage, From: Stamp{s.From, relative}, To: Stamp{s.To, relative},
		Seconds: seconds(s.Length), OnAir: s.OnAir, Unknown: seconds(s.Air.Unknown)}
	if s.Low != nil {
		low, high := s.Low.Celsius(), s.High.Celsius()
		r.Min, r.Max = &low, &high
	}
	if s.Air.Known > 0 {
		mean, spread := s.Air.Mean.Celsius(), s.Air.Spread.Celsius()
		r.AirMean, r.AirSpread = &mean, &spread
	}
	return r
}

func reached(d time.Duration) *float64 {
	if d < 0 {
		return nil
	}
	s := seconds(d)
	return &s
}

// seconds rounds to a thousandth, so that interpolated crossings print short.
func seconds(d time.Duration) float64 { return round3(d.Seconds()) }

func round3(s float64) float64 { return math.Round(s*1000) / 1000 }

// CalibrationReport is a probe's check against a known temperature, in degrees Celsius.
type CalibrationReport struct {
	At        Stamp     `json:"at"`
	Reference Reference `json:"reference"`
	True      float64   `json:"true_celsius"`
	Read      float64   `json:"read_celsius"`
	Error     float64   `json:"error_celsius"`
	Raw       *float64  `json:"raw_celsius"` // before the probe's calibration; null when nobody said
	Pass      bool      `json:"pass"`
	By        string    `json:"by"`
}

// Report gives a check as the state and the replay's JSON do; nil for nil.
func (c *CalibrationState) Report(relative bool) *CalibrationReport {
	if c == nil {
		return nil
	}
	r := &CalibrationReport{At: Stamp{At: c.At, Relative: relative}, Reference: c.Ref, True: c.True.Celsius(), Read: c.Read.Celsius(),
		Error: c.Error().Celsius(), Pass: c.Pass, By: c.By}
	if c.Raw != nil {
		raw := c.Raw.Celsius()
		r.Raw = &raw
	}
	return r
}
