package rules

import (
	"time"

	"holdbell/rules/microbe"
)

// CookReport is a lot's cooking as outside scripts read it.
type CookReport struct {
	State       CookStage    `json:"state"`
	Rule        string       `json:"rule"`
	Basis       string       `json:"basis"`
	Proof       CookProof    `json:"proof"`
	Proven      Stamp        `json:"proven"`
	LeftSeconds *float64     `json:"left_seconds"` // null: not hot enough, or not known
	RoastTime   bool         `json:"roast_time_met"`
	Oven        OvenStage    `json:"oven,omitempty"`
	Finish      FinishReport `json:"finish"`
	Text        string       `json:"text"`
}

// FinishReport is the finish estimate; its times are null unless state is "expected".
type FinishReport struct {
	State      FinishStage `json:"state"`
	Target     *float64    `json:"target_celsius"`
	In         *float64    `json:"in_seconds"`
	Soonest    *float64    `json:"soonest_seconds"`
	Latest     *float64    `json:"latest_seconds"`
	StallAhead bool        `json:"stall_ahead"`
}

func (s *CookState) report(relative bool) *CookReport {
	if s == nil {
		return nil
	}
	r := &CookReport{State: s.Stage, Rule: s.Rule, Basis: s.Basis, Proof: s.Proof, LeftSeconds: reached(s.Left),
		RoastTime: s.RoastTime, Oven: s.Oven, Text: s.Text,
		Finish: FinishReport{State: s.Finish.Stage, StallAhead: s.Finish.StallAhead}}
	if s.Proof != "" {
		r.Proven = Stamp{s.At, relative}
	}
	if f := &s.Finish; f.Target != nil {
		c := f.Target.Celsius()
		r.Finish.Target = &c
		if f.Stage == FinishExpected {
			told := func(d time.Duration) *float64 { return reached(max(0, d)) }
			r.Finish.In, r.Finish.Soonest, r.Finish.Latest = told(f.In), told(f.Soonest), told(f.Latest)
		}
	}
	return r
}

// GrowthReport is the predicted growth in a lot: the larger of each published range in one number, and what
// each model says.
type GrowthReport struct {
	CPerfringens    float64             `json:"c_perfringens_log10"`
	CPerfringensLow float64             `json:"c_perfringens_low_log10"`
	BCereus         float64             `json:"b_cereus_log10"`
	Uncertainty     float64             `json:"uncertainty_log10"`
	Models          []GrowthModelReport `json:"models"`
}

// GrowthModelReport is one model's word, and where it comes from.
type GrowthModelReport struct {
	Model      string  `json:"model"`
	Low        float64 `json:"low_log10"`
	High       float64 `json:"high_log10"`
	Provenance string  `json:"provenance"`
}

func (g *GrowthState) report() *GrowthReport {
	r := &GrowthReport{CPerfringens: round3(g.CPerfringens), CPerfringensLow: round3(g.CPerfringensLow),
		BCereus: round3(g.BCereus), Uncertainty: microbe.Uncertainty}
	for _, m := range g.Models {
		r.Models = append(r.Models, GrowthModelReport{m.Name, round3(m.Low), round3(m.High), m.Provenance})
	}
	return r
}
