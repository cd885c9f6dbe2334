package daemon

import (
	"fmt"
	"io/fs"
	"math"

	"holdbell/configs"
	"holdbell/rules"
	"holdbell/sensor"
	"holdbell/sensor/its90"
	"holdbell/sensor/live"
	"holdbell/sensor/max31855"
	"holdbell/sensor/max31856"
	"holdbell/sensor/max31865"
	"holdbell/sensor/max6675"
	"holdbell/sensor/resist"
	"holdbell/sensor/sysfs"
	"holdbell/sensor/topic"
)

// Places are where probes hang.
type Places struct {
	Buses  sensor.Buses
	Kernel fs.FS // in which kernel files are read, / on a board
	Topics *topic.Hub
}

// Probes opens what a configuration names on buses, in its order. Nothing is touched yet: a chip that
// does not answer shows as a fault in the sweeps, not here. The errors name the probe and the fix.
func Probes(cfg *configs.Config, from Places) ([]live.Named, error) {
	named := make([]live.Named, 0, len(cfg.Probes))
	s := newShared()
	for i := range cfg.Probes {
		p, err := openProbe(&cfg.Probes[i], from, s)
		if err != nil {
			return nil, fmt.Errorf("probe %s: %w", cfg.Probes[i].Name, err)
		}
		named = append(named, live.Named{Name: cfg.Probes[i].Name, Probe: p})
	}
	return named, nil
}

func openProbe(c *configs.Probe, from Places, s *shared) (sensor.Probe, error) {
	if c.Topic != "" {
		return from.Topics.Probe(topic.Opts{Topic: c.Topic, Pointer: c.Pointer, Fahrenheit: c.Unit == rules.Fahrenheit, MaxAge: c.MaxAge})
	}
	if c.Chip == "" {
		if c.File != "" {
			return openFile(c, from.Kernel)
		}
		return nil, fmt.Errorf("it has neither chip nor bus, which does for a replay only; give both")
	}
	switch c.Chip {
	case "max31855":
		letter, err := its90.ParseType(c.Type)
		if err != nil {
			return nil, err
		}
		t, err := from.Buses.SPI(c.Bus, max31855.SPI())
		if err != nil {
			return nil, err
		}
		return max31855.New(t, max31855.Opts{Type: letter, IgnoreFaults: c.IgnoreFaults})
	case "max31856":
		letter, err := its90.ParseType(c.Type)
		if err != nil {
			return nil, err
		}
		t, err := from.Buses.SPI(c.Bus, max31856.SPI())
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
		t, err := from.Buses.SPI(c.Bus, max31865.SPI())
		if err != nil {
			return nil, err
		}
		return max31865.New(t, max31865.Opts{Sensor: rtd, Wires: c.Wires, Reference: c.Reference, MainsHz: c.MainsHz})
	case "max6675":
		t, err := from.Buses.SPI(c.Bus, max6675.SPI())
		if err != nil {
			return nil, err
		}
		return max6675.New(t)
	}
	return s.openI2C(c, from.Buses)
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

// openFile makes a probe of a kernel driver's file. Its type corrects the straight line that a MAX31855's
// driver hands on; its thermometer turns the code of a MAX31865's into degrees.
func openFile(c *configs.Probe, kernel fs.FS) (sensor.Probe, error) {
	o := sysfs.Opts{Name: c.Driver, Reference: c.Reference}
	if c.RTD != "" {
		rtd, err := resist.Platinum(c.RTD.Ohms())
		if err != nil {
			return nil, err
		}
		o.RTD = rtd
	}
	if c.Type != "" {
		letter, err := its90.ParseType(c.Type)
		if err != nil {
			return nil, err
		}
		o.Linearise = func(hot, cold float64) (float64, error) {
			if math.Abs(hot) > math.MaxInt16/4 || math.Abs(cold) > math.MaxInt16/16 {
				return 0, fmt.Errorf("%g °C with the cold junction at %g °C is nothing that a MAX31855 says", hot, cold)
			}
			return max31855.Linearise(letter, max31855.Frame{Hot: int16(math.Round(hot * 4)), Cold: int16(math.Round(cold * 16))})
		}
	}
	return sysfs.New(kernel, c.File, o)
}
