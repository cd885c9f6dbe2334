package heat

import "math"

const (
	// Pressure is the standard atmosphere in Pa.
	Pressure = 101_325
	// latent is water's heat of evaporation at 60 °C in J/kg (steam tables, from memory; 2.45e6 at 20 °C,
	// 2.26e6 at 100 °C).
	latent = 2.36e6
	// airHeat is the heat capacity of air in J/kgK (from memory).
	airHeat = 1006
	// moleRatio is the molar mass of water over that of air.
	moleRatio = 0.622
)

// Saturation is the pressure of water vapour over water in Pa at t, 0 to 150 °C: Antoine's equation with the
// constants for 1 to 100 °C (8.07131, 1730.63, 233.426 for mmHg; from memory, held to the boiling point at six
// pressures by a test).
func Saturation(t float64) float64 {
	const mmHg, ln10 = 133.322, math.Ln10
	return mmHg * math.Exp(ln10*(8.07131-1730.63/(233.426+t)))
}

// saturationSlope is the derivative of Saturation, given its value.
func saturationSlope(t, p float64) float64 {
	d := 233.426 + t
	return p * math.Ln10 * 1730.63 / (d * d)
}

// skin is a surface between food and air, per m². Its temperature is where conduction from inside and
// convection from the air make up for what evaporation takes.
type skin struct {
	inside float64 // conductance to the outermost cell, W/m²K
	cell   float64 // that cell's temperature
	film   float64 // conductance to the air, W/m²K, wrapping included
	moving float64 // the part of it that moving air does, which alone carries vapour
	air    float64
	vapour float64 // Pa
	wet    float64 // 1 all wet, 0 dry: the share of the surface that gives off vapour
	sealed bool    // nothing condenses, and nothing leaves below the vapour pressure around it
}

// massTransfer is kg/m²s of vapour for each Pa between surface and air, for each W/m²K of convection: Lewis'
// relation with a Lewis number of 1, the one behind the psychrometric constant of 66 Pa/K.
const massTransfer = moleRatio / (airHeat * Pressure)

// evaporation is kg/m²s from the surface at t and its slope; negative where vapour condenses.
func (s *skin) evaporation(t float64) (rate, slope float64) {
	p := Saturation(t)
	if s.wet == 0 || s.sealed && p < s.vapour {
		return 0, 0
	}
	c := massTransfer * s.moving * s.wet
	return c * (p - s.vapour), c * saturationSlope(t, p)
}

// settle finds the surface's temperature by Newton's method from a first guess. The balance falls, ever
// steeper, with temperature: from its second step on the method comes down from the warm side and never
// overshoots.
func (s *skin) settle(guess float64) float64 {
	t := guess
	for range 50 {
		rate, slope := s.evaporation(t)
		off := s.inside*(s.cell-t) + s.film*(s.air-t) - latent*rate
		step := off / (s.inside + s.film + latent*slope)
		t += step
		if math.Abs(step) < 1e-9 {
			break
		}
	}
	return t
}

// wrapResistance is what foil or paper and the air caught beneath it put between surface and air, m²K/W (common
// practice: half a millimetre of still air).
const wrapResistance = 0.02

// radiant is the part of a film, W/m²K, that is radiation between dark walls and food: 4 σ T³ is 6 at room
// temperature and 10 at 80 °C; half of a film at most.
const radiant = 6

func convective(film float64) float64 { return film - min(radiant, film/2) }

func wrappedFilm(film float64) float64 { return film / (1 + film*wrapResistance) }
