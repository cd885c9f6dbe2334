package rules

import (
	"fmt"

	"holdbell/rules/microbe"
	"holdbell/sensor"
)

// growthAnew is where the guidance lets the count of growth begin anew: 60 °C, as in package microbe.
const growthAnew = sensor.Temp(60_000)

// GrowthState is the growth predicted since the food was last at 60 °C. It advises, and is uncertain by
// Uncertainty either way at best.
type GrowthState struct {
	CPerfringens    float64 // log10, the largest that any model of the food says
	CPerfringensLow float64 // the smallest, by the longest published lag
	BCereus         float64 // log10; the model is of cooked rice
	Models          []GrowthModel
}

// GrowthModel is one published model's word.
type GrowthModel struct {
	Name       string
	Low, High  float64 // log10; both equal where one lag is published
	Provenance string
}

// perfringens lists the models of C. perfringens for a food: its own, or all where none is.
func perfringens(food string) []microbe.Model {
	switch food {
	case "beef":
		return beefModels[:]
	case "poultry":
		return poultryModels[:]
	case "pork":
		return porkModels[:]
	}
	return meatModels[:]
}

// Arrays, not slices: a caller gets a view of them and a step allocates nothing.
var (
	beefModels    = [...]microbe.Model{microbe.CPerfringensBeef}
	poultryModels = [...]microbe.Model{microbe.CPerfringensChicken}
	porkModels    = [...]microbe.Model{microbe.CPerfringensPork}
	meatModels    = [...]microbe.Model{microbe.CPerfringensBeef, microbe.CPerfringensChicken, microbe.CPerfringensPork}
)

// grown is the range that a model says of a lot: of its lowest and its highest reading, whichever grew more.
func (l *lot) grown(m microbe.Model) (low, high float64) {
	if l.Advice.GrowthLow.Work[m] == 0 && l.Advice.GrowthHigh.Work[m] == 0 {
		return 0, 0 // held hot: no need to reckon
	}
	aLow, aHigh := l.Advice.GrowthLow.Range(m)
	bLow, bHigh := l.Advice.GrowthHigh.Range(m)
	return max(aLow, bLow), max(aHigh, bHigh)
}

// counts reports whether growth is counted: not while raw food comes up, since the cooking kills what grows
// then. Food that was loaded cooked counts from its loading.
func (l *lot) counts() bool { return !l.comingUp(l.Stage) && (!l.CookSeen || l.Advice.Hot) }

// growth is nil while it is not counted.
func (e *Engine) growth(l *lot) *GrowthState {
	if !l.counts() {
		return nil
	}
	g := &GrowthState{}
	_, g.BCereus = l.grown(microbe.BCereusRice)
	for i, m := range perfringens(l.Food) {
		low, high := l.grown(m)
		if i == 0 || low < g.CPerfringensLow {
			g.CPerfringensLow = low
		}
		g.CPerfringens = max(g.CPerfringens, high)
		g.Models = append(g.Models, GrowthModel{m.String(), low, high, m.Provenance()})
	}
	rice := microbe.BCereusRice
	g.Models = append(g.Models, GrowthModel{rice.String(), g.BCereus, g.BCereus, rice.Provenance()})
	return g
}

// worstGrowth is the one number that speaks for a lot: meat and fish by C. perfringens, vegetables and the
// like by B. cereus, food that nobody named by the larger.
func (l *lot) worstGrowth() float64 {
	worst := 0.0
	if l.Food == "vegetable" || l.Food == "other" || l.Food == "" {
		_, worst = l.grown(microbe.BCereusRice)
	}
	if l.Food == "vegetable" {
		return worst
	}
	for _, m := range perfringens(l.Food) {
		_, high := l.grown(m)
		worst = max(worst, high)
	}
	return worst
}

// ruleGrowth makes a ruling stricter by the kitchen's own limit of predicted growth, never milder: act from
// where the limit may have been reached within the models' uncertainty, discard when the prediction itself
// reaches it. An open gap, whose growth is taken at its worst, makes no discard, for that could not be taken
// back; the air speaks for no growth at all.
func (e *Engine) ruleGrowth(l *lot, r ruling) ruling {
	limit := e.set.GrowthLimit
	if limit <= 0 || r.Verdict == Discard || !l.counts() || l.onAirOnly(e) {
		return r
	}
	basis := Citation{Document: "this kitchen's own limit of predicted growth", Confidence: Local}
	switch g := l.worstGrowth(); {
	case g >= limit && l.AllValid:
		return ruling{Discard, reasonGrowth, never, basis}
	case g >= growthEve(limit) && r.Verdict == OK:
		return ruling{Act, reasonGrowthNear, r.Deadline, basis}
	}
	return r
}

// growthEve is the prediction from which the limit may have been reached, and at least half of it: else a
// small limit would be reached before anything grew.
func growthEve(limit float64) float64 { return max(limit-microbe.Uncertainty, limit/2) }

func (e *Engine) growthWhy(l *lot) string {
	return fmt.Sprintf("has a predicted growth of %.1f powers of ten, give or take %.1f, of the %.1f that this kitchen allows",
		l.worstGrowth(), microbe.Uncertainty, e.set.GrowthLimit)
}
