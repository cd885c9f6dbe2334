package daemon

import (
	"fmt"

	"holdbell/configs"
	"holdbell/sensor"
	"holdbell/sensor/its90"
	"holdbell/sensor/live"
	"holdbell/sensor/max31855"
	"holdbell/sensor/max31856"
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
	letter, err := its90.ParseType(c.Type)
	if err != nil {
		return nil, err
	}
	switch c.Chip {
	case "max31855":
		t, err := buses.SPI(c.Bus, max31855.SPI())
		if err != nil {
			return nil, err
		}
		return max31855.New(t, max31855.Opts{Type: letter, IgnoreFaults: c.IgnoreFaults})
	case "max31856":
		t, err := buses.SPI(c.Bus, max31856.SPI())
		if err != nil {
			return nil, err
		}
		return max31856.New(t, max31856.Opts{Type: letter, MainsHz: c.MainsHz, Averaging: c.Averaging, IgnoreFaults: c.IgnoreFaults})
	}
	return nil, fmt.Errorf("chip %q is unknown; there are max31855 and max31856", c.Chip)
}
