package kitchen

import (
	"time"

	"holdbell/sensor"
	"holdbell/sensor/its90"
	"holdbell/sensor/kitchen/chip"
	"holdbell/sensor/resist"
)

// Showing is a fault that a probe of AllProbes has from At to Until, counted from the beginning, and again each
// round.
type Showing struct {
	Probe     string
	Fault     sensor.Fault
	At, Until time.Duration
}

// The times of a round: the cabinet arms first, then one probe after another has each of its faults for a minute,
// with half a minute of health after it.
const (
	showFrom = 6 * time.Minute
	showFor  = time.Minute
	showRest = 30 * time.Second
)

// fault is how one is made, how it is mended, and the word that the chip has for it.
type fault struct {
	do, undo Action
	is       sensor.Fault
}

// AllProbes is a holding cabinet at 150 °F with a probe on every chip that the simulator has, each in its air.
// One after another has every fault that its chip can tell. round is the time after which it begins anew.
func AllProbes(seed uint64) (p Plan, shown []Showing, round time.Duration) {
	air := Place{Station: "warmer"}
	p = Plan{
		Seed:     seed,
		Room:     24,
		Stations: []Station{HoldingCabinet("warmer", fahrenheit(150))},
		Probes: []Probe{
			{Name: "k-31855", Chip: "max31855", Bus: "SPI0.0", Type: its90.K},
			{Name: "t-31856", Chip: "max31856", Bus: "SPI0.1", Type: its90.T},
			{Name: "pt100-31865", Chip: "max31865", Bus: "SPI1.0", R0: 100, Reference: 430},
			{Name: "pt1000-31865", Chip: "max31865", Bus: "SPI1.1", R0: 1000, Reference: 4300},
			{Name: "k-6675", Chip: "max6675", Bus: "SPI1.2", Type: its90.K},
			{Name: "k-9600", Chip: "mcp9600", Bus: "I2C1 0x67", Type: its90.K},
			{Name: "j-9601", Chip: "mcp9601", Bus: "I2C1 0x60", Type: its90.J},
			{Name: "k-8495", Chip: "ads1115", Bus: "I2C1 0x48", Channel: 0, Amplifier: &Amplifier{Reference: 1.25, Supply: 3.3}},
			{Name: "ntc-1115", Chip: "ads1115", Bus: "I2C1 0x49", Channel: 2, Thermistor: foodProbe()},
			{Name: "air-9808", Chip: "mcp9808", Bus: "I2C1 0x18"},
			{Name: "wire-18b20", Chip: "ds18b20", Bus: "I2C3 0x18", Serial: 0x75b2a3c},
		},
	}
	at := showFrom
	for i := range p.Probes {
		pr := &p.Probes[i]
		pr.At, pr.Lag, pr.Noise = air, 20*time.Second, 0.05
		for _, f := range faultsOf(pr) {
			shown = append(shown, Showing{pr.Name, f.is, at, at + showFor})
			p.Script = append(p.Script, Event{At: at, Do: f.do}, Event{At: at + showFor, Do: f.undo})
			at += showFor + showRest
		}
	}
	for i := range p.Script {
		p.Script[i].Every = at - showFrom
	}
	return p, shown, at - showFrom
}

// faultsOf are the faults that a probe's chip can tell. An open input of a chip whose leads are on ground or the
// supply, and a tip out of its type's range, need no showing of their own: the words are the same.
func faultsOf(p *Probe) []fault {
	lead := func(w chip.Wiring, is sensor.Fault) fault {
		return fault{Lead{p.Name, w}, Lead{p.Name, chip.Intact}, is}
	}
	line := func(d DeadLine, is sensor.Fault) fault {
		return fault{Line{p.Name, d}, Line{p.Name, Alive}, is}
	}
	// A burner beside the board's case.
	hotBoard := fault{Board{p.Name, 150}, Board{p.Name, 0}, sensor.CJImplausible}
	all := []fault{lead(chip.Open, sensor.Open), line(AllLow, sensor.BusFault), line(NoAnswer, sensor.Stale)}
	switch p.Chip {
	case "mcp9600": // an open thermocouple is what it cannot tell
		all = append(all[1:], lead(chip.ToSupply, sensor.Range))
	case "mcp9808": // no leads
		all = all[1:]
	case "mcp9601", "ads1115", "ds18b20":
		all = append(all, lead(chip.ToGround, sensor.ShortGND))
	case "max31855":
		all = append(all, lead(chip.ToGround, sensor.ShortGND), lead(chip.ToSupply, sensor.ShortVCC), hotBoard)
	case "max31856":
		all = append(all, lead(chip.ToSupply, sensor.OverUnderVoltage), hotBoard)
	case "max31865":
		all = append(all, lead(chip.ToGround, sensor.ShortGND), lead(chip.ToSupply, sensor.OverUnderVoltage),
			lead(chip.Touching, sensor.Range))
	case "max6675":
		all = append(all, lead(chip.ToSupply, sensor.Range))
	}
	return all
}

// foodProbe is a common thermistor: 100 kΩ at 25 °C, from the input to ground, under 10 kΩ to 3.3 V.
func foodProbe() *Thermistor {
	curve, err := resist.Beta(100_000, 25, 3950)
	if err != nil {
		panic("kitchen: " + err.Error()) // constants
	}
	return &Thermistor{Curve: curve, Divider: resist.Divider{Series: 10_000}, Excitation: 3.3}
}
