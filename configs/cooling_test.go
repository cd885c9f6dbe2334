package configs

import (
	"strings"
	"testing"

	"holdbell/rules/foodcode"
)

// A cooling plan takes the place of the code's own legs, in a published code and in the kitchen's own, and
// the check says what it asks for.
func TestCoolingPlan(t *testing.T) {
	const rest = "\nprobes: [ { name: core, accuracy: 0.5C } ]\nstations: [ { name: chill, purpose: cooling, food: [core] } ]\n"
	own := "{ food_code: custom, hot_limit: 135F, cold_limit: 41F, danger_limit: 4h, cold_danger_limit: 4h, reheat: { target: 165F, hold: 15s }, cooling: fsis-1 }"
	for _, rules := range []string{"{ food_code: us-fda-2022, cooling: fsis-1 }", own} {
		c := mustParse(t, "rules: "+rules+rest)
		want, err := foodcode.WithCooling(c.Code, "fsis-1")
		if err != nil {
			t.Fatal(err)
		}
		if c.Code.CoolingPlan != "fsis-1" || len(c.Code.Cooling) != 2 || c.Code.Cooling[0] != want.Cooling[0] {
			t.Errorf("%s: %+v", rules, c.Code.Cooling)
		}
		if len(c.Warnings) != 1 || !strings.Contains(c.Warnings[0].What, "variance and a HACCP plan") {
			t.Errorf("%s: warnings %v", rules, c.Warnings)
		}
	}
}
