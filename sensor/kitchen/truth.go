package kitchen

import "holdbell/sensor/kitchen/chip"

// FoodTruth is what is true of a food, temperatures in °C.
type FoodTruth struct {
	Core, Surface float64
	Coldest, Mean float64
	Station       string // where it is; empty when away or in the room
	Wrapped       bool
	Lost          float64 // water, kg
}

// StationTruth is what is true of a station, temperatures in °C.
type StationTruth struct {
	Air, Walls float64
	Open       bool
	Power      float64 // W into the air, below zero when it is cooled
	Tripped    bool
	Fuel       float64 // kg on the fire, alight or not
	Damper     float64 // 0 shut to 1 open
}

// ProbeTruth is what is true of a probe.
type ProbeTruth struct {
	Medium float64 // what surrounds the tip, °C
	Tip    float64 // which lags, °C
	Off    float64 // what drift has added, °C
	At     Place
	Wiring chip.Wiring
}

// Food tells the truth about a food; ok is false when there is none of that name.
func (k *Kitchen) Food(name string) (t FoodTruth, ok bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	f := k.foods[name]
	if f == nil {
		return FoodTruth{}, false
	}
	return FoodTruth{Core: f.piece.At(0), Surface: f.piece.At(1), Coldest: f.piece.Coldest(), Mean: f.piece.Mean(),
		Station: f.station, Wrapped: f.piece.Wrapped(), Lost: f.piece.Lost()}, true
}

// Station tells the truth about a station; ok is false when there is none of that name.
func (k *Kitchen) Station(name string) (t StationTruth, ok bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	s := k.stations[name]
	if s == nil {
		return StationTruth{}, false
	}
	t = StationTruth{Air: s.air, Walls: s.walls, Open: s.open, Power: s.power}
	if s.heater != nil {
		t.Tripped = s.heater.tripped
	}
	if s.fire != nil {
		t.Fuel, t.Damper = s.fire.bed+s.fire.fresh, s.fire.damper
	}
	return t, true
}

// Probe tells the truth about a probe; ok is false when there is none of that name.
func (k *Kitchen) Probe(name string) (t ProbeTruth, ok bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	p := k.probes[name]
	if p == nil {
		return ProbeTruth{}, false
	}
	return ProbeTruth{Medium: k.medium(p.at), Tip: p.tip, Off: p.drift, At: p.at, Wiring: p.wiring}, true
}
