package rules

import (
	"slices"

	"holdbell/sensor"
)

// guarded is the code as a lot has to keep it whose probes are good to within By.
type guarded struct {
	By   sensor.Temp
	Code Code
}

// guardCodes makes the code for every accuracy that a probe claims, once: a lot looks its own up.
func (e *Engine) guardCodes() {
	if !e.set.GuardBand {
		return
	}
	for _, p := range e.set.Probes {
		known := slices.ContainsFunc(e.guards, func(g guarded) bool { return g.By == p.Accuracy })
		if p.Accuracy > 0 && !known {
			e.guards = append(e.guards, guarded{p.Accuracy, e.set.Code.guardedBy(p.Accuracy)})
		}
	}
}

// guardedBy is c with every limit moved by the accuracy of the chain: food that must be hot has to read
// hotter, food that must be cold colder (FSIS-GD-2021-14, monitoring: a limit of 165 °F read by an
// instrument good to 1 °F is kept at 166 °F). Times stay.
func (c Code) guardedBy(by sensor.Temp) Code {
	c.HotLimit += by
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

// code is the code that a lot is held to: the configured one, or with its limits moved by the accuracy of
// the lot's worst probe.
func (e *Engine) code(l *lot) *Code {
	if l != nil && l.Guard > 0 {
		return e.guardedCode(l.Guard)
	}
	return &e.set.Code
}

func (e *Engine) guardedCode(by sensor.Temp) *Code {
	for i := range e.guards {
		if e.guards[i].By == by {
			return &e.guards[i].Code
		}
	}
	return &e.set.Code
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
	return e.guardedCode(by)
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
