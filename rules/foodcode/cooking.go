package foodcode

import (
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// usCooking is 3-401.11(A) and 3-401.13 with the figures of 2017 and 2022 (2013 has 155 °F for 15 s and
// 165 °F for 15 s). A food that nobody named, and one of no other kind, is held to the strictest line, that
// of poultry and stuffed food.
func usCooking(at func(string) rules.Citation) []rules.CookLimit {
	f := sensor.FahrenheitLimit
	intact := []string{"beef", "pork", "fish"}
	broken := []string{"ground", "injected"} // comminuted, injected, mechanically tenderised
	return []rules.CookLimit{
		{Foods: intact, Temp: f(145), Hold: 15 * time.Second, Basis: at("3-401.11(A)(1)")},
		{Foods: broken, Temp: f(155), Hold: 17 * time.Second, Basis: at("3-401.11(A)(2)")},
		{Foods: broken, Temp: f(145), Hold: 3 * time.Minute, Basis: at("3-401.11(A)(2)")},
		{Foods: broken, Temp: f(150), Hold: time.Minute, Basis: at("3-401.11(A)(2)")},
		{Foods: broken, Temp: f(158), Basis: at("3-401.11(A)(2)")}, // under a second
		{Foods: []string{"poultry", "other", ""}, Temp: f(165), Basis: at("3-401.11(A)(3)")},
		{Foods: []string{"vegetable"}, Temp: f(135), Basis: at("3-401.13")},
	}
}

// tenPounds is where the oven table's second column begins, in grams, as a weight told in pounds rounds.
const tenPounds = 4536

// usRoast is 3-401.11(B) for whole meat roasts: the table of times stands in package microbe, that of ovens
// here. "250 °F or less" is a humid oven's upper bound, as it is written.
func usRoast(at func(string) rules.Citation) *rules.RoastRule {
	limit := func(deg int) *sensor.Temp { return ptr(sensor.FahrenheitLimit(deg)) }
	return &rules.RoastRule{Foods: []string{"beef", "pork"}, Basis: at("3-401.11(B)(2)"), OvenBasis: at("3-401.11(B)(1)"),
		Ovens: []rules.OvenLimit{
			{Oven: rules.DryOven, Min: limit(350)},
			{Oven: rules.DryOven, FromGrams: tenPounds, Min: limit(250)},
			{Oven: rules.ConvectionOven, Min: limit(325)},
			{Oven: rules.ConvectionOven, FromGrams: tenPounds, Min: limit(250)},
			{Oven: rules.HumidOven, Max: limit(250)},
		}}
}

// ukCooking is guidance for food of any kind, no law: two of its lines were read in pages that quote them, the
// others are from memory.
func ukCooking(guidance func(string) rules.Citation) []rules.CookLimit {
	memory := func(figure string) rules.Citation {
		b := guidance(figure)
		b.Confidence = rules.Memory
		return b
	}
	all := append(rules.Foods(), "")
	return []rules.CookLimit{
		{Foods: all, Temp: celsius(75), Hold: 30 * time.Second, Basis: guidance("75 °C for 30 s")},
		{Foods: all, Temp: celsius(70), Hold: 2 * time.Minute, Basis: guidance("70 °C for 2 min")},
		{Foods: all, Temp: celsius(80), Hold: 6 * time.Second, Basis: memory("80 °C for 6 s")},
		{Foods: all, Temp: celsius(65), Hold: 10 * time.Minute, Basis: memory("65 °C for 10 min")},
		{Foods: all, Temp: celsius(60), Hold: 45 * time.Minute, Basis: memory("60 °C for 45 min")},
	}
}
