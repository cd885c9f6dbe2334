package kitchen

import (
	"math/rand/v2"
	"time"

	"holdbell/sensor/its90"
	"holdbell/sensor/kitchen/chip"
	"holdbell/sensor/kitchen/heat"
)

// inTrouble is how many kitchens of a fleet there are to one with a trouble.
const inTrouble = 8

// FleetPlan is one kitchen of many, with eight probes: the warmer and the pit of the demo, a drawer that holds, and a
// walk-in. seed makes its noise, how far its fire and its cooling are, when its people open doors, and whether it is in
// trouble, which about one kitchen of eight is: a breaker that trips, a probe that comes loose or a door that stays open,
// all within the first half hour. Which it is stands in trouble; empty for a kitchen in which all goes well.
func FleetPlan(seed uint64) (p Plan, marks []Mark, trouble string) {
	r := rand.New(rand.NewPCG(seed, 0x686f6c6462656c6c))
	minutes := func(from, to int) time.Duration {
		return time.Duration(from)*time.Minute + time.Duration(r.Int64N(int64(to-from)*int64(time.Minute/time.Second)))*time.Second
	}
	p = DemoPlan(seed)
	p.Room = 20 + 8*r.Float64()
	p.Stations = append(p.Stations, HoldingCabinet("drawer", fahrenheit(152)), Chiller("walkin", fahrenheit(37)))
	for i := range p.Foods {
		if p.Foods[i].Name == "brisket" {
			p.Foods[i].Start = fahrenheit(144 + 6*r.Float64())
		}
	}
	p.Foods = append(p.Foods,
		Food{Name: "ribs", Station: "drawer", Start: fahrenheit(146 + 6*r.Float64()), Wrapped: true, Shape: heat.Box(0.3, 0.1, 0.03), Made: heat.CookedBrisket()},
		Food{Name: "slaw", Station: "walkin", Start: fahrenheit(36 + 3*r.Float64()), Shape: heat.Box(0.3, 0.25, 0.1), Made: heat.RawPorkShoulder()})
	p.Probes = append(p.Probes,
		Probe{Name: "drawer-air", Chip: "max31856", Bus: "SPI1.2", Type: its90.K, At: Place{Station: "drawer"}, Lag: 20 * time.Second, Noise: 0.08},
		Probe{Name: "drawer-core", Chip: "max31855", Bus: "SPI2.0", Type: its90.K, At: Place{Food: "ribs"}, Lag: 8 * time.Second, Noise: 0.15},
		Probe{Name: "walkin-air", Chip: "mcp9808", Bus: "I2C1 0x18", At: Place{Station: "walkin"}, Lag: 30 * time.Second, Noise: 0.05},
		Probe{Name: "walkin-core", Chip: "max31855", Bus: "SPI2.1", Type: its90.K, At: Place{Food: "slaw"}, Lag: 8 * time.Second, Noise: 0.15})

	served, fed := minutes(8, 90), minutes(10, 50)
	p.Script = []Event{
		{At: served, Every: minutes(60, 120), Do: Door{Station: "drawer", Open: true}},
		{At: fed, Every: 50 * time.Minute, Do: Door{Station: "pit", Open: true}},
		{At: fed, Every: 50 * time.Minute, Do: Feed{Station: "pit", Kg: 1.1}},
		{At: fed + time.Minute, Every: 50 * time.Minute, Do: Door{Station: "pit"}},
	}
	p.Script = append(p.Script, Event{At: served + 20*time.Second, Every: p.Script[0].Every, Do: Door{Station: "drawer"}})
	if r.IntN(inTrouble) > 0 {
		return p, nil, ""
	}
	cabinet := [...]string{"warmer", "drawer"}[r.IntN(2)]
	at := minutes(6, 30)
	switch r.IntN(3) {
	case 0:
		p.Script = append(p.Script, Event{At: at, Do: Breaker{Station: cabinet, Tripped: true}})
		return p, nil, "the breaker of " + cabinet + " trips"
	case 1:
		p.Script = append(p.Script, Event{At: at, Do: Lead{Probe: cabinet + "-core", Is: chip.Open}})
		return p, nil, "the probe of " + cabinet + " comes loose"
	}
	p.Script = append(p.Script, Event{At: at, Do: Door{Station: "walkin", Open: true}})
	marks = []Mark{{At: at, Kind: "note", Station: "walkin", Note: "a delivery comes in", By: "shift lead"}}
	return p, marks, "the door of walkin stays open"
}
