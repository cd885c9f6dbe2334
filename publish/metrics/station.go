package metrics

import (
	"github.com/prometheus/client_golang/prometheus"

	"holdbell/rules"
)

// collectStations tells how each station's air has been kept since it was armed, and of its door. A station
// that is not armed has none of it.
func collectStations(ch chan<- prometheus.Metric, st *rules.State) {
	mean := desc("station_air_mean_celsius", "Mean of the station's air since it was armed, weighted by time.", "station")
	spread := desc("station_air_spread_celsius", "Standard deviation of the station's air since it was armed, weighted by time.", "station")
	kept := desc("station_air_seconds", "Time since the station was armed, by where its air was: in, below or above its band, or unknown.", "station", "where")
	open := desc("station_door_open", "1 while the station's air says that its door stands open, 0 while it says that it is shut; absent while it says nothing.", "station")
	back := desc("station_recovery_seconds", "How long the air took to come back after the door was last shut; absent until it was.", "station")
	due := desc("station_reminders_due", "How many of the station's reminders are due.", "station")
	for i := range st.Stations {
		s := &st.Stations[i]
		gauge := func(d *prometheus.Desc, v float64, more ...string) {
			ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, append([]string{s.Name}, more...)...)
		}
		if s.Recovery != nil {
			gauge(back, s.Recovery.Seconds())
		}
		if len(s.Reminders) > 0 {
			n := 0
			for _, r := range s.Reminders {
				if r.Due {
					n++
				}
			}
			gauge(due, float64(n))
		}
		k := s.Kept
		if k == nil {
			continue
		}
		if k.Known > 0 {
			gauge(mean, k.Mean.Celsius())
			gauge(spread, k.Spread.Celsius())
		}
		gauge(kept, k.Unknown.Seconds(), "unknown")
		if s.Band != nil {
			gauge(kept, k.InBand.Seconds(), "in")
			gauge(kept, k.BelowBand.Seconds(), "below")
			gauge(kept, k.AboveBand.Seconds(), "above")
		}
		switch {
		case !s.DoorOpen.IsZero():
			gauge(open, 1)
		case s.AirTemp != nil: // without a reading nobody knows
			gauge(open, 0)
		}
	}
}
