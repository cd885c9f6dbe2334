package daemon

import (
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"holdbell/configs"
	"holdbell/sensor"
	"holdbell/sensor/its90"
	simulated "holdbell/sensor/kitchen"
	"holdbell/sensor/resist"
)

// TestProbesOnI2C: what a configuration says of a chip on I2C is what its driver is told: every reading is what the
// simulated chips measure.
func TestProbesOnI2C(t *testing.T) {
	cfg, err := configs.Parse("kitchen.yaml", []byte(`
rules: { food_code: us-fda-2022 }
probes:
  - { name: a, chip: mcp9600, bus: I2C1, address: 0x66, type: J }
  - { name: b, chip: mcp9601, bus: I2C1, address: 0x67, type: N, filter: 1 }
  - { name: c, chip: ads1115, bus: I2C1, address: 0x48, channel: 0, supply: 5V, rate: 860, frontend: ad8495, reference_voltage: 1.1V, amplifier_supply: 5V }
  - { name: d, chip: ads1115, bus: I2C1, address: 0x48, channel: 1, supply: 5V, rate: 860,
      thermistor: { r25: 10k, beta: 3435, series: 4.7k, to: excitation, excitation_channel: 3 } }
  - { name: e, chip: ads1115, bus: I2C1, address: 0x49, channel: 1, supply: 3.3V, rate: 860,
      thermistor: { steinhart_hart: [1.295361e-3, 2.343159e-4, 1.018703e-7], series: 5000, to: ground, excitation: 2.5V } }
  - { name: f, chip: mcp9808, bus: I2C1, address: 0x1f }
  - { name: g, chip: ds18b20, bus: I2C1, address: 0x1b, serial: 28-0000075b2a3c }
  - { name: h, chip: ds18b20, bus: I2C1, address: 0x1b, serial: 28-0123456789ab }
stations:
  - { name: box, purpose: hot-holding, air: a, food: [b, c, d, e, f, g, h] }
`))
	if err != nil {
		t.Fatal(err)
	}
	beta, err := resist.Beta(10_000, 25, 3435)
	if err != nil {
		t.Fatal(err)
	}
	steinhart, err := resist.SteinhartHart(1.295361e-3, 2.343159e-4, 1.018703e-7)
	if err != nil {
		t.Fatal(err)
	}
	at := simulated.Place{Station: "box"}
	k, err := simulated.New(simulated.Plan{Room: 24, Stations: []simulated.Station{simulated.HoldingCabinet("box", 65)}, Probes: []simulated.Probe{
		{Name: "a", Chip: "mcp9600", Bus: "I2C1 0x66", Type: its90.J, At: at},
		{Name: "b", Chip: "mcp9601", Bus: "I2C1 0x67", Type: its90.N, At: at},
		{Name: "c", Chip: "ads1115", Bus: "I2C1 0x48", At: at, Amplifier: &simulated.Amplifier{Reference: 1.1, Supply: 5}},
		{Name: "d", Chip: "ads1115", Bus: "I2C1 0x48", At: at, Channel: 1,
			Thermistor: &simulated.Thermistor{Curve: beta, Divider: resist.Divider{Series: 4700, Top: true}, Excitation: 4.9, MeasuredOn: 3}},
		{Name: "e", Chip: "ads1115", Bus: "I2C1 0x49", At: at, Channel: 1,
			Thermistor: &simulated.Thermistor{Curve: steinhart, Divider: resist.Divider{Series: 5000}, Excitation: 2.5}},
		{Name: "f", Chip: "mcp9808", Bus: "I2C1 0x1f", At: at},
		{Name: "g", Chip: "ds18b20", Bus: "I2C1 0x1b", At: at, Serial: 0x75b2a3c},
		{Name: "h", Chip: "ds18b20", Bus: "I2C1 0x1b", At: at, Serial: 0x123456789ab},
	}})
	if err != nil {
		t.Fatal(err)
	}
	synctest.Test(t, func(t *testing.T) {
		named, err := Probes(cfg, Places{Buses: k})
		if err != nil {
			t.Fatal(err)
		}
		last := make([]sensor.Reading, len(named))
		for range 5 {
			k.Advance(time.Second)
			for i, p := range named {
				last[i], _ = p.Probe.Read(t.Context())
			}
		}
		box, _ := k.Station("box")
		for i, r := range last {
			if d := r.Temp.Celsius() - box.Air; !r.Valid() || d > 0.3 || d < -0.3 {
				t.Errorf("%s (%v): %v in air of %.2f °C", named[i].Name, named[i].Probe, r, box.Air)
			}
		}
	})
	// Two chips at one place cannot be: the configuration says so, and the drivers do without it.
	twice := *cfg
	twice.Probes = slices.Clone(cfg.Probes)
	twice.Probes[7].Serial = twice.Probes[6].Serial
	if _, err := Probes(&twice, Places{Buses: k}); err == nil {
		t.Error("a serial with two probes was opened")
	}
}
