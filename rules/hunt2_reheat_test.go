package rules_test

import (
	"testing"
	"time"

	"holdbell/rules"
)

// Food that was reheated and stays where it was heated is held hot from then on: an oven that was switched
// off over it is no place to be forgotten in.
func TestReheatedFoodLeftInTheOvenIsHeldHot(t *testing.T) {
	b := chilled(t, "")
	b.ramp(1, f(168), 50*time.Minute).hold(time.Minute).want("stew", rules.OK)
	b.ramp(1, f(120), 30*time.Minute).hold(2 * time.Minute)
	if l := b.want("stew", rules.Act); l.BelowHotLimit == 0 {
		t.Errorf("at 120 °F nothing is below the hot limit: %s", l.Text)
	}
	if n := b.count(rules.AlarmRaised, rules.BelowHotLimit); n != 1 {
		t.Errorf("below-hot-limit was raised %d times\n%s", n, b.story())
	}
	b.ramp(1, f(168), 30*time.Minute).hold(2*time.Minute).want("stew", rules.OK)
}

// While it is being reheated, being cold is no fall.
func TestReheatingItselfIsNoFall(t *testing.T) {
	b := chilled(t, "")
	b.ramp(1, f(168), 50*time.Minute).hold(time.Minute)
	if l := b.want("stew", rules.OK); l.BelowHotLimit != 0 || b.count(rules.AlarmRaised, rules.BelowHotLimit) != 0 {
		t.Errorf("below the hot limit for %v\n%s", l.BelowHotLimit, b.story())
	}
}
