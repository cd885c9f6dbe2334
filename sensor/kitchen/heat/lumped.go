package heat

import (
	"fmt"
	"math"
)

// Lumped is a thing of one temperature throughout: a thin slice, a pan of stirred sauce. Its surface is dry.
type Lumped struct {
	capacity float64
	area     float64
	temp     float64
	wrapped  bool
}

// NewLumped makes a thing with a heat capacity in J/K and a surface in m², at a temperature in °C.
func NewLumped(capacity, area, temp float64) (*Lumped, error) {
	if !(capacity > 0 && area > 0) {
		return nil, fmt.Errorf("heat: a lumped thing of %g J/K and %g m²: give figures above zero", capacity, area)
	}
	return &Lumped{capacity: capacity, area: area, temp: temp}, nil
}

// Step lets time in s pass in steady air. It is exact for any length of step: Newton's law of cooling.
func (l *Lumped) Step(seconds float64, air Air) Exchange {
	film := air.Film
	if l.wrapped {
		film = wrappedFilm(film)
	}
	change := (air.Temp - l.temp) * -math.Expm1(-seconds*film*l.area/l.capacity)
	l.temp += change
	return Exchange{Convected: change * l.capacity}
}

// At is the temperature, the same at every depth.
func (l *Lumped) At(float64) float64 { return l.temp }

// Coldest is the same.
func (l *Lumped) Coldest() float64 { return l.temp }

// Mean is the same.
func (l *Lumped) Mean() float64 { return l.temp }

// Lost is nothing: the surface is dry.
func (l *Lumped) Lost() float64 { return 0 }

// Wrap puts foil or paper around the thing, or takes it off.
func (l *Lumped) Wrap(on bool) { l.wrapped = on }

// Wrapped reports whether it is.
func (l *Lumped) Wrapped() bool { return l.wrapped }
