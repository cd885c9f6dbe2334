package foodcode

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// plan is a published cooling rule that a kitchen may be held to instead of its code's own.
type plan struct {
	name  string
	title string
	needs string // what it asks of a kitchen, a whole sentence
	legs  []rules.CoolingLeg
	begin time.Duration // chilling begins within that of the food being hot; 0 is no such limit
}

// atRetail is what a plan made for inspected establishments asks of a restaurant (FDA Food Code 3-501.14
// knows no other cooling than its own; 3-502.11 and 8-201.14 are the way to one).
const atRetail = "at retail it asks for a variance and a HACCP plan"

// plans are the options of the FSIS stabilization guideline (Appendix B of 1999 and 2017, since December
// 2022 FSIS-GD-2021-13 alone; the document of 2021 could not be opened, so that what it changed is from
// memory) and the maxima of the Australian standard for meat. All temperatures are the warmest point's.
func plans() []plan {
	const fsis = "FSIS-GD-2021-13"
	f := sensor.FahrenheitLimit
	at := func(option string, c rules.Confidence) rules.Citation {
		return rules.Citation{Document: fsis, Section: option, Confidence: c}
	}
	as := func(name, food string, legs [3]float64) plan {
		at := rules.Citation{Document: "AS 4696", Section: "cooling maxima, " + food, Confidence: rules.Confirmed}
		hours := func(h float64) time.Duration { return time.Duration(h * float64(time.Hour)) }
		return plan{name, "AS 4696, " + food, "This cooling rule is for " + food + " meat in a plant with an approved arrangement; " + atRetail + ".", []rules.CoolingLeg{
			{To: celsius(50), Within: hours(legs[0]), Basis: at}, // from the end of cooking
			{From: celsius(50), To: celsius(12), Within: hours(legs[1]), Basis: at},
			{From: celsius(12), To: celsius(5), Within: hours(legs[2]), Basis: at},
		}, 0}
	}
	return []plan{
		{"fsis-1", fsis + " option 1", "This cooling rule is made for inspected plants; " + atRetail + ".", []rules.CoolingLeg{
			{From: f(130), To: f(80), Within: 90 * time.Minute, Basis: at("option 1", rules.Confirmed)},
			{From: f(80), To: f(40), Within: 5 * time.Hour, Basis: at("option 1", rules.Confirmed)},
		}, 0},
		{"fsis-2", fsis + " option 2", "This cooling rule is for fully cooked food in inspected plants; " + atRetail + ".", []rules.CoolingLeg{
			// The text of 1999 only doubts more than an hour here; that 2021 makes it a limit is from memory.
			{From: f(120), To: f(80), Within: time.Hour, Total: true, Basis: at("option 2, the hour to 80 °F", rules.Memory)},
			{From: f(120), To: f(55), Within: 6 * time.Hour, Total: true, Basis: at("option 2", rules.Confirmed)},
			// "Without pause to 40 °F" has no hours: four are the most that food spends outside a limit.
			{From: f(55), To: f(40), Within: 4 * time.Hour, Basis: practice("4 h more to 40 °F, where " + fsis + " option 2 says without pause")},
		}, 90 * time.Minute},
		{"fsis-3", fsis + " option 3", "This cooling rule is for food cured with at least 100 ppm nitrite (and, from memory, 250 ppm ascorbate or erythorbate); " + atRetail + ".", []rules.CoolingLeg{
			{From: f(130), To: f(80), Within: 5 * time.Hour, Basis: at("option 3", rules.Confirmed)},
			{From: f(80), To: f(45), Within: 10 * time.Hour, Basis: at("option 3", rules.Confirmed)},
		}, 0},
		{"fsis-4", fsis + " option 4", "This cooling rule, whose figures are from memory, is for food cured with at least 40 ppm nitrite and 6 % brine; " + atRetail + ".", []rules.CoolingLeg{
			{From: f(120), To: f(40), Within: 20 * time.Hour, Basis: at("option 4", rules.Memory)},
		}, 0},
		as("as-4696-uncured", "uncured", [3]float64{2.5, 6, 1.6}),
		as("as-4696-cured", "cured", [3]float64{3.25, 7.5, 1.75}),
	}
}

// CoolingPlans lists the cooling plans that WithCooling knows.
func CoolingPlans() []string {
	var names []string
	for _, p := range plans() {
		names = append(names, p.name)
	}
	return names
}

// WithCooling gives the code with the legs of a cooling plan instead of its own. A leg without a start of
// its own begins at the hot limit.
func WithCooling(c rules.Code, name string) (rules.Code, error) {
	all := plans()
	i := slices.IndexFunc(all, func(p plan) bool { return p.name == name })
	if i < 0 {
		return rules.Code{}, fmt.Errorf("no cooling plan is called %q; there are %s", name, strings.Join(CoolingPlans(), ", "))
	}
	p := all[i]
	c.Cooling, c.CoolingPlan, c.CoolingNeeds, c.CoolingBegin = p.legs, p.name, p.needs, p.begin
	if c.Cooling[0].From == 0 {
		c.Cooling[0].From = c.HotLimit
	}
	return c, nil
}
