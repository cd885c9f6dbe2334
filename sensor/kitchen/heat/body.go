package heat

import (
	"fmt"
	"math"
	"slices"
)

// Shape is a body in which heat flows in one direction, from the surface to the middle. The area that heat
// flows through falls from Area at the surface as the distance from the middle to the power Dim-1.
type Shape struct {
	Half float64 // from the middle to the nearest surface, m
	Dim  float64 // 1 slab, 2 cylinder, 3 sphere; a box has one of its own, up to 5 for a cube
	Area float64 // of the whole surface, m²
}

// Slab is a plate with both faces in the air and its edges neglected: thickness in m, the area of one face in
// m².
func Slab(thickness, face float64) Shape { return Shape{Half: thickness / 2, Dim: 1, Area: 2 * face} }

// Cylinder is a long one, its ends neglected: radius and length in m.
func Cylinder(radius, length float64) Shape {
	return Shape{Half: radius, Dim: 2, Area: 2 * math.Pi * radius * length}
}

// Sphere has a radius in m.
func Sphere(radius float64) Shape {
	return Shape{Half: radius, Dim: 3, Area: 4 * math.Pi * radius * radius}
}

// Box is a block of three edges in m, as a body of one dimension with the same volume and surface, hence the
// same speed when the air is what holds heat back, and the same slowest time constant when the food is. A thin
// sheet comes out as a slab. A test holds it to the three-dimensional solution.
func Box(a, b, c float64) Shape {
	area, volume := 2*(a*b+b*c+c*a), a*b*c
	slowest := slabRoot * 4 * (1/(a*a) + 1/(b*b) + 1/(c*c))
	// With Half = Dim*volume/area, Dim solves rootSquared(Dim) = slowest*Half².
	x := slowest * (volume / area) * (volume / area)
	const p, q, r = rootSquare0, rootSquare1, rootSquare2
	dim := 1.0
	if d := x - r; d > 0 {
		dim = max(1, (q+math.Sqrt(q*q+4*d*p))/(2*d))
	}
	return Shape{Half: dim * volume / area, Dim: dim, Area: area}
}

// The square of the first root of a body of dimension n whose surface is held at the air's temperature is near
// p + q n + r n²: π²/4 for a slab, 2.4048² for a cylinder, π² for a sphere.
const (
	slabRoot    = math.Pi * math.Pi / 4
	rootTwo     = 2.404826 * 2.404826
	rootThree   = math.Pi * math.Pi
	rootSquare2 = (rootThree - 2*rootTwo + slabRoot) / 2
	rootSquare1 = rootTwo - slabRoot - 3*rootSquare2
	rootSquare0 = slabRoot - rootSquare1 - rootSquare2
)

// maxDim is above any box's.
const maxDim = 6

// Volume in m³.
func (s Shape) Volume() float64 { return s.Area * s.Half / s.Dim }

// Air is what surrounds a piece.
type Air struct {
	Temp   float64 // °C
	Film   float64 // W/m²K, radiation included
	Vapour float64 // pressure of water vapour, Pa
}

// Exchange is what passed between a piece and the air in a step.
type Exchange struct {
	Convected float64 // J from the air into the piece
	Latent    float64 // J that left with vapour
}

// Stored is the heat in J that stayed in the piece.
func (x Exchange) Stored() float64 { return x.Convected - x.Latent }

// dryAt is the share of a piece's water after whose loss its surface gives off no more vapour. It is chosen so
// that a bare brisket takes as long as one was measured to take (TestStall).
const dryAt = 0.65

// Body is a piece of food as shells of equal thickness. Each shell keeps its heat content, so that what flows
// in is what is stored, whatever the properties do; temperatures follow from it. Time goes in explicit steps no
// longer than a bound under which no shell can overshoot its neighbours; a longer Step is divided.
type Body struct {
	m       Material
	shape   Shape
	dx      float64
	mass    []float64 // of each shell, innermost first
	face    []float64 // area of each shell's outer side
	heat    []float64 // enthalpy of each shell, J/kg
	temp    []float64
	flow    []float64 // W through each shell's outer side, inwards
	surface float64   // °C
	lost    float64   // kg of water
	wrapped bool
	limit   float64
}

// NewBody makes a piece of one temperature in °C. Sixteen shells are enough for a tenth of a degree in food.
func NewBody(s Shape, m Material, shells int, temp float64) (*Body, error) {
	if !(s.Half > 0 && s.Area > 0 && s.Dim >= 1 && s.Dim <= maxDim) {
		return nil, fmt.Errorf("heat: a shape of half thickness %g m, dimension %g, surface %g m²: lengths must lie above zero, "+
			"and the dimension within 1 to %d", s.Half, s.Dim, s.Area, maxDim)
	}
	if shells < 2 || m.k == nil {
		return nil, fmt.Errorf("heat: %d shells of a material with %d conductivities: give at least 2 and 1", shells, len(m.k))
	}
	if !(temp >= coldest && temp <= hottest) {
		return nil, fmt.Errorf("heat: a piece at %g °C: the properties hold from %d to %d °C", temp, coldest, hottest)
	}
	b := &Body{m: m, shape: s, dx: s.Half / float64(shells), surface: temp}
	for i := range shells {
		in, out := float64(i)/float64(shells), float64(i+1)/float64(shells)
		b.mass = append(b.mass, m.rho*s.Volume()*(math.Pow(out, s.Dim)-math.Pow(in, s.Dim)))
		b.face = append(b.face, s.Area*math.Pow(out, s.Dim-1))
		b.temp = append(b.temp, temp)
		b.heat = append(b.heat, m.enthalpy(temp))
	}
	b.flow = make([]float64, shells)
	b.limit = b.stepLimit()
	return b, nil
}

