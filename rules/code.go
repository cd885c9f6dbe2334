package rules

import (
	"fmt"
	"time"

	"holdbell/sensor"
)

// Confidence says how sure a published figure is.
type Confidence string

// The degrees of confidence.
const (
	Confirmed  Confidence = "confirmed"       // the text, or an official adoption of it, was read
	SecondHand Confidence = "second hand"     // a page quoting it was read
	Memory     Confidence = "from memory"     // not confirmed
	Practice   Confidence = "common practice" // no source
	Local      Confidence = "local"           // the configuration's own figure
)

// Citation is where a limit comes from.
type Citation struct {
	Document   string // "FDA Food Code 2022"
	Section    string // "3-501.16(A)(1)"
	Confidence Confidence
}

// String gives document and section, such as "FDA Food Code 2022 3-501.16(A)(1)".
func (c Citation) String() string {
	if c.Section == "" {
		return c.Document
	}
	return fmt.Sprintf("%s %s", c.Document, c.Section)
}

// Code is one jurisdiction's limits. Package foodcode holds the published ones.
type Code struct {
	Name  string // "us-fda-2022"
	Title string // "FDA Food Code 2022"

	HotLimit sensor.Temp // food held hot stays at or above
	HotBasis Citation
	// RoastHotLimit is the hot limit of a whole roast that was cooked by the roast table with its oven; nil
	// where the code makes no difference.
	RoastHotLimit *sensor.Temp
	RoastHotBasis Citation
	ColdLimit     sensor.Temp // food held cold stays at or below
	ColdBasis     Citation

	// DangerLimit is the charged time at which food held hot is to be discarded; ColdDangerLimit is the
	// same for food held cold.
	DangerLimit     time.Duration
	ColdDangerLimit time.Duration
	DangerBasis     Citation
	// ActFrom is the charged time from which the verdict is act; 0 means at once when outside the limit.
	ActFrom time.Duration
	// Return is what becomes of food that came back above the hot limit without being reheated.
	Return Return
	// ReturnBelow and ReturnFloor bound the excursion that a signed hand check may end: at most so long
	// below the limit, and never under the floor. Used with ReturnNeedsProof.
	ReturnBelow time.Duration
	ReturnFloor sensor.Temp
	ReturnBasis Citation

	// Cooking is what proves that food is cooked; empty when the code names no temperature. Roast is nil
	// where whole roasts have no rule of their own.
	Cooking []CookLimit
	Roast   *RoastRule

	// DangerApart keeps the time that began outside the hot limit and outside the cold limit apart, each
	// with its own limit; else all of it adds up.
	DangerApart bool

	Reheat  Reheat
	Cooling []CoolingLeg
	// CoolingAmbient is the leg of food made from ingredients at room temperature; nil when the code has none.
	CoolingAmbient *CoolingLeg
	// CoolingPlan names the plan whose legs stand in Cooling instead of the code's own, "" without one;
	// CoolingNeeds is what such a plan asks of a kitchen, a whole sentence. CoolingBegin is within what time
	// of being hot the food must be put to cool; 0 is no such limit.
	CoolingPlan  string
	CoolingNeeds string
	CoolingBegin time.Duration

	TimeControl []TimeControlRule

	// ComeUpLow, ComeUpHigh and ComeUpLimit bound come-up time in cooking: the time that the product is
	// between the two is at most the limit.
	ComeUpLow, ComeUpHigh sensor.Temp
	ComeUpLimit           time.Duration
	ComeUpBasis           Citation
}

// Return is a code's rule for food back above the hot limit that was not reheated.
type Return string

// The rules for a return.
const (
	// ReturnNeedsProof: act until reheated, or a signed hand check after a short shallow excursion.
	ReturnNeedsProof Return = "needs-proof"
	// ReturnOnce: one excursion is excused when shorter than DangerLimit.
	ReturnOnce Return = "once"
	// ReturnFree: nothing is asked; charged time alone speaks.
	ReturnFree Return = "free"
)

// Reheat is the proof that food was reheated: Target held for Hold, within Within of the start.
type Reheat struct {
	Target sensor.Temp
	Hold   time.Duration
	Within time.Duration // 0: the code names none
	Basis  Citation
	// Packaged is the target of food that was commercially processed and packaged and is heated for the
	// first time, held for no time; nil when the code has none.
	Packaged      *sensor.Temp
	PackagedBasis Citation
}

// CoolingLeg is one leg of a cooling rule: from the limit where it starts to To within Within, counted
// from the start of cooling when Total, else from the end of the leg before.
type CoolingLeg struct {
	From, To sensor.Temp
	Within   time.Duration
	Total    bool
	Basis    Citation
}

// TimeControlRule is one way in which time alone may be the control.
type TimeControlRule struct {
	Name    string // "4h", "6h": the word of the mark's note
	Asked   bool   // only for a mark that names it; the clock then runs from the loading
	Limit   time.Duration
	HotMin  *sensor.Temp // may start from at or above this
	ColdMax *sensor.Temp // may start from at or below this
	MaxFood *sensor.Temp // never above this meanwhile
	Basis   Citation
}
