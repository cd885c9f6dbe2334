package kitchen

import "math"

// fire is a Fire under way.
type fire struct {
	plan   Fire
	bed    float64 // alight, kg
	fresh  float64 // not yet caught, kg
	damper float64 // 0 shut to 1 open
	resets float64 // what the lasting error has added to the damper
}

// damperTravel is how long the damper takes from shut to open, s (common practice).
const damperTravel = 30

// volatile is the share of fuel that flares up as it catches, whatever the damper does (design figure; dry wood
// gives off most of its mass so, charcoal hardly any).
const volatile = 0.12

// newFire starts with the damper where the error is nothing.
func newFire(p Fire) *fire { return &fire{plan: p, bed: p.Bed, damper: 0.4, resets: 0.4} }

// watts moves the damper, lets new fuel catch and burns a part of the bed. Nothing more is taken from the bed
// than there is.
func (f *fire) watts(seconds, air float64) (power, draft float64) {
	p := &f.plan
	off := p.Setpoint - air
	wanted := p.Gain*off + f.resets
	// The slow part stands still while the damper is at its stop, so that it does not run away.
	if wanted > 0 && wanted < 1 {
		f.resets = min(max(f.resets+p.Gain*off*seconds/p.Reset.Seconds(), 0), 1)
	}
	travel := seconds / damperTravel
	f.damper += min(max(min(max(wanted, 0), 1)-f.damper, -travel), travel)

	caught := f.fresh * -math.Expm1(-seconds/p.Catch.Seconds())
	f.fresh -= caught
	f.bed += caught * (1 - volatile)

	open := p.Leak + (1-p.Leak)*f.damper
	burnt := min(p.Burn*open*f.bed/(f.bed+p.Sparse)*seconds, f.bed)
	f.bed -= burnt
	return (burnt + caught*volatile) * p.Heat / seconds, p.Draft * open
}

// feed makes the fire up to so much fuel.
func (f *fire) feed(kg float64) { f.fresh += max(kg-f.bed-f.fresh, 0) }
