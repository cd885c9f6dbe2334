package daemon

import (
	"context"
	"slices"
	"time"

	"holdbell/configs"
	"holdbell/rules"
	"holdbell/sensor"
)

// past gives recorded events, for the page.
func (d *Daemon) past(ctx context.Context, from, to time.Time) ([]rules.Event, error) {
	return d.record.ledger.EventsWithin(ctx, from, to)
}

// readings gives recorded sweeps, for the page's charts: the record holds them as the probes gave them, and
// the limits beside them go by the corrected ones.
func (d *Daemon) readings(cfg *configs.Config) func(context.Context, time.Time, time.Time, func([]string, *sensor.Sweep) bool) error {
	setup, err := cfg.Setup()
	if err != nil {
		return func(context.Context, time.Time, time.Time, func([]string, *sensor.Sweep) bool) error { return err }
	}
	return func(ctx context.Context, from, to time.Time, visit func([]string, *sensor.Sweep) bool) error {
		var layout []string
		var place []int // where the configuration has each probe of the layout; -1 for one that is gone
		return d.record.ledger.Readings(ctx, from, to, func(probes []string, s *sensor.Sweep) bool {
			if !slices.Equal(probes, layout) {
				layout, place = slices.Clone(probes), place[:0]
				for _, name := range probes {
					place = append(place, slices.IndexFunc(setup.Probes, func(p rules.ProbeSetup) bool { return p.Name == name }))
				}
			}
			for i, j := range place {
				if j >= 0 {
					s.Readings[i] = setup.Probes[j].Condition.Corrected(s.Readings[i])
				}
			}
			return visit(probes, s)
		})
	}
}
