package kitchen

import "math"

// Stuck is what a thermostat's contacts do.
type Stuck uint8

// The states of the contacts.
const (
	Working  Stuck = iota
	StuckOn        // welded shut
	StuckOff       // burnt open
)

// heater is a Heater under way.
type heater struct {
	plan     Heater
	setpoint float64
	feeler   float64
	on       bool
	limited  bool
	tripped  bool
	share    float64 // of the element that still works
	stuck    Stuck
}

func newHeater(p Heater, start float64) *heater {
	return &heater{plan: p, setpoint: p.Setpoint, feeler: start, share: 1}
}

func (h *heater) watts(seconds, air float64) (power, draft float64) {
	h.feeler = follow(h.feeler, air, seconds, h.plan.Lag.Seconds())
	wanted := h.setpoint - h.feeler
	if h.plan.Watts < 0 {
		wanted = -wanted
	}
	switch {
	case wanted > h.plan.Swing/2:
		h.on = true
	case wanted < -h.plan.Swing/2:
		h.on = false
	}
	// The limiter lets go again 10 °C cooler (common practice).
	if cut := h.plan.CutOut; cut != 0 {
		h.limited = h.feeler > cut || h.limited && h.feeler > cut-10
	}
	on := h.on
	switch h.stuck {
	case StuckOn:
		on = true
	case StuckOff:
		on = false
	}
	if !on || h.tripped || h.limited {
		return 0, 0
	}
	return h.plan.Watts * h.share, 0
}

// follow is first-order lag: where a value at from is after some time, drawn to another.
func follow(from, to, seconds, lag float64) float64 {
	if lag <= 0 {
		return to
	}
	return to + (from-to)*math.Exp(-seconds/lag)
}
