package kitchen

import (
	"errors"
	"fmt"

	"holdbell/sensor/kitchen/chip"
	"holdbell/sensor/kitchen/heat"
	"holdbell/sensor/resist"
)

func (k *Kitchen) addStation(s Station) error {
	if s.Name == "" || k.stations[s.Name] != nil {
		return errors.New("give each station a name of its own")
	}
	if (s.Heater == nil) == (s.Fire == nil) {
		return errors.New("give it either a Heater or a Fire")
	}
	if !(s.Air > 0 && s.Walls > 0 && s.Inner > 0 && s.Outer > 0 && s.Film > 0 && s.Gap >= 0 && s.Door >= 0 && s.Vapour >= 0) {
		return errors.New("heat capacities, Inner, Outer and Film must lie above zero, and Gap, Door and Vapour not below it")
	}
	if f := s.Fire; f != nil && !(f.Burn >= 0 && f.Sparse > 0 && f.Catch > 0 && f.Reset > 0 && f.Heat >= 0 &&
		f.Draft >= 0 && f.Bed >= 0) {
		return errors.New("a fire's Sparse, Catch and Reset must lie above zero, and Burn, Heat, Draft and Bed not below it")
	}
	if h := s.Heater; h != nil {
		if err := errors.Join(within("watts", h.Watts, -100_000, 100_000), within("swing", h.Swing, 0, 50),
			within("setpoint", h.Setpoint, -30, 400)); err != nil {
			return err
		}
	}
	if err := within("start", s.Start, -30, 400); err != nil {
		return err
	}
	st := newStation(s)
	k.stations[s.Name] = st
	k.stationList = append(k.stationList, st)
	return nil
}

func (k *Kitchen) addFood(p Food) error {
	if p.Name == "" || k.foods[p.Name] != nil {
		return errors.New("give each food a name of its own")
	}
	if p.Station != "" {
		if err := k.hasStation(p.Station); err != nil {
			return err
		}
	}
	f := &food{plan: p, station: p.Station, away: p.Station == ""}
	if p.Capacity != 0 || p.Area != 0 {
		l, err := heat.NewLumped(p.Capacity, p.Area, p.Start)
		if err != nil {
			return err
		}
		f.piece = l
	} else {
		m, err := p.Made.Material()
		if err != nil {
			return err
		}
		b, err := heat.NewBody(p.Shape, m, shells, p.Start)
		if err != nil {
			return err
		}
		f.piece = b
	}
	f.piece.Wrap(p.Wrapped)
	k.foods[p.Name] = f
	k.foodList = append(k.foodList, f)
	return nil
}

func (k *Kitchen) addProbe(p Probe, seed uint64) error {
	if p.Name == "" || k.probes[p.Name] != nil {
		return errors.New("give each probe a name of its own")
	}
	first := k.buses[p.Bus]
	if p.Bus == "" || first != nil && !(shares(p.Chip) && first.plan.Chip == p.Chip) {
		return fmt.Errorf("bus %q: give each probe a bus and chip select of its own, such as SPI0.0", p.Bus)
	}
	if err := errors.Join(k.hasPlace(p.At), within("noise", p.Noise, 0, 100)); err != nil {
		return err
	}
	pr := newProbe(p, seed)
	pr.tip = k.medium(p.At)
	sense := func() chip.Pins { return pr.pins(k.now, k.room+boardAbove) }
	c, err := k.newI2C(p, sense)
	if c == nil && err == nil {
		c, err = newChip(p, sense)
	}
	if err != nil {
		return err
	}
	pr.chip = c
	k.probes[p.Name] = pr
	if first == nil {
		k.buses[p.Bus] = pr
	}
	k.probeList = append(k.probeList, pr)
	return nil
}

// newChip makes the chip that a probe is wired to.
func newChip(p Probe, sense func() chip.Pins) (chip.Chip, error) {
	if p.Chip == "max31865" {
		rtd, err := resist.Platinum(p.R0)
		if err != nil {
			return nil, err
		}
		return chip.NewMAX31865(rtd, p.Reference, sense)
	}
	if !p.Type.Valid() {
		return nil, fmt.Errorf("%v: give a thermocouple type", p.Type)
	}
	switch p.Chip {
	case "max31855":
		return chip.NewMAX31855(p.Type, sense)
	case "max31856":
		return chip.NewMAX31856(sense), nil
	case "max6675":
		return chip.NewMAX6675(sense), nil
	}
	return nil, fmt.Errorf("chip %q: choose max31855, max31856, max31865, max6675, mcp9600, mcp9601, mcp9808, ads1115 or ds18b20", p.Chip)
}

func (k *Kitchen) hasStation(name string) error {
	if k.stations[name] == nil {
		return fmt.Errorf("there is no station %q", name)
	}
	return nil
}

func (k *Kitchen) hasHeater(name string) error {
	if err := k.hasStation(name); err != nil {
		return err
	}
	if k.stations[name].heater == nil {
		return fmt.Errorf("station %s has no heater", name)
	}
	return nil
}

func (k *Kitchen) hasFood(name string) error {
	if k.foods[name] == nil {
		return fmt.Errorf("there is no food %q", name)
	}
	return nil
}

func (k *Kitchen) hasProbe(name string) error {
	if k.probes[name] == nil {
		return fmt.Errorf("there is no probe %q", name)
	}
	return nil
}

func (k *Kitchen) hasPlace(p Place) error {
	switch {
	case p.Food != "":
		return errors.Join(k.hasFood(p.Food), within("depth", p.Depth, 0, 1))
	case p.Station != "":
		return k.hasStation(p.Station)
	}
	return nil
}
