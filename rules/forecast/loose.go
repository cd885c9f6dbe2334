package forecast

import "math"

const (
	// looseWindow is over how many minutes the food's moves are held against the air's.
	looseWindow = 16
	// looseAir is the least spread of the air's moves from minute to minute that says anything, °C: a thermostat at
	// work or a door makes more, a cabinet that dies without a sound less.
	looseAir = 0.25
	// looseShare is the share of the air's moves from which on a probe moves with it, and heldShare the one up to
	// which it does not. The middle of a slab of 4 cm has a time constant near an hour and shows less than a
	// twentieth of a swing of ten minutes (first-order lag); a bare tip shows all of it.
	looseShare, heldShare = 0.5, 0.2
	// looseFit is the least squared correlation of the two.
	looseFit = 0.6
)

// feel holds the probe's moves from minute to minute against the air's, both without their mean, so that a common
// steady fall says nothing. What the air is too still to tell stays as it was.
func (m *Model) feel(food, air *series, age int64) {
	n := int64(0)
	var sf, sa, ff, fa, aa float64
	for i := range min(age, looseWindow) - 1 {
		df, da := food[i]-food[i+1], air[i]-air[i+1]
		if math.IsNaN(df) || math.IsNaN(da) {
			continue
		}
		n++
		sf += df
		sa += da
		ff += float64(df * df)
		fa += float64(df * da)
		aa += float64(da * da)
	}
	if n < looseWindow-4 {
		return
	}
	k := float64(n)
	ff -= float64(sf * sf / k)
	fa -= float64(sf * sa / k)
	aa -= float64(sa * sa / k)
	if aa < float64(k*looseAir*looseAir) {
		return
	}
	switch share := fa / aa; {
	case share >= looseShare && float64(fa*fa) >= float64(looseFit*aa*ff):
		m.Loose = true
	case share <= heldShare:
		m.Loose = false
	}
}
