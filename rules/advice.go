package rules

import (
	"holdbell/rules/microbe"
	"holdbell/sensor"
)

// advice is what the integrals say of a lot: it informs, and never relaxes a limit of the code.
type advice struct {
	Has        bool // Low and High are the sweep before's
	Low, High  sensor.Temp
	Dwell      microbe.Dwell
	Lethality  microbe.Lethality
	GrowthLow  microbe.Growth // of the lowest reading; growth peaks near 45 °C, so either end may be the worse
	GrowthHigh microbe.Growth
}

// LethalityState is what heat has done so far: the integral as advice, and the published table that is
// looked up beside it.
type LethalityState struct {
	Salmonella float64 // log10
	TableMet   bool
	Table      string // which table, such as "meat, 6.5 log"
}

// GrowthState is the growth of C. perfringens predicted since the food was last at 60 °C: the larger
// figure of a published range, which is uncertain by half a log10 and more.
type GrowthState struct {
	CPerfringens float64 // log10
}

// advise carries a lot's integrals through this sweep. A gap earns no lethality and counts as growth at
// its worst.
func (e *Engine) advise(l *lot) {
	a := &l.Advice
	dt := e.mem.Now - e.mem.Prev
	switch {
	case dt <= 0:
	case l.AllValid && a.Has && !e.gap:
		a.Dwell.Add(dt, a.Low, l.Low)
		a.Lethality.Add(dt, a.Low, l.Low)
		a.GrowthLow.Add(dt, a.Low, l.Low)
		if len(l.Members) > 1 {
			a.GrowthHigh.Add(dt, a.High, l.High)
		}
	default:
		a.GrowthLow.AddUnknown(dt)
		a.GrowthHigh.AddUnknown(dt)
	}
	a.Has, a.Low, a.High = l.AllValid, l.Low, l.High
}

// tables are the look-up tables by kind of food. Whole muscle is held to 6.5 log, poultry and whatever is
// not named to the poultry table at the highest fat, the longest there is.
type tables struct{ meat, ground, poultry microbe.Table }

func newTables() tables {
	const mostFat = 12 // %, FSIS-GD-2021-14: where the fat is higher or unknown
	return tables{microbe.Meat65(), microbe.Meat5(), microbe.Poultry(mostFat)}
}

func (t *tables) of(food string) *microbe.Table {
	switch food {
	case "beef", "pork", "injected":
		return &t.meat
	case "ground":
		return &t.ground
	}
	return &t.poultry
}

// lethality is nil for a lot whose cooking was not seen.
func (e *Engine) lethality(l *lot) *LethalityState {
	if !l.CookSeen {
		return nil
	}
	d150 := microbe.D150Poultry
	if t := e.tables.of(l.Food); t != &e.tables.poultry {
		d150 = microbe.D150Meat
	}
	t := e.tables.of(l.Food)
	_, met := t.Met(&l.Advice.Dwell)
	return &LethalityState{l.Advice.Lethality.Log10(d150), met, t.Name}
}

// growth is nil while a lot still comes up: what grows then is killed by the cooking.
func (e *Engine) growth(l *lot) *GrowthState {
	if l.comingUp(l.Stage) {
		return nil
	}
	models := []microbe.Model{microbe.CPerfringensBeef, microbe.CPerfringensChicken, microbe.CPerfringensPork}
	switch l.Food {
	case "beef":
		models = models[:1]
	case "poultry":
		models = models[1:2]
	case "pork":
		models = models[2:]
	}
	worst := 0.0
	for _, m := range models {
		worst = max(worst, l.Advice.GrowthLow.Log10(m), l.Advice.GrowthHigh.Log10(m))
	}
	return &GrowthState{worst}
}
