package rules

import (
	"holdbell/rules/microbe"
	"holdbell/sensor"
)

// advice is what the integrals say of a lot: it informs, and never relaxes a limit of the code.
type advice struct {
	Has        bool // Low and High are the sweep before's
	Air        bool `json:",omitempty"` // they are the air's, not the food's
	Hot        bool `json:",omitempty"` // has been at 60 °C, or was proven cooked: growth counts from there
	Low, High  sensor.Temp
	Dwell      microbe.Dwell
	Lethality  microbe.Lethality
	GrowthLow  microbe.Growth // of the lowest reading; growth peaks near 45 °C, so either end may be the worse
	GrowthHigh microbe.Growth
	Value      microbe.CookValue
}

// LethalityState is what heat has done so far: the integral as advice, and the published table that is
// looked up beside it.
type LethalityState struct {
	Salmonella float64 // log10
	TableMet   bool
	Table      string // which table, such as "meat, 6.5 log"
}

// advise carries a lot's integrals through this sweep. A gap earns no lethality and counts as growth at
// its worst.
func (e *Engine) advise(l *lot) {
	a := &l.Advice
	dt := e.mem.Now - e.mem.Prev
	air := l.onAirOnly(e) || l.Leap.Leapt // which says nothing of what heat did to the food
	switch {
	case dt <= 0:
	case l.AllValid && a.Has && !e.gap:
		if !air && !a.Air {
			// The tables' rows stay as they are printed: a guard band moves the reading instead.
			a.Dwell.Add(dt, a.Low-l.Guard, l.Low-l.Guard)
			a.Lethality.Add(dt, a.Low-l.Guard, l.Low-l.Guard)
			a.Value.Add(dt, a.Low, l.Low)
		}
		a.GrowthLow.Add(dt, a.Low, l.Low)
		if len(l.Members) > 1 {
			a.GrowthHigh.Add(dt, a.High, l.High)
		}
	default:
		a.GrowthLow.AddUnknown(dt)
		a.GrowthHigh.AddUnknown(dt)
	}
	a.Has, a.Low, a.High, a.Air = l.AllValid, l.Low, l.High, air
	if l.AllValid && !air && l.Low >= growthAnew {
		// Also behind a gap, whose growth the line up to this reading has not wiped.
		a.Hot, a.GrowthLow, a.GrowthHigh = true, microbe.Growth{}, microbe.Growth{}
	}
}

// tables are the look-up tables by kind of food. Whole muscle is held to 6.5 log, poultry and whatever is
// not named to the poultry table at the highest fat, the longest there is.
type tables struct{ meat, ground, poultry, roast microbe.Table }

func newTables() tables {
	const mostFat = 12 // %, FSIS-GD-2021-14: where the fat is higher or unknown
	return tables{microbe.Meat65(), microbe.Meat5(), microbe.Poultry(mostFat), microbe.Roast()}
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
	_, now := met(t, &l.Advice.Dwell)
	return &LethalityState{l.Advice.Lethality.Log10(d150), now || l.Cook != nil && l.Cook.TableMet, t.Name}
}