// stepLimit is the longest step in s that keeps each new temperature between those around it: a shell's
// heat capacity over the sum of its conductances, at the least favourable properties.
func (b *Body) stepLimit() float64 {
	k, cp := 0.0, math.Inf(1)
	for t := float64(coldest); t <= hottest; t++ {
		k, cp = max(k, b.m.conductivity(t)), min(cp, b.m.heatCapacity(t))
	}
	limit, inner := math.Inf(1), 0.0
	for i, a := range b.face {
		outer := k * a / b.dx
		if i == len(b.face)-1 {
			outer *= 2 // half a shell to the surface
		}
		limit = min(limit, b.mass[i]*cp/(inner+outer))
		inner = outer
	}
	return 0.9 * limit
}

// Step lets time in s pass in steady air.
func (b *Body) Step(seconds float64, air Air) Exchange {
	var x Exchange
	n := int(math.Ceil(seconds / b.limit))
	for range n {
		b.step(seconds/float64(n), air, &x)
	}
	return x
}

func (b *Body) step(dt float64, air Air, x *Exchange) {
	last := len(b.temp) - 1
	k := b.m.conductivity(b.temp[0])
	for i := range last {
		outer := b.m.conductivity(b.temp[i+1])
		// Two half shells in series.
		b.flow[i] = b.face[i] / b.dx * 2 * k * outer / (k + outer) * (b.temp[i+1] - b.temp[i])
		k = outer
	}
	b.surface = b.settle(b.skin(2*k/b.dx, air), dt, x)
	b.flow[last] = 2 * k / b.dx * b.face[last] * (b.surface - b.temp[last])
	inward := 0.0
	for i, out := range b.flow {
		b.heat[i] += (out - inward) * dt / b.mass[i]
		inward = out
		b.temp[i] = b.temperature(b.heat[i], b.temp[i])
	}
}

func (b *Body) skin(inside float64, air Air) skin {
	s := skin{inside: inside, cell: b.temp[len(b.temp)-1], film: air.Film, moving: convective(air.Film),
		air: air.Temp, vapour: air.Vapour, wet: b.wetness()}
	if b.wrapped {
		// Beneath a wrap steam gathers until it lifts the seams: nothing leaves short of boiling, and then
		// juice from all the piece boils away.
		s.film, s.vapour, s.sealed = wrappedFilm(air.Film), Pressure, true
		if s.wet = 1; b.lost >= b.m.water*b.kg() {
			s.wet = 0
		}
	}
	return s
}

// settle finds the surface's temperature and books what crosses it in dt.
func (b *Body) settle(s skin, dt float64, x *Exchange) float64 {
	t := s.settle(b.surface)
	rate, _ := s.evaporation(t)
	area := b.shape.Area * dt
	x.Convected += s.film * (s.air - t) * area
	x.Latent += latent * rate * area
	b.lost = max(b.lost+rate*area, 0)
	return t
}

// temperature inverts enthalpy by Newton's method; the guess is a step away, so that two rounds reach the
// last digits.
func (b *Body) temperature(heat, guess float64) float64 {
	for range 2 {
		guess += (heat - b.m.enthalpy(guess)) / b.m.heatCapacity(guess)
	}
	return guess
}

// wetness is the share of the surface that still gives off vapour, falling from 1 to 0 as the piece dries.
func (b *Body) wetness() float64 {
	if b.m.water == 0 {
		return 0
	}
	return max(0, 1-b.lost/(dryAt*b.m.water*b.kg()))
}

// kg is the mass as the piece began.
func (b *Body) kg() float64 { return b.m.rho * b.shape.Volume() }

// Lost is the water in kg that has left.
func (b *Body) Lost() float64 { return b.lost }

// Wrap puts foil or paper around the piece, or takes it off.
func (b *Body) Wrap(on bool) { b.wrapped = on }

// Wrapped reports whether it is.
func (b *Body) Wrapped() bool { return b.wrapped }

// At is the temperature at a depth: 0 in the middle, 1 at the surface.
func (b *Body) At(depth float64) float64 {
	x := min(max(depth, 0), 1)*float64(len(b.temp)) - 0.5 // in shells from the middle of the innermost
	if x <= 0 {
		return b.temp[0]
	}
	i := int(x)
	if i+1 < len(b.temp) {
		return b.temp[i] + (x-float64(i))*(b.temp[i+1]-b.temp[i])
	}
	last := len(b.temp) - 1
	return b.temp[last] + 2*(x-float64(last))*(b.surface-b.temp[last])
}

// Coldest is the lowest temperature anywhere in the piece.
func (b *Body) Coldest() float64 { return min(slices.Min(b.temp), b.surface) }

// Mean is weighted by volume.
func (b *Body) Mean() float64 {
	sum := 0.0
	for i, t := range b.temp {
		sum += t * b.mass[i]
	}
	return sum / b.kg()
}

// Heat is what the piece holds in J over what it would at 0 °C.
func (b *Body) Heat() float64 {
	sum := 0.0
	for i, h := range b.heat {
		sum += h * b.mass[i]
	}
	return sum
}
