package configs

import (
	"slices"
	"strings"
	"testing"
	"time"

	"holdbell/sensor/condition"
)

func TestCalibration(t *testing.T) {
	const one = "{ date: 2026-05-01, by: R.Oduya, reference: ice, points: [ { read: 32.4F, true: 32F } ] }"
	const two = "{ date: 2026-05-01, by: R.Oduya, reference: ice, points: [ { read: 32.4F, true: 32F }, { read: 211.1F, true: 210.6F } ] }"
	for text, want := range map[string][]condition.Point{one: {{Read: 222, True: 0}}, two: {{Read: 222, True: 0}, {Read: 99_500, True: 99_222}}} {
		c := mustParse(t, strings.Replace(least, "name: core", "name: core, calibration: "+text, 1))
		p := c.Probes[0]
		if p.Check == nil || !p.Calibrated || !slices.Equal(p.Check.Points, want) || p.Check.By != "R.Oduya" || p.Check.Reference != "ice" ||
			!p.Check.Date.Equal(time.Date(2026, 5, 1, 0, 0, 0, 0, time.UTC)) {
			t.Errorf("%s: %+v", text, p.Check)
		}
		if len(c.Warnings) > 0 {
			t.Errorf("%s: %v", text, c.Warnings)
		}
		got := mustSetup(t, c).Probes[0].Condition.Calibration
		if want := condition.Through(want[0], want[1:]...); got != want {
			t.Errorf("the rules are told %+v, want %+v", got, want)
		}
		if got := mustSetup(t, c).Probes[0].Calibrated; !got.Equal(p.Check.Date) {
			t.Errorf("the rules are told the day %v", got)
		}
	}
}

// A date is the future's by the clock of whoever asks, with a day of grace: the kitchen may lie east of Greenwich.
func TestCalibrationAhead(t *testing.T) {
	c := mustParse(t, strings.Replace(least, "name: core", "name: core, calibration: { date: 2026-05-01, reference: ice, points: [ { read: 0.2C, true: 0C } ] }", 1))
	day := time.Date(2026, 5, 1, 0, 0, 0, 0, time.UTC)
	if p := c.Ahead(day.Add(-24 * time.Hour)); len(p) != 0 {
		t.Errorf("a day before: %v", p)
	}
	p := c.Ahead(day.Add(-25 * time.Hour))
	if len(p) != 1 {
		t.Fatalf("%v", p)
	}
	if got, want := p[0].String(), "kitchen.yaml:2:40: the calibration of probe core is dated 2026-05-01, which has not come; write the day of the check, or set the clock"; got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}
