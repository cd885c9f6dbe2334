package daemon

import (
	"fmt"

	"holdbell/configs"
	"holdbell/sensor"
	"holdbell/sensor/its90"
	"holdbell/sensor/live"
	"holdbell/sensor/max31855"
	"holdbell/sensor/max31856"
	"holdbell/sensor/max31865"
	"holdbell/sensor/max6675"
	"holdbell/sensor/resist"
)

// Probes opens what a configuration names on buses, in its order. Nothing is touched yet: a chip that
// does not answer shows as a fault in the sweeps, not here. The errors name the probe and the fix.
func Probes(cfg *configs.Config, buses sensor.Buses) ([]live.Named, error) {
	named := make([]live.Named, 0, len(cfg.Probes))
	for i := range cfg.Probes {
		p, err := openProbe(&cfg.Probes[i], buses)
		if err != nil {
			return nil, fmt.Errorf("probe %s: %w", cfg.Probes[i].Name, err)
		}
		named = append(named, live.Named{Name: cfg.Probes[i].Name, Probe: p})
	}
	return named, nil
}

func openProbe(c *configs.Probe, buses sensor.Buses) (sensor.Probe, error) {
	if c.Chip == "" {
		if c.File != "" {
			return nil, fmt.Errorf("%s: this version reads no kernel files; give the chip and its bus", c.File)
		}
		return nil, fmt.Errorf("it has neither chip nor bus, which does for a replay only; give both")
	}
	switch c.Chip {
	case "max31855":
		letter, err := its90.ParseType(c.Type)
		if err != nil {
			return nil, err
		}
		t, err := buses.SPI(c.Bus, max31855.SPI())
		if err != nil {
			return nil, err
		}
		return max31855.New(t, max31855.Opts{Type: letter, IgnoreFaults: c.IgnoreFaults})
	case "max31856":
		letter, err := its90.ParseType(c.Type)
		if err != nil {
			return nil, err
		}
		t, err := buses.SPI(c.Bus, max31856.SPI())
		if err != nil {
			return nil, err
		}
		return max31856.New(t, max31856.Opts{Type: letter, MainsHz: c.MainsHz, Averaging: c.Averaging, OpenDetect: openDetect(c.OpenDetect),
			ColdJunctionOffset: c.ColdJunctionOffset.Celsius(), IgnoreFaults: c.IgnoreFaults})
	case "max31865":
		rtd, err := resist.Platinum(c.RTD.Ohms())
		if err != nil {
			return nil, err
		}
		t, err := buses.SPI(c.Bus, max31865.SPI())
		if err != nil {
			return nil, err
		}
		return max31865.New(t, max31865.Opts{Sensor: rtd, Wires: c.Wires, Reference: c.Reference, MainsHz: c.MainsHz})
	case "max6675":
		t, err := buses.SPI(c.Bus, max6675.SPI())
		if err != nil {
			return nil, err
		}
		return max6675.New(t)
	}
	return nil, fmt.Errorf("chip %q is not read by this version", c.Chip)
}

func openDetect(o configs.OpenDetect) max31856.OpenDetect {
	switch o {
	case configs.Open40kFast:
		return max31856.Open40kFast
	case configs.Open40kSlow:
		return max31856.Open40kSlow
	}
	return max31856.OpenUnder5k
}
