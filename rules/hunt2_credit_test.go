package rules_test

import (
	"testing"
	"time"

	"holdbell/rules"
)

// A probe that falls out of its food into the pit's air, or is held into boiling water, rises as no food
// does: that proves no cook, in the pit or after it, and no reheating of food that is held hot.
func TestAJumpOfTheProbeProvesNothing(t *testing.T) {
	b := pitted(t, warmer(t, "us-fda-2022"), "poultry")
	b.set1(1, f(120)).hold(10 * time.Minute)
	b.ramp(1, f(240), 30*time.Second).hold(10 * time.Minute)
	if l := b.cooked(rules.CookRunning); l.Cook.Proof != "" {
		t.Errorf("the pit's air has proven it: %s", l.Cook.Text)
	}
	// Back in the food, which goes on: then it is proven.
	b.ramp(1, f(125), 30*time.Second).hold(5 * time.Minute)
	b.ramp(1, f(166), 40*time.Minute).hold(time.Minute).cooked(rules.CookDone)

	b = pitted(t, warmer(t, "us-fda-2022"), "poultry")
	b.set1(1, f(150)).hold(10 * time.Minute).out()
	b.hold(10*time.Minute).want("piece", rules.Act)
	b.ramp(1, f(212), 10*time.Second).hold(20 * time.Second)
	b.ramp(1, f(150), 10*time.Second).hold(time.Minute)
	b.cooked(rules.CookUnproven)
	b.want("piece", rules.Act)

	b = loaded(t, "us-fda-2022")
	b.ramp(1, f(125), 10*time.Minute).hold(30*time.Minute).want("brisket", rules.Act)
	b.ramp(1, f(212), 10*time.Second).hold(20 * time.Second)
	b.ramp(1, f(140), 10*time.Second).hold(2*time.Minute).want("brisket", rules.Act)
}

// Another piece that comes to stand by the same probe says nothing of a probe that has come out.
func TestASecondPieceSilencesNoProbeFault(t *testing.T) {
	b := loaded(t, "us-fda-2022")
	b.hold(10 * time.Minute)
	b.ramp(1, f(200), 30*time.Second).hold(5 * time.Minute)
	b.wantTold("come out of its food")
	b.say(rules.MarkLoad, "ham", "warmer", nil).hold(10 * time.Minute)
	b.wantTold("come out of its food")
}

// Whoever marks where the probe is has looked: what it rose by on the way there is no fault any more.
func TestAProbeMarkedAnewIsNoFault(t *testing.T) {
	b := pitted(t, warmer(t, "us-fda-2022"), "poultry")
	b.set1(1, f(140)).hold(10 * time.Minute)
	b.ramp(1, f(158), 20*time.Second).hold(5 * time.Minute)
	b.wantTold("come out of its food")
	b.say(rules.MarkProbe, "piece", "", withProbe("core")).hold(20 * time.Minute)
	b.wantTold("come out of its food", "reads again")
}

// What a probe read in boiling water stands in no table either, once it is back in its food.
func TestALeapFillsNoTable(t *testing.T) {
	s := warmer(t, "us-fda-2022")
	s.CookingPlan = "the plan"
	b := pitted(t, s, "beef")
	b.ramp(1, f(133), 20*time.Minute)
	b.ramp(1, f(212), 10*time.Second).hold(time.Minute)
	b.ramp(1, f(133), 10*time.Second).hold(10 * time.Minute)
	if l := b.cooked(rules.CookRunning); l.Cook.Proof != "" || l.Lethality.Salmonella > 3 {
		t.Errorf("proven by %s: %s, lethality %+v", l.Cook.Proof, l.Cook.Text, l.Lethality)
	}
}
