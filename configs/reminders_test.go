package configs

import (
	"reflect"
	"strings"
	"testing"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// What a kitchen writes about reminders, its shift and too hot a hold arrives in the rules as it was meant.
func TestReminders(t *testing.T) {
	c, err := Parse("kitchen.yaml", []byte(`
rules: { food_code: us-fda-2022 }
shift: { from: "22:00", to: "06:30", zone: UTC }
probes: [ { name: air }, { name: core } ]
stations:
  - name: pit
    purpose: cooking
    air: air
    band: [250F, 300F]
    reminders:
      - { say: turn the racks, every: 1h, after: rotate }
      - say: feed the fire
        every: 45m
        after: note
        word: fire
  - { name: warmer, purpose: hot-holding, food: [core], too_hot: { above: 170F, for: 90m } }
`))
	if err != nil {
		t.Fatal(err)
	}
	s, err := c.Setup()
	if err != nil {
		t.Fatal(err)
	}
	want := []rules.Reminder{
		{Say: "turn the racks", Every: time.Hour, After: rules.MarkRotate},
		{Say: "feed the fire", Every: 45 * time.Minute, After: rules.MarkNote, Word: "fire"},
	}
	if got := s.Stations[0].Reminders; !reflect.DeepEqual(got, want) {
		t.Errorf("reminders are %+v", got)
	}
	if got := s.Stations[1].TooHot; got == nil || *got != (rules.TooHot{Above: sensor.FahrenheitLimit(170), For: 90 * time.Minute}) {
		t.Errorf("too hot is %+v", got)
	}
	if got := s.Shift; got == nil || *got != (rules.Shift{From: 22 * time.Hour, To: 6*time.Hour + 30*time.Minute, Zone: time.UTC}) {
		t.Errorf("the shift is %+v", got)
	}
	if s.Stations[0].TooHot != nil || s.Stations[1].Reminders != nil {
		t.Error("a station has what another one was given")
	}
	for _, w := range c.Warnings {
		if strings.Contains(w.String(), "shift") {
			t.Errorf("a shift with its zone warns: %v", w)
		}
	}
}

// A shift without a zone is by the machine's clock, and is warned of: a replay elsewhere may differ.
func TestShiftWithoutZone(t *testing.T) {
	c, err := Parse("kitchen.yaml", []byte("rules: { food_code: us-fda-2022 }\nshift: { from: \"06:00\", to: \"22:00\" }\n"+
		"probes: [ { name: air } ]\nstations: [ { name: pit, purpose: cooking, air: air } ]\n"))
	if err != nil {
		t.Fatal(err)
	}
	told := false
	for _, w := range c.Warnings {
		told = told || strings.Contains(w.String(), "a replay elsewhere may say otherwise")
	}
	if !told || c.Shift.Zone != time.Local {
		t.Errorf("warnings %v, zone %v", c.Warnings, c.Shift.Zone)
	}
}
