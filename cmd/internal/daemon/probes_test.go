package daemon

import (
	"bytes"
	"context"
	"fmt"
	"strings"
	"testing"

	"holdbell/configs"
	"holdbell/sensor"
)

// spied are buses that keep what was written to each chip select, and answer nothing but zeros with a one at
// the end, so that no chip is taken for a dead line.
type spied struct {
	modes  map[string]sensor.SPIConfig
	writes map[string][][]byte
}

func (s *spied) SPI(name string, c sensor.SPIConfig) (sensor.Transport, error) {
	s.modes[name] = c
	return &spy{s, name}, nil
}

func (s *spied) I2C(name string, addr uint16) (sensor.Transport, error) {
	return nil, fmt.Errorf("%s 0x%02x: no I2C here", name, addr)
}

type spy struct {
	s    *spied
	name string
}

func (t *spy) Tx(_ context.Context, w, r []byte) error {
	if len(r) == 0 {
		t.s.writes[t.name] = append(t.s.writes[t.name], bytes.Clone(w))
	} else {
		clear(r)
		r[len(r)-1] = 1
	}
	return nil
}

func (t *spy) String() string { return t.name }

// TestProbesSetTheirChips: what a configuration says reaches the registers of its chip, bit for bit (MAX31856
// datasheet, CR0, CR1 and CJTO; MAX31865 datasheet, configuration), and every chip gets its own SPI mode.
func TestProbesSetTheirChips(t *testing.T) {
	const text = `
rules: { food_code: us-fda-2022 }
probes:
  - { name: a, chip: max31856, bus: SPI0.0, type: T, mains_hz: 50, averaging: 8, open_detect: 5k-to-40k-slow, cold_junction_offset: -0.5C }
  - { name: b, chip: max31856, bus: SPI0.1, type: K, mains_hz: 60 }
  - { name: c, chip: max31865, bus: SPI1.0, rtd: pt100, wires: 3, reference: 430, mains_hz: 50 }
  - { name: d, chip: max31865, bus: SPI1.1, rtd: pt1000, wires: 4, reference: 4300, mains_hz: 60 }
  - { name: e, chip: max6675, bus: SPI1.2 }
  - { name: f, chip: max31855, bus: SPI2.0, type: K }
stations: [ { name: s, purpose: cooking, food: [a, b, c, d, e, f] } ]
`
	cfg, err := configs.Parse("kitchen.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	s := &spied{map[string]sensor.SPIConfig{}, map[string][][]byte{}}
	probes, err := Probes(cfg, Places{Buses: s})
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range probes {
		if r, err := p.Probe.Read(t.Context()); r.Valid() || err == nil {
			t.Errorf("%s: %v of a chip that took nothing", p.Name, r)
		}
	}
	for _, c := range []struct {
		bus, want string // hexadecimal, somewhere in what was written
		mode      int
	}{
		// Stopped, 40 kΩ slow, 50 Hz; eight samples of type T; thresholds at their ends; minus eight sixteenths.
		{"SPI0.0", "80 31 37 ff 7f c0 7f ff 80 00 f8", 1},
		{"SPI0.1", "80 10 03 ff 7f c0 7f ff 80 00 00", 1},
		{"SPI1.0", "80 93", 1}, // current, 3 wires, faults cleared, 50 Hz
		{"SPI1.1", "80 82", 1},
		{"SPI1.2", "", 1},
		{"SPI2.0", "", 0},
	} {
		var all []string
		for _, w := range s.writes[c.bus] {
			all = append(all, fmt.Sprintf("% x", w))
		}
		if said := strings.Join(all, ", "); c.want == "" && said != "" || !strings.Contains(said, c.want) {
			t.Errorf("%s: %s\nwant %s", c.bus, said, c.want)
		}
		if s.modes[c.bus].Mode != c.mode {
			t.Errorf("%s: mode %d, want %d", c.bus, s.modes[c.bus].Mode, c.mode)
		}
	}
}
