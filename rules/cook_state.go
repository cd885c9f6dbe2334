package rules

import (
	"slices"
	"time"

	"holdbell/sensor"
)

// CookStage is how a lot's cooking stands.
type CookStage string

// The stages of a cook.
const (
	CookNotSeen  CookStage = "not-seen" // it was loaded hot, or cold: nobody watched it cook
	CookRunning  CookStage = "cooking"
	CookDone     CookStage = "proven"
	CookUnproven CookStage = "unproven" // it left the cook before a proven endpoint
)

// OvenStage is how the oven of the roast rule stands.
type OvenStage string

// The stages of an oven.
const (
	OvenKept    OvenStage = "kept"
	OvenMissed  OvenStage = "missed"
	OvenUnknown OvenStage = "unknown" // the configuration does not say what it is, or its air has no reading
)

// CookState is a lot's way to its endpoint.
type CookState struct {
	Stage CookStage
	// Rule is the endpoint in words: the one that was met, else the one that is aimed at; empty where the code
	// names none.
	Rule  string
	Basis string
	Proof CookProof      // empty until proven
	At    sensor.Instant // when it was proven; zero until then
	// Left is how long the food must yet stay at its present temperature; negative when it is not hot enough, or
	// nobody knows.
	Left      time.Duration
	RoastTime bool      // the roast table's time was met
	Oven      OvenStage // empty where the code has no roast rule for the food
	Finish    FinishState
	Text      string // whole sentences
}

// FinishStage is what is known of a cook's finish.
type FinishStage string

// The stages of an estimate.
const (
	FinishReached  FinishStage = "reached"
	FinishExpected FinishStage = "expected"
	FinishStall    FinishStage = "stall"   // it stalls: nobody knows when it goes on
	FinishUnknown  FinishStage = "unknown" // too early, too noisy, or not on its way
)

// FinishState is when a cooking lot is expected at its target: its person's own, else its endpoint.
type FinishState struct {
	Stage               FinishStage
	Target              *sensor.Temp  // nil: there is none
	In, Soonest, Latest time.Duration // of FinishExpected
	StallAhead          bool          // the way leads through the temperatures of a stall, which Latest does not count in
	Personal            bool          // the target came with the load
}

// cookState is nil for a lot to which cooking does not apply: food that is held cold or cooled and was not
// seen cooking, and a station's own lot.
func (e *Engine) cookState(l *lot) *CookState {
	if !l.CookSeen {
		if l.Standing || l.Stage == ColdHolding || l.Stage == Cooling {
			return nil
		}
		s := &CookState{Stage: CookNotSeen, Left: never, Finish: FinishState{Stage: FinishUnknown}}
		s.Text = e.cookText(l, s)
		return s
	}
	s := &CookState{Stage: CookRunning, Left: never}
	if limit := e.code(l).cookLimit(l.Food); limit != nil {
		s.Rule, s.Basis = e.held(limit.Temp, limit.Hold), limit.Basis.String()
	}
	switch c := l.Cook; {
	case c != nil && c.Proof != "":
		s.Stage, s.Proof, s.At = CookDone, c.Proof, c.ProvenI
		s.Rule, s.Basis, s.Left = e.held(c.Temp, c.Hold), c.Basis.String(), 0
	case e.cookOwed(l):
		s.Stage = CookUnproven
	}
	if s.Stage != CookDone {
		s.Left = e.cookLeftTime(l)
	}
	if r := e.code(l).Roast; r != nil && slices.Contains(r.Foods, l.Food) && l.Cook != nil {
		s.RoastTime, s.Oven = l.Cook.RoastTime, e.ovenStage(l)
	}
	s.Finish = e.finish(l)
	s.Text = e.cookText(l, s)
	return s
}

func (e *Engine) ovenStage(l *lot) OvenStage {
	switch c := l.Cook; {
	case c.OvenSeen && !c.OvenMissed:
		return OvenKept
	case l.Stage == Cooking && e.ovenOf(l) == nil && !c.OvenSeen:
		return OvenUnknown
	}
	return OvenMissed
}

// cookLeftTime is how long a lot must yet stay at its present temperature to meet a limit, or a row whose
// oven is kept; never when it is not hot enough for any, or no reading says.
func (e *Engine) cookLeftTime(l *lot) time.Duration {
	c, code := l.Cook, e.code(l)
	if c == nil || !l.open() || !l.AllValid || l.onAirOnly(e) {
		return never
	}
	left := never
	for i := range code.Cooking {
		k := &code.Cooking[i]
		if i == len(c.Since) || l.Low < k.Temp || !slices.Contains(k.Foods, l.Food) {
			continue
		}
		need := max(k.Hold, momentHold)
		if c.Since[i] != never {
			need = max(0, need-(e.mem.Now-c.Since[i]))
		}
		if left == never || need < left {
			left = need
		}
	}
	if r := code.Roast; r != nil && slices.Contains(r.Foods, l.Food) && c.OvenSeen && !c.OvenMissed {
		if _, need, ok := e.tables.roast.Left(&l.Advice.Dwell, l.Low-l.Guard); ok && (left == never || need < left) {
			left = need
		}
	}
	return left
}

// finish is when a cooking lot is expected at its target, by the slowest of its probes.
func (e *Engine) finish(l *lot) FinishState {
	f := FinishState{Stage: FinishUnknown, Target: l.Target, Personal: l.Target != nil}
	if f.Target == nil {
		if k := e.code(l).cookLimit(l.Food); k != nil {
			t := k.Temp
			f.Target = &t
		}
	}
	switch {
	case f.Target == nil || !l.open() || l.Stage != Cooking || !l.AllValid || l.onAirOnly(e):
		return f
	case l.Low >= *f.Target:
		f.Stage = FinishReached
		return f
	}
	way := e.rise(l, *f.Target)
	f.Stage, f.In, f.Soonest, f.Latest, f.StallAhead = way.stage, way.In, way.Soonest, way.Latest, way.StallAhead
	return f
}
