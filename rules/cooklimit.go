package rules

import (
	"slices"
	"time"

	"holdbell/sensor"
)

// CookLimit is one way in which cooking is proven: every part of a food of these kinds at or above Temp for
// Hold. A Hold of zero asks only that it be reached. Limits of one food are alternatives; the first is the one
// that people are told.
type CookLimit struct {
	Foods []string // words of food=; "" is a lot whose food nobody named
	Temp  sensor.Temp
	Hold  time.Duration
	Basis Citation
}

// MaxCookLimits is the most cooking limits that a code may have.
const MaxCookLimits = 12

// Oven is how a cooking station heats, in the food code's words for the ovens of whole roasts.
type Oven string

// The ovens. A pit or a smoker without measured humidity is a dry one.
const (
	DryOven        Oven = "dry"
	ConvectionOven Oven = "convection"
	HumidOven      Oven = "humid" // above 90 % relative humidity for an hour or more, or the roast in a sealed bag
)

// Ovens lists every oven.
func Ovens() []Oven { return []Oven{DryOven, ConvectionOven, HumidOven} }

// RoastRule lets a whole roast be cooked by the roast table, provided that the oven keeps its own limit for
// the roast's weight: the one without the other proves nothing.
type RoastRule struct {
	Foods     []string
	Basis     Citation // of the table of times
	Ovens     []OvenLimit
	OvenBasis Citation
}

// OvenLimit is one entry of the table of ovens: the oven's temperature for a roast of at least FromGrams.
type OvenLimit struct {
	Oven      Oven
	FromGrams int32
	Min, Max  *sensor.Temp // nil: no bound on that side
}

// holds reports whether an oven at t, good to within by, keeps the limit.
func (o *OvenLimit) holds(t, by sensor.Temp) bool {
	return (o.Min == nil || t-by >= *o.Min) && (o.Max == nil || t+by <= *o.Max)
}

// ovenLimit is the entry for an oven and a weight; a roast that nobody weighed (0) is taken as a light one,
// which asks for the hotter oven. nil when the rule has none.
func (r *RoastRule) ovenLimit(oven Oven, grams int32) *OvenLimit {
	var best *OvenLimit
	for i := range r.Ovens {
		o := &r.Ovens[i]
		if o.Oven == oven && o.FromGrams <= grams && (best == nil || o.FromGrams > best.FromGrams) {
			best = o
		}
	}
	return best
}

// cookLimit is the limit that people are told for a food, nil when the code names none.
func (c *Code) cookLimit(food string) *CookLimit {
	for i := range c.Cooking {
		if slices.Contains(c.Cooking[i].Foods, food) {
			return &c.Cooking[i]
		}
	}
	return nil
}

// momentLimit is the lowest temperature that proves cooking by being reached, so that a hand thermometer can
// show it: one that lies at or above all that this food is asked, whichever food it is written for. nil when
// the code has none.
func (c *Code) momentLimit(food string) *CookLimit {
	asked := sensor.MinTemp
	for i := range c.Cooking {
		if slices.Contains(c.Cooking[i].Foods, food) {
			asked = max(asked, c.Cooking[i].Temp)
		}
	}
	var best *CookLimit
	for i := range c.Cooking {
		k := &c.Cooking[i]
		if k.Hold == 0 && asked > sensor.MinTemp && k.Temp >= asked && (best == nil || k.Temp < best.Temp) {
			best = k
		}
	}
	return best
}
