package daemon

import (
	"fmt"

	"holdbell/configs"
	"holdbell/sensor"
	"holdbell/sensor/ads1115"
	"holdbell/sensor/ds18b20"
	"holdbell/sensor/its90"
	"holdbell/sensor/mcp9600"
	"holdbell/sensor/mcp9808"
	"holdbell/sensor/resist"
)

// shared are the chips on I2C that several probes hang on, by bus and address.
type shared struct {
	adcs    map[string]*ads1115.Chip
	bridges map[string]*ds18b20.Bridge
}

func newShared() *shared {
	return &shared{adcs: make(map[string]*ads1115.Chip), bridges: make(map[string]*ds18b20.Bridge)}
}

// once gives the chip at a place, and makes it when it is the first to ask.
func once[T any](chips map[string]T, c *configs.Probe, buses sensor.Buses, make func(sensor.Transport) (T, error)) (T, error) {
	place := fmt.Sprintf("%s 0x%02x", c.Bus, c.Address)
	if chip, ok := chips[place]; ok {
		return chip, nil
	}
	t, err := buses.I2C(c.Bus, c.Address)
	if err != nil {
		var none T
		return none, err
	}
	chip, err := make(t)
	if err == nil {
		chips[place] = chip
	}
	return chip, err
}

// openI2C opens a probe on an I2C bus.
func (s *shared) openI2C(c *configs.Probe, buses sensor.Buses) (sensor.Probe, error) {
	switch c.Chip {
	case "mcp9600", "mcp9601":
		return openMCP9600(c, buses)
	case "mcp9808":
		t, err := buses.I2C(c.Bus, c.Address)
		if err != nil {
			return nil, err
		}
		return mcp9808.New(t)
	case "ads1115":
		return s.openADC(c, buses)
	case "ds18b20":
		bridge, err := once(s.bridges, c, buses, ds18b20.NewBridge)
		if err != nil {
			return nil, err
		}
		return bridge.Probe(c.Serial)
	}
	return nil, fmt.Errorf("chip %q is not read by this version", c.Chip)
}

func openMCP9600(c *configs.Probe, buses sensor.Buses) (sensor.Probe, error) {
	letter, err := its90.ParseType(c.Type)
	if err != nil {
		return nil, err
	}
	t, err := buses.I2C(c.Bus, c.Address)
	if err != nil {
		return nil, err
	}
	return mcp9600.New(t, mcp9600.Opts{Type: letter, OpenDetect: c.Chip == "mcp9601", Filter: c.Filter})
}

func (s *shared) openADC(c *configs.Probe, buses sensor.Buses) (sensor.Probe, error) {
	channel, err := ads1115.ParseChannel(c.Channel)
	if err != nil {
		return nil, err
	}
	o := ads1115.Opts{Channel: channel, Supply: c.Supply, Rate: c.Rate}
	if c.FrontEnd == configs.AD8495 {
		o.FrontEnd = ads1115.AD8495{Reference: c.ReferenceVoltage, Supply: c.AmplifierSupply}
	} else if t := c.Thermistor; t != nil {
		curve, err := t.Curve()
		if err != nil {
			return nil, err
		}
		front := &ads1115.Thermistor{Curve: curve, Divider: resist.Divider{Series: t.Series, Top: t.ToExcitation}, Excitation: t.Excitation}
		if t.ExcitationChannel != "" {
			if front.MeasuredOn, err = ads1115.ParseChannel(t.ExcitationChannel); err != nil {
				return nil, err
			}
		}
		o.FrontEnd = front
	}
	chip, err := once(s.adcs, c, buses, ads1115.NewChip)
	if err != nil {
		return nil, err
	}
	return chip.Probe(o)
}
