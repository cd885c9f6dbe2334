package kitchen

import (
	"holdbell/sensor/kitchen/heat"
)

// source is what warms or cools a station's air.
type source interface {
	// watts gives the power into the air during a step, and how much draft exchanges with the room, W/K.
	watts(seconds, air float64) (power, draft float64)
}

// station is a Station under way.
type station struct {
	plan   Station
	heater *heater
	fire   *fire
	source source
	air    float64
	walls  float64
	open   bool
	rain   float64 // W/K from the walls on top of Outer
	power  float64 // W, of the last step
	flows  flows
}

// flows sums up in J what entered and left a station's air and walls, for the balance.
type flows struct{ source, food, room float64 }

func newStation(p Station) *station {
	s := &station{plan: p, air: p.Start, walls: p.Start}
	if p.Heater != nil {
		s.heater = newHeater(*p.Heater, p.Start)
		s.source = s.heater
	} else {
		s.fire = newFire(*p.Fire)
		s.source = s.fire
	}
	return s
}

// around is what a food in the station meets.
func (s *station) around() heat.Air {
	return heat.Air{Temp: s.air, Film: s.plan.Film, Vapour: s.plan.Vapour}
}

// step lets time pass: food is the heat in J that the foods took from the air in this step. Air and walls
// take one backward Euler step together, which is stable for any length.
func (s *station) step(seconds, room, food float64) {
	power, draft := s.source.watts(seconds, s.air)
	outside := s.plan.Gap + draft
	if s.open {
		outside += s.plan.Door
	}
	p := &s.plan
	// (air' - air) A/dt = power - food/dt + inner (walls' - air') + outside (room - air')
	// (walls' - walls) W/dt = inner (air' - walls') + outer (room - walls')
	a, w := p.Air/seconds, p.Walls/seconds
	forAir := a*s.air + power - food/seconds + outside*room
	outer := p.Outer + s.rain
	forWalls := w*s.walls + outer*room
	onWalls := w + p.Inner + outer
	s.air = (forAir + p.Inner*forWalls/onWalls) / (a + outside + p.Inner - p.Inner*p.Inner/onWalls)
	s.walls = (forWalls + p.Inner*s.air) / onWalls

	s.power = power
	s.flows.source += power * seconds
	s.flows.food += food
	s.flows.room += (outside*(s.air-room) + outer*(s.walls-room)) * seconds
}

// stored is the heat in J in air and walls over that at 0 °C.
func (s *station) stored() float64 { return s.plan.Air*s.air + s.plan.Walls*s.walls }
