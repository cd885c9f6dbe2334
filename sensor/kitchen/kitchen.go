// Package kitchen is a simulated kitchen: cabinets, pits and chillers with food in them, as flows of heat in
// virtual time, seen by thermocouples through simulated chips. A program that reads chips reads these with the
// same drivers, and a test can ask what was true.
//
// A Kitchen is made of a Plan and then only moved on by Advance. Time goes in steps of at most a second that
// end on whole seconds and on the script's events, so that it does not matter in how many parts it is asked
// for. The same Plan gives the same readings, bit for bit on one kind of machine.
//
// What it leaves out: freezing, shrinking, the heat that meat takes up as its proteins change, and the warmer
// and colder corners of a cabinet.
package kitchen

import (
	"fmt"
	"sync"
	"time"

	"holdbell/sensor"
	"holdbell/sensor/kitchen/chip"
	"holdbell/sensor/kitchen/heat"
)

// longestStep of the simulation.
const longestStep = time.Second

// roomFilm and roomVapour are what food meets on a bench: still air, W/m²K, and 50 % humidity at 24 °C, Pa
// (common practice).
const (
	roomFilm   = 8
	roomVapour = 1_500
)

// shells is how finely pieces are divided.
const shells = 16

// Kitchen is a Plan under way. It is safe for concurrent use.
type Kitchen struct {
	mu       sync.Mutex
	now      time.Duration
	room     float64
	stations map[string]*station
	foods    map[string]*food
	probes   map[string]*probe
	buses    map[string]*probe
	script   []Event

	// The same in the order of the plan: sums are taken in one order.
	stationList []*station
	foodList    []*food
	probeList   []*probe
}

// piece is what a food is to the physics.
type piece interface {
	Step(seconds float64, air heat.Air) heat.Exchange
	At(depth float64) float64
	Coldest() float64
	Mean() float64
	Lost() float64
	Wrap(on bool)
	Wrapped() bool
}

// food is a Food under way.
type food struct {
	plan    Food
	piece   piece
	station string
	away    bool // put away: no time passes for it
}

func (f *food) in(station string) { f.station, f.away = station, false }

// New makes a kitchen of a plan, at time 0. The error names what in the plan cannot be.
func New(p Plan) (*Kitchen, error) {
	k := &Kitchen{
		room:     p.Room,
		stations: make(map[string]*station),
		foods:    make(map[string]*food),
		probes:   make(map[string]*probe),
		buses:    make(map[string]*probe),
	}
	if err := within("room", p.Room, -30, 60); err != nil {
		return nil, fmt.Errorf("kitchen: %w", err)
	}
	for _, s := range p.Stations {
		if err := k.addStation(s); err != nil {
			return nil, fmt.Errorf("kitchen: station %q: %w", s.Name, err)
		}
	}
	for _, f := range p.Foods {
		if err := k.addFood(f); err != nil {
			return nil, fmt.Errorf("kitchen: food %q: %w", f.Name, err)
		}
	}
	for _, pr := range p.Probes {
		if err := k.addProbe(pr, p.Seed); err != nil {
			return nil, fmt.Errorf("kitchen: probe %q: %w", pr.Name, err)
		}
	}
	if err := k.schedule(p.Script); err != nil {
		return nil, err
	}
	k.due()
	return k, nil
}

// Now is the virtual time since the beginning.
func (k *Kitchen) Now() time.Duration {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.now
}

// Advance lets virtual time pass. A time below zero is none.
func (k *Kitchen) Advance(d time.Duration) {
	k.mu.Lock()
	defer k.mu.Unlock()
	end := k.now + d
	for k.now < end {
		next := min(end, (k.now/longestStep+1)*longestStep)
		if len(k.script) > 0 {
			next = min(next, k.script[0].At)
		}
		k.step((next - k.now).Seconds())
		k.now = next
		k.due()
	}
}

// step moves everything on: foods by the air as it was, then air and walls, then the probes' tips.
func (k *Kitchen) step(seconds float64) {
	for _, s := range k.stationList {
		taken := 0.0
		for _, f := range k.foodList {
			if f.station == s.plan.Name {
				taken += f.piece.Step(seconds, s.around()).Convected
			}
		}
		s.step(seconds, k.room, taken)
	}
	for _, f := range k.foodList {
		if f.station == "" && !f.away {
			f.piece.Step(seconds, heat.Air{Temp: k.room, Film: roomFilm, Vapour: roomVapour})
		}
	}
	for _, p := range k.probeList {
		p.step(seconds, k.medium(p.at))
	}
}

// medium is the temperature at a place.
func (k *Kitchen) medium(at Place) float64 {
	if f := k.foods[at.Food]; f != nil {
		return f.piece.At(at.Depth)
	}
	if s := k.stations[at.Station]; s != nil {
		return s.air
	}
	return k.room
}

// SPI implements sensor.Buses: the transport to the chip wired to a name such as "SPI0.1".
func (k *Kitchen) SPI(name string, c sensor.SPIConfig) (sensor.Transport, error) {
	p := k.buses[name]
	if p == nil {
		return nil, fmt.Errorf("kitchen: %w: nothing is wired to %s", sensor.ErrNoDevice, name)
	}
	onSPI, ok := p.chip.(chip.OnSPI)
	if !ok {
		return nil, fmt.Errorf("kitchen: %w: no SPI chip is wired to %s", sensor.ErrNoDevice, name)
	}
	if err := onSPI.Accepts(c); err != nil {
		return nil, fmt.Errorf("kitchen: %s: %w", name, err)
	}
	return &wire{k, p}, nil
}

// I2C implements sensor.Buses: the transport to the chip wired to a place such as "I2C1 0x60".
func (k *Kitchen) I2C(name string, addr uint16) (sensor.Transport, error) {
	place := fmt.Sprintf("%s 0x%02x", name, addr)
	p := k.buses[place]
	if p == nil {
		return nil, fmt.Errorf("kitchen: %w: nothing is wired to %s", sensor.ErrNoDevice, place)
	}
	return &wire{k, p}, nil
}
