package kitchen

import (
	"time"

	"holdbell/sensor/its90"
	"holdbell/sensor/kitchen/heat"
)

// Plan is a kitchen written down: what stands in it, what is measured, and what happens when. Names are unique
// among stations, among foods and among probes.
type Plan struct {
	// Seed makes the noise. Plans that are otherwise alike differ in nothing else.
	Seed uint64
	// Room is the temperature of the kitchen in °C.
	Room     float64
	Stations []Station
	Foods    []Food
	Probes   []Probe
	Script   []Event
}

// Station is a closed box with air and walls, and one of a Heater or a Fire in it. HoldingCabinet, Chiller and
// Pit give plausible ones.
type Station struct {
	Name string
	// Start is the temperature of air and walls in °C as the story begins.
	Start float64
	// Air and Walls are heat capacities in J/K. Shelves and thin sheet go with the air, what lies behind them
	// with the walls.
	Air, Walls float64
	// Inner and Outer conduct from the air to the walls and from the walls to the room, W/K: what is lost in
	// steady running is the two in series.
	Inner, Outer float64
	// Gap is what the air exchanges with the room while shut, W/K, and Door what comes on top while open.
	Gap, Door float64
	// Film is the heat transfer coefficient at the food's surface, W/m²K, radiation included.
	Film float64
	// Vapour is the pressure of water vapour in the air, Pa.
	Vapour float64
	Heater *Heater
	Fire   *Fire
}

// Heater is an electric element or, with Watts below zero, a refrigerating machine, switched by a thermostat.
type Heater struct {
	Watts    float64
	Setpoint float64       // °C
	Swing    float64       // switches at the setpoint plus and minus half of this, °C
	Lag      time.Duration // of the thermostat's own feeler
	// CutOut is the temperature of the feeler in °C at which an independent limiter takes a heater off until it
	// is cooler; 0 for none.
	CutOut float64
}

// Fire is a bed of fuel whose burning follows the draft, and a controller that moves the damper.
type Fire struct {
	Setpoint float64 // °C
	Bed      float64 // fuel alight as the story begins, kg
	// Burn is how much a large bed burns with the damper open, kg/s, and Leak the share of that draft which
	// comes in with the damper shut.
	Burn, Leak float64
	// Sparse is the bed in kg that burns at half that rate.
	Sparse float64
	// Catch is how long new fuel takes to catch.
	Catch time.Duration
	// Heat is what a kilogram gives to the air, J.
	Heat float64
	// Draft is what leaves by the chimney with the damper open, W/K.
	Draft float64
	// Gain is how far the damper opens for a degree, 0 to 1, and Reset the time in which a lasting error moves
	// it as far again.
	Gain  float64
	Reset time.Duration
}

// Food is a piece of food, or anything else that takes up heat.
type Food struct {
	Name string
	// Station is where it is as the story begins; empty while it is still put away, at Start, until a Load.
	Station string
	Start   float64 // °C throughout
	Wrapped bool
	// Either Shape and Made, for a piece with an inside; or Capacity in J/K and Area in m², for a thin thing
	// of one temperature.
	Shape          heat.Shape
	Made           heat.Composition
	Capacity, Area float64
}

// Probe is a thermometer and the chip that it is wired to.
type Probe struct {
	Name string
	Chip string     // such as "max31855", as a configuration has it
	Bus  string     // such as "SPI0.1" or "I2C1 0x60"
	Type its90.Type // of a thermocouple
	// R0 and Reference are a platinum thermometer's resistance at 0 °C and that of the resistor beside a MAX31865,
	// in ohms.
	R0, Reference float64
	// Channel is the input of an ADS1115, 0 to 3, behind an Amplifier or a Thermistor.
	Channel    int
	Amplifier  *Amplifier
	Thermistor *Thermistor
	// Serial is the number of a DS18B20, without its family and checksum.
	Serial uint64
	At     Place
	Lag    time.Duration // first order, of the tip in what surrounds it
	// Noise is the standard deviation of a reading in °C, normally distributed.
	Noise float64
}

// Place is where a probe's tip sits: in a food at a depth, else in a station's air, else in the room.
type Place struct {
	Food    string
	Depth   float64 // 0 in the middle, 1 at the surface
	Station string
}

// HoldingCabinet is a full-size insulated cabinet of about 0.6 m³ at its setpoint in °C. It idles at about 300
// W at 150 °F in a room of 75 °F, which makes 7 W/K (ENERGY STAR Commercial Hot Food Holding Cabinets v2.0: 294
// W at 20 ft³; FEMP: 299 W at 22.4 ft³). The rest is common practice.
func HoldingCabinet(name string, setpoint float64) Station {
	return Station{
		Name: name, Start: setpoint,
		Air: 9_000, Walls: 30_000,
		Inner: 35, Outer: 8.4, Gap: 0.25, Door: 60,
		Film: 10, Vapour: 4_000,
		Heater: &Heater{Watts: 1_000, Setpoint: setpoint, Swing: 3, Lag: 30 * time.Second, CutOut: 110},
	}
}

// Chiller is a reach-in refrigerator at its setpoint in °C (common practice).
func Chiller(name string, setpoint float64) Station {
	return Station{
		Name: name, Start: setpoint,
		Air: 12_000, Walls: 40_000,
		Inner: 40, Outer: 3, Gap: 0.5, Door: 80,
		Film: 12, Vapour: 700,
		Heater: &Heater{Watts: -350, Setpoint: setpoint, Swing: 3, Lag: time.Minute},
	}
}

// SmokePit is an insulated pit for a few pieces, with a fire of about a kilogram an hour (common practice). Wet
// wood and the food keep its air moist.
func SmokePit(name string, setpoint float64) Station {
	return Station{
		Name: name, Start: setpoint,
		Air: 15_000, Walls: 90_000,
		Inner: 60, Outer: 15, Gap: 1, Door: 100,
		Film: 14, Vapour: 7_000,
		Fire: &Fire{
			Setpoint: setpoint, Bed: 1.0,
			Burn: 0.7e-3, Leak: 0.12, Sparse: 1, Catch: 5 * time.Minute,
			Heat: 14e6, Draft: 14,
			Gain: 0.02, Reset: 15 * time.Minute,
		},
	}
}
