package kitchen

import (
	"time"

	"holdbell/sensor/its90"
	"holdbell/sensor/kitchen/chip"
	"holdbell/sensor/kitchen/heat"
)

// Mark is what a person in the story tells the daemon, in the words of a marks file.
type Mark struct {
	At                           time.Duration
	Kind, Lot, Station, Note, By string
}

// Demo is an invented kitchen with a story: a holding cabinet called warmer that loses its supply, and a pit
// whose probe comes loose.
func Demo(seed uint64) (*Kitchen, error) { return New(DemoPlan(seed)) }

// fahrenheit is a temperature in °C.
func fahrenheit(f float64) float64 { return (f - 32) / 1.8 }

// The story's times.
const (
	service   = 35 * time.Minute
	checked   = 50 * time.Minute
	tripped   = 75 * time.Minute
	pitLoad   = 4 * time.Minute
	loosened  = 100 * time.Minute
	tightened = 108 * time.Minute
	wrapped   = 4*time.Hour + 30*time.Minute
	pitDone   = 7*time.Hour + 15*time.Minute
)

// DemoPlan is the demo's kitchen written down.
//
//   - warmer is calm at 150 °F from the beginning, with a wrapped piece of 5 kg in it that went in hot. At 35 min its door
//     opens for a service, 4 min long; at 75 min its breaker trips, and nobody resets it.
//   - pit runs at 275 °F. A cold pork shoulder goes in at 4 min with its probe in it, the probe is off the chip from 100 to 108 min, and it is
//     wrapped at 4 h 30 min and taken out at 7 h 15 min. The fire is fed each 50 min, with the lid open for a minute.
func DemoPlan(seed uint64) Plan {
	warmer := HoldingCabinet("warmer", fahrenheit(150))
	pit := SmokePit("pit", fahrenheit(275))
	return Plan{
		Seed:     seed,
		Room:     24,
		Stations: []Station{warmer, pit},
		Foods: []Food{
			{Name: "brisket", Station: "warmer", Start: fahrenheit(146), Wrapped: true,
				Shape: heat.Box(0.42, 0.27, 0.042), Made: heat.CookedBrisket()},
			{Name: "pork", Start: 5, Shape: heat.Box(0.21, 0.15, 0.08), Made: heat.RawPorkShoulder()},
		},
		Probes: []Probe{
			{Name: "warmer-air", Chip: "max31856", Bus: "SPI0.1", Type: its90.K, At: Place{Station: "warmer"},
				Lag: 20 * time.Second, Noise: 0.08},
			{Name: "warmer-core", Chip: "max31855", Bus: "SPI0.0", Type: its90.K, At: Place{Food: "brisket"},
				Lag: 8 * time.Second, Noise: 0.15},
			{Name: "pit-air", Chip: "max31856", Bus: "SPI1.0", Type: its90.K, At: Place{Station: "pit"},
				Lag: 20 * time.Second, Noise: 0.3},
			{Name: "pit-core", Chip: "max31855", Bus: "SPI1.1", Type: its90.K, At: Place{Food: "pork"},
				Lag: 8 * time.Second, Noise: 0.15},
		},
		Script: []Event{
			{At: pitLoad, Do: Load{Food: "pork", Station: "pit"}},
			{At: service, Do: Door{Station: "warmer", Open: true}},
			{At: service + 4*time.Minute, Do: Door{Station: "warmer"}},
			{At: tripped, Do: Breaker{Station: "warmer", Tripped: true}},
			{At: loosened, Do: Lead{Probe: "pit-core", Is: chip.Open}},
			{At: tightened, Do: Lead{Probe: "pit-core", Is: chip.Intact}},
			{At: 40 * time.Minute, Every: 50 * time.Minute, Do: Door{Station: "pit", Open: true}},
			{At: 40 * time.Minute, Every: 50 * time.Minute, Do: Feed{Station: "pit", Kg: 1.1}},
			{At: 41 * time.Minute, Every: 50 * time.Minute, Do: Door{Station: "pit"}},
			{At: wrapped, Do: Wrap{Food: "pork"}},
			{At: pitDone, Do: Remove{Food: "pork"}},
			{At: pitDone, Do: Put{Probe: "pit-core", At: Place{Station: "pit"}}},
		},
	}
}

// DemoMarks is what the people of the demo's story tell the daemon, in the order of time.
func DemoMarks() []Mark {
	return []Mark{
		{At: pitLoad, Kind: "load", Lot: "pork-1", Station: "pit", Note: "food=pork probe=pit-core one shoulder", By: "pit hand"},
		{At: checked, Kind: "check", Lot: "warmer", Station: "warmer", Note: "F=147 hand thermometer in the middle", By: "shift lead"},
		{At: wrapped, Kind: "wrap", Lot: "pork-1", Station: "pit", Note: "foil", By: "pit hand"},
		{At: pitDone, Kind: "serve", Lot: "pork-1", Station: "pit", Note: "sliced", By: "pit hand"},
	}
}
