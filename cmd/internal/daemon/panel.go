package daemon

import (
	"strings"

	"holdbell/configs"
	"holdbell/publish/page"
	"holdbell/publish/panel"
	"holdbell/sensor"
)

// newPanel makes the panel of a configuration; nil without one. Its display shares the buses of the probes.
func (d *Daemon) newPanel(cfg *configs.Config, buses sensor.Buses) (*panel.Panel, error) {
	c := cfg.Panel
	if c == nil {
		return nil, nil
	}
	o := panel.Options{Now: d.desk.now, Period: cfg.Period, Mark: d.Mark, Buzzer: gpioLine(c.Buzzer), Lamp: gpioLine(c.Lamp), Button: gpioLine(c.Button),
		Buses: buses, Log: d.log}
	if s := c.Display; s != nil {
		o.Display = &panel.Display{Kind: panel.Kind(s.Kind), Width: s.Width, Height: s.Height, Bus: s.Bus, Address: s.Address, RS: *gpioLine(&s.RS), E: *gpioLine(&s.E)}
		for i := range s.Data {
			o.Display.Data[i] = *gpioLine(&s.Data[i])
		}
	}
	return panel.New(o)
}

func gpioLine(g *configs.GPIO) *panel.Line {
	if g == nil {
		return nil
	}
	return &panel.Line{Chip: g.Chip, Name: g.Name, Offset: g.Offset, ActiveLow: g.ActiveLow}
}

// panelFact is what the page shows about it.
func (o *outputs) panelFact() []page.BoardFact {
	switch {
	case o.panel == nil:
		return nil
	case len(o.panel.Trouble()) > 0:
		return []page.BoardFact{{Name: "Panel", Value: strings.Join(o.panel.Trouble(), "; "), Trouble: true}}
	}
	return []page.BoardFact{{Name: "Panel", Value: "fine"}}
}
