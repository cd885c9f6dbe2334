// Package heat is the physics of food in air: conduction through a piece, convection and evaporation at
// its surface, and the properties of what it is made of. It is pure: no clock, no randomness, no I/O.
//
// Units are SI throughout, with temperatures in °C.
package heat

import (
	"fmt"
	"math"
)

// Composition is what food is made of, in mass fractions that sum to 1.
type Composition struct {
	Water, Protein, Fat, Carbohydrate, Fiber, Ash float64
}

// RawBrisket, CookedBrisket and RawPorkShoulder are nominal round figures, from memory.
func RawBrisket() Composition {
	return Composition{Water: 0.60, Protein: 0.17, Fat: 0.22, Ash: 0.01}
}

// CookedBrisket has lost water and so gained in protein.
func CookedBrisket() Composition {
	return Composition{Water: 0.55, Protein: 0.29, Fat: 0.15, Ash: 0.01}
}

// RawPorkShoulder is a little wetter than brisket.
func RawPorkShoulder() Composition {
	return Composition{Water: 0.64, Protein: 0.17, Fat: 0.18, Ash: 0.01}
}

// quadratic is c0 + c1*T + c2*T².
type quadratic [3]float64

func (q quadratic) at(t float64) float64 { return q[0] + t*(q[1]+t*q[2]) }

// component is one constituent: conductivity in W/mK, density in kg/m³, heat capacity in J/kgK.
type component struct{ k, rho, cp quadratic }

// components are the polynomials of Choi & Okos (1986), as reprinted in the ASHRAE Handbook Refrigeration,
// "Thermal Properties of Foods", tables 1 and 2; good from 0 to 150 °C. Several printed copies give the slope
// of fat's conductivity as 2.7604e-3: the value that agrees with measured fat, and with Okos' correction of
// 1995, is -2.7604e-4. The order is that of Composition.
var components = [6]component{
	{k: quadratic{0.57109, 1.7625e-3, -6.7036e-6}, rho: quadratic{997.18, 3.1439e-3, -3.7574e-3}, cp: quadratic{4176.2, -9.0864e-2, 5.4731e-3}},
	{k: quadratic{0.17881, 1.1958e-3, -2.7178e-6}, rho: quadratic{1329.9, -0.5184}, cp: quadratic{2008.2, 1.2089, -1.3129e-3}},
	{k: quadratic{0.18071, -2.7604e-4, -1.7749e-7}, rho: quadratic{925.59, -0.41757}, cp: quadratic{1984.2, 1.4733, -4.8008e-3}},
	{k: quadratic{0.20141, 1.3874e-3, -4.3312e-6}, rho: quadratic{1599.1, -0.31046}, cp: quadratic{1548.8, 1.9625, -5.9399e-3}},
	{k: quadratic{0.18331, 1.2497e-3, -3.1683e-6}, rho: quadratic{1311.5, -0.36589}, cp: quadratic{1845.9, 1.8306, -4.6509e-3}},
	{k: quadratic{0.32962, 1.4011e-3, -2.9069e-6}, rho: quadratic{2423.8, -0.28063}, cp: quadratic{1092.6, 1.8896, -3.6817e-3}},
}

func (c Composition) fractions() [6]float64 {
	return [6]float64{c.Water, c.Protein, c.Fat, c.Carbohydrate, c.Fiber, c.Ash}
}

// Density is the mixture's in kg/m³ at t: the volumes of the constituents add up.
func (c Composition) Density(t float64) float64 {
	volume := 0.0
	for i, x := range c.fractions() {
		volume += x / components[i].rho.at(t)
	}
	return 1 / volume
}

// Conductivity is the mixture's in W/mK at t, by the parallel model: weighted by volume.
func (c Composition) Conductivity(t float64) float64 {
	sum, volume := 0.0, 0.0
	for i, x := range c.fractions() {
		v := x / components[i].rho.at(t)
		sum += v * components[i].k.at(t)
		volume += v
	}
	return sum / volume
}

// HeatCapacity is the mixture's in J/kgK at t: weighted by mass.
func (c Composition) HeatCapacity(t float64) float64 { return c.heatCapacity().at(t) }

func (c Composition) heatCapacity() quadratic {
	var q quadratic
	for i, x := range c.fractions() {
		for j := range q {
			q[j] += x * components[i].cp[j]
		}
	}
	return q
}

// The span in which the polynomials hold, in °C. Freezing lies outside it and is not modelled.
const coldest, hottest = 0, 150

// Material is what a piece conducts and stores heat with. Its density is that at 20 °C: a piece keeps its
// mass and its size.
type Material struct {
	rho   float64
	cp    quadratic
	water float64   // mass fraction that may evaporate
	k     []float64 // by whole °C from coldest; a single one is constant
}

// Material gives the food's own, or an error that says what is wrong with the fractions.
func (c Composition) Material() (Material, error) {
	sum := 0.0
	for _, x := range c.fractions() {
		if !(x >= 0) {
			return Material{}, fmt.Errorf("heat: a mass fraction of %g: give 0 or more", x)
		}
		sum += x
	}
	if !(math.Abs(sum-1) < 1e-6) {
		return Material{}, fmt.Errorf("heat: the mass fractions sum to %g: make them sum to 1", sum)
	}
	m := Material{rho: c.Density(20), cp: c.heatCapacity(), water: c.Water, k: make([]float64, hottest-coldest+1)}
	for i := range m.k {
		m.k[i] = c.Conductivity(coldest + float64(i))
	}
	return m, nil
}

// Constant is a material without moisture whose properties do not change: conductivity in W/mK, density in
// kg/m³, heat capacity in J/kgK. All must be above zero.
func Constant(k, rho, cp float64) (Material, error) {
	if !(k > 0 && rho > 0 && cp > 0) {
		return Material{}, fmt.Errorf("heat: conductivity %g, density %g, heat capacity %g: give figures above zero", k, rho, cp)
	}
	return Material{rho: rho, cp: quadratic{cp}, k: []float64{k}}, nil
}

// conductivity interpolates the table; outside it the nearest entry stands.
func (m *Material) conductivity(t float64) float64 {
	x := t - coldest
	switch last := len(m.k) - 1; {
	case last == 0 || !(x > 0):
		return m.k[0]
	case x >= float64(last):
		return m.k[last]
	}
	i := int(x)
	return m.k[i] + (x-float64(i))*(m.k[i+1]-m.k[i])
}

// heatCapacity is held at its value at the ends outside the span.
func (m *Material) heatCapacity(t float64) float64 {
	return m.cp.at(min(max(t, coldest), hottest))
}

// enthalpy is the heat in J/kg over that at 0 °C: the integral of heatCapacity.
func (m *Material) enthalpy(t float64) float64 {
	in := min(max(t, coldest), hottest)
	return in*(m.cp[0]+in*(m.cp[1]/2+in*m.cp[2]/3)) + (t-in)*m.heatCapacity(t)
}
