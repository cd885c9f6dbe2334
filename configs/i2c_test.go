package configs

import (
	"strings"
	"testing"
)

// TestI2C holds that every key of a chip on I2C arrives where it belongs.
func TestI2C(t *testing.T) {
	c := mustParse(t, `
rules: { food_code: us-fda-2022 }
probes:
  - { name: a, chip: mcp9601, bus: I2C1, address: 0x67, type: N, filter: 3 }
  - { name: b, chip: ads1115, bus: I2C1, address: 0x48, channel: 0-1, supply: 5V, rate: 32, frontend: ad8495, reference_voltage: 1.25V, amplifier_supply: 9V }
  - { name: c, chip: ads1115, bus: I2C1, address: 0x48, channel: 2, supply: 5V,
      thermistor: { steinhart_hart: [1.295361e-3, 2.343159e-4, 1.018703e-7], series: 4.7k, to: excitation, excitation_channel: 3 } }
  - { name: d, chip: ads1115, bus: I2C3, address: 0x48, channel: 3, supply: 3.3V,
      thermistor: { r25: 0.1M, beta: 3950K, series: 4700, to: ground, excitation: 3.3V } }
  - { name: e, chip: mcp9808, bus: I2C1, address: 0x19 }
  - { name: f, chip: ds18b20, bus: I2C1, address: 0x18, serial: 28-0000075b2a3c }
  - { name: g, chip: ds18b20, bus: I2C1, address: 0x18, serial: 28-0000075b2a3d }
stations:
  - { name: s, purpose: hot-holding, food: [a, b, c, d, e, f, g] }
`)
	p := c.Probes
	if p[0].Address != 0x67 || p[0].Type != "N" || p[0].Filter != 3 || p[0].Bus != "I2C1" {
		t.Errorf("%+v", p[0])
	}
	if p[1].Channel != "0-1" || p[1].Supply != 5 || p[1].Rate != 32 || p[1].FrontEnd != AD8495 || p[1].ReferenceVoltage != 1.25 || p[1].AmplifierSupply != 9 {
		t.Errorf("%+v", p[1])
	}
	if want := (Thermistor{SteinhartHart: [3]float64{1.295361e-3, 2.343159e-4, 1.018703e-7}, Series: 4700, ToExcitation: true, ExcitationChannel: "3"}); *p[2].Thermistor != want {
		t.Errorf("%+v", p[2].Thermistor)
	}
	if want := (Thermistor{R25: 100_000, Beta: 3950, Series: 4700, Excitation: 3.3}); *p[3].Thermistor != want {
		t.Errorf("%+v", p[3].Thermistor)
	}
	if p[4].Address != 0x19 || p[5].Serial != "28-0000075b2a3c" || p[6].Serial != "28-0000075b2a3d" {
		t.Errorf("%+v %+v %+v", p[4], p[5], p[6])
	}
	for _, w := range c.Warnings {
		if strings.Contains(w.String(), "MCP9600") {
			t.Errorf("an MCP9601 is warned of: %v", w)
		}
	}
}

// TestMCP9600Warns: the chip that cannot tell an open thermocouple is not passed over in silence.
func TestMCP9600Warns(t *testing.T) {
	c := mustParse(t, "rules: { food_code: us-fda-2022 }\n"+
		"probes: [ { name: a, chip: mcp9600, bus: I2C1, address: 0x67, type: K, offset: 0C } ]\n"+
		"stations: [ { name: s, purpose: cooking, food: [a] } ]\n")
	if len(c.Warnings) != 1 || !strings.Contains(c.Warnings[0].String(), "kitchen.yaml:2:22: probe a: an MCP9600 cannot tell a broken thermocouple") {
		t.Errorf("%v", c.Warnings)
	}
}
