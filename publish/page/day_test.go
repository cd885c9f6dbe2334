package page

import (
	"context"
	"math"
	"net/http/httptest"
	"testing"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// ofADay makes a day of eight probes, a sweep a second: a cabinet that is loaded, opened and trips, food that
// falls behind it, a probe without a reading for a while, an hour in which nothing was read.
func ofADay(ctx context.Context, from, to time.Time, visit func([]string, *sensor.Sweep) bool) error {
	probes := []string{"warmer-air", "warmer-core", "pan-2", "pan-3", "walkin-air", "pass-core", "pit-air", "pit-core"}
	s := sensor.Sweep{Readings: make([]sensor.Reading, len(probes))}
	for at := from; !at.After(to); at = at.Add(time.Second) {
		hour := noon.Wall.Sub(at).Hours()
		if hour > 9 && hour < 10 {
			continue
		}
		s.At = sensor.Instant{Wall: at, Believed: true}
		wave := 2 * math.Sin(float64(at.Unix())/200)
		fall := 0.0
		if hour < 1.5 {
			fall = 20 * (1.5 - hour)
		}
		for i, c := range []float64{66 + wave - fall, 67 - fall/3, 62 - fall/2, 64 - fall/4, 3.4 + wave/3, 59 - fall/6, 135 + 4*wave, 60 + 2*(4-hour)} {
			s.Readings[i] = sensor.Reading{Temp: sensor.Temp(1000 * c)}
		}
		if hour > 2 && hour < 2.2 {
			s.Readings[1] = sensor.Bad(sensor.Open)
		}
		if !visit(probes, &s) {
			return nil
		}
	}
	return ctx.Err()
}

// served is a kitchen behind a port, with a day behind it.
func served(t testing.TB, st *rules.State, now func() sensor.Instant, mark func(context.Context, rules.Mark) (string, error)) (*Page, string) {
	t.Helper()
	p := kitchen(t, st, noon, mark)
	p.opt.Now, p.opt.Readings = now, ofADay
	p.opt.HotLimit, p.opt.ColdLimit = at(135), at(41)
	p.opt.Papers = &twoCooks{}
	p.opt.Past = func(context.Context, time.Time, time.Time) ([]rules.Event, error) {
		door := rules.Event{Seq: 11, Kind: rules.AlarmRaised, Alarm: rules.DoorOpen, Station: "warmer", At: ago(100 * time.Minute), Since: ago(100 * time.Minute), Text: "warmer stands open, it seems."}
		shut := door
		shut.Seq, shut.Kind, shut.At, shut.Text = 12, rules.AlarmCleared, ago(94*time.Minute), "warmer's air is coming back: it is shut again."
		return append([]rules.Event{{Seq: 10, Kind: rules.MarkTaken, Mark: "m-10", Station: "warmer", Lot: "pulled pork", By: "day shift", At: ago(200 * time.Minute), Text: "pulled pork was loaded into warmer."}, door, shut}, richEvents()...), nil
	}
	s := httptest.NewServer(p.Handler())
	s.Config.WriteTimeout = 0
	t.Cleanup(s.Close)
	return p, s.URL
}

func fixed(i sensor.Instant) func() sensor.Instant { return func() sensor.Instant { return i } }
