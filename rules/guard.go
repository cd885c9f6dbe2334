package rules

import (
	"slices"

	"holdbell/sensor"
)

// variant is the code as a lot has to keep it whose probes are good to within By; a whole roast cooked as
// one has a hot limit of its own.
type variant struct {
	By    sensor.Temp
	Roast bool
	Code  Code
}

// makeVariants makes the code for every accuracy that a probe claims, once: a lot looks its own up.
func (e *Engine) makeVariants() {
	e.addVariants(0)
	if !e.set.GuardBand {
		return
	}
	for _, p := range e.set.Probes {
		if !slices.ContainsFunc(e.variants, func(v variant) bool { return v.By == p.Accuracy }) {
			e.addVariants(p.Accuracy)
		}
	}
}

func (e *Engine) addVariants(by sensor.Temp) {
	c := e.set.Code.guardedBy(by)
	e.variants = append(e.variants, variant{by, false, c})
	if c.RoastHotLimit != nil {
		c.HotLimit, c.HotBasis = *c.RoastHotLimit, c.RoastHotBasis
		e.variants = append(e.variants, variant{by, true, c})
	}
}

// guardedBy is c with every limit moved by the accuracy of the chain: food that must be hot has to read
// hotter, food that must be cold colder (FSIS-GD-2021-14, monitoring: a limit of 165 °F read by an
// instrument good to 1 °F is kept at 166 °F). Times stay.
func (c Code) guardedBy(by sensor.Temp) Code {
	c.HotLimit += by
	if c.RoastHotLimit != nil {
		t := *c.RoastHotLimit + by
		c.RoastHotLimit = &t
	}
	c.ColdLimit -= by
	c.ReturnFloor += by
	c.ComeUpLow -= by
	c.ComeUpHigh += by
	c.Reheat.Target += by
	if c.Reheat.Packaged != nil {
		t := *c.Reheat.Packaged + by
		c.Reheat.Packaged = &t
	}
	c.Cooking = slices.Clone(c.Cooking)
	for i := range c.Cooking {
		c.Cooking[i].Temp += by
	}
	c.Cooling = slices.Clone(c.Cooling)
	for i := range c.Cooling {
		c.Cooling[i] = c.Cooling[i].guardedBy(by)
	}
	c.TimeControl = slices.Clone(c.TimeControl)
	for i := range c.TimeControl {
		c.TimeControl[i] = c.TimeControl[i].guardedBy(by)
	}
	return c
}

func (l CoolingLeg) guardedBy(by sensor.Temp) CoolingLeg {
	l.From += by
	l.To -= by
	return l
}

func (r TimeControlRule) guardedBy(by sensor.Temp) TimeControlRule {
	moved := func(t *sensor.Temp, by sensor.Temp) *sensor.Temp {
		if t == nil {
			return nil
		}
		v := *t + by
		return &v
	}
	r.HotMin, r.ColdMax, r.MaxFood = moved(r.HotMin, by), moved(r.ColdMax, -by), moved(r.MaxFood, -by)
	return r
}

// code is the code that a lot is held to: the configured one, with its limits moved by the accuracy of the
// lot's worst probe, and with a roast's hot limit for a roast.
func (e *Engine) code(l *lot) *Code {
	if l == nil {
		return &e.set.Code
	}
	// A part that was cut off is no whole roast any more (common practice: the code speaks of roasts, and of
	// unsliced ones where it reheats them, 3-403.11(E)).
	return e.variant(l.Guard, l.Cook != nil && l.Cook.Proof == ProvenByRoast && !l.Cut)
}

func (e *Engine) variant(by sensor.Temp, roast bool) *Code {
	plain := &e.set.Code
	for i := range e.variants {
		v := &e.variants[i]
		if v.By == by && v.Roast == roast {
			return &v.Code
		}
		if v.By == by && !v.Roast {
			plain = &v.Code // of a code that makes no difference for roasts
		}
	}
	return plain
}

// guardOf is the accuracy of the worst of some probes; 0 without a guard band.
func (e *Engine) guardOf(worst sensor.Temp, p int) sensor.Temp {
	if !e.set.GuardBand || p < 0 {
		return worst
	}
	return max(worst, e.set.Probes[p].Accuracy)
}

// guardLot takes the guard band of the probes that speak for a lot now. One that has none for a while
// keeps the band that it had.
func (e *Engine) guardLot(l *lot) {
	by, any := sensor.Temp(0), false
	for i := range l.Members {
		if m := &l.Members[i]; m.Until == forever {
			by, any = e.guardOf(by, m.Probe), true
		}
	}
	if any || !e.set.GuardBand {
		l.Guard = by
	}
}

// standingCode is the code that a station's own watch is held to.
func (e *Engine) standingCode(i int) *Code {
	by := sensor.Temp(0)
	for _, p := range e.standingProbes(i) {
		by = e.guardOf(by, p)
	}
	return e.variant(by, false)
}

// guardText says by how much a lot's limits were moved, and why; empty without a guard band.
func (e *Engine) guardText(l *lot) string {
	if l.Guard == 0 {
		return ""
	}
	return " Every limit here is moved by " + e.set.Units.Difference(l.Guard) + " to the safe side, the accuracy of its probe."
}

// Difference writes a distance between two temperatures in the unit.
func (u Units) Difference(d sensor.Temp) string {
	if u == Fahrenheit {
		return u.number(float64(d)*9/5/1000) + " °F"
	}
	return u.number(float64(d)/1000) + " °C"
}
