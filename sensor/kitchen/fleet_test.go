package kitchen

import (
	"reflect"
	"testing"
	"time"

	"holdbell/sensor"
)

// TestFleetIsMostlyWell: of a thousand kitchens about one in eight is in trouble, of every kind, and each is a plan that
// can be played and the same one again by its seed.
func TestFleetIsMostlyWell(t *testing.T) {
	kinds := map[string]int{}
	troubled := 0
	for seed := range uint64(1000) {
		p, _, trouble := FleetPlan(seed)
		again, _, _ := FleetPlan(seed)
		if len(p.Probes) != 8 || !reflect.DeepEqual(p, again) {
			t.Fatalf("seed %d: %d probes, or another plan the second time", seed, len(p.Probes))
		}
		if seed < 20 {
			must(New(p))
		}
		if trouble != "" {
			troubled++
			kinds[trouble]++
		}
	}
	if troubled < 80 || troubled > 180 || len(kinds) != 5 {
		t.Errorf("%d of 1000 are in trouble: %v", troubled, kinds)
	}
}

// TestFleetStories plays kitchens through the real drivers for an hour and a quarter: those that are well stay within
// every limit, and the trouble of the others shows.
func TestFleetStories(t *testing.T) {
	hot, cold := sensor.FahrenheitLimit(135), sensor.FahrenheitLimit(41)
	played := map[bool]int{}
	for seed := range uint64(24) {
		plan, _, trouble := FleetPlan(seed)
		k := must(New(plan))
		s := k.Source(drivers(t, k, plan.Probes), 10*time.Second, start())
		wrong := ""
		for k.Now() < 75*time.Minute {
			for i, r := range must(s.Next(t.Context())).Readings {
				switch name := plan.Probes[i].Name; {
				case k.Now() < time.Minute: // a chip that is set up first is stale
				case !r.Valid():
					wrong = name + " " + r.Fault.String()
				case (name == "warmer-core" || name == "drawer-core") && r.Temp < hot, (name == "warmer-air" || name == "drawer-air") && r.Temp < sensor.FahrenheitLimit(120),
					name == "walkin-core" && r.Temp > cold, name == "walkin-air" && r.Temp > sensor.FahrenheitLimit(50):
					wrong = name + " " + r.Temp.String()
				}
			}
		}
		played[trouble != ""]++
		if (trouble == "") != (wrong == "") {
			t.Errorf("kitchen %d: its trouble is %q, and what shows %q", seed, trouble, wrong)
		}
	}
	if played[true] == 0 || played[false] == 0 {
		t.Errorf("only kitchens of one kind: %v", played)
	}
}
