// Package foodcode holds the published limits by jurisdiction, each with its document, its section and how
// sure the figure is. The limits are the law's or a guide's; a verdict from them is advice, and the local
// code and health department decide.
package foodcode

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// The names that Lookup knows.
const (
	USFDA2022 = "us-fda-2022"
	USFDA2017 = "us-fda-2017"
	USFDA2013 = "us-fda-2013"
	USNYC     = "us-nyc"
	UK        = "uk"
	EU        = "eu"
	AUNZ      = "au-nz"
	Codex     = "codex"
	Custom    = "custom"
)

// Names lists every profile, in the order in which people are shown them.
func Names() []string {
	return []string{USFDA2022, USFDA2017, USFDA2013, USNYC, UK, EU, AUNZ, Codex, Custom}
}

// Lookup gives the profile of that name. EU and Custom are frames: the regulation behind the one names no
// figures and the other is the kitchen's own, so that the caller fills them; Complete says what is left.
func Lookup(name string) (rules.Code, error) {
	switch name {
	case USFDA2022:
		return usFDA2022(), nil
	case USFDA2017:
		return usFDA2017(), nil
	case USFDA2013:
		return usFDA2013(), nil
	case USNYC:
		return usNYC(), nil
	case UK:
		return uk(), nil
	case EU:
		return frame(EU, "Regulation (EC) No 852/2004, with this kitchen's own figures"), nil
	case AUNZ:
		return auNZ(), nil
	case Codex:
		return codex(), nil
	case Custom:
		return frame(Custom, "this kitchen's own figures"), nil
	}
	return rules.Code{}, fmt.Errorf("no food code is called %q; there are %s", name, strings.Join(Names(), ", "))
}

// IsFrame reports whether the profile of that name takes its figures from the configuration.
func IsFrame(name string) bool { return name == EU || name == Custom }

// Complete says what a profile still lacks, in the configuration's words, or that its limits contradict
// one another. A limit without a document counts as missing. Time control and cooking may be missing: then
// there is none, and no cooking temperature is asked.
func Complete(c rules.Code) error {
	var lacks []string
	need := func(has bool, key string) {
		if !has {
			lacks = append(lacks, key)
		}
	}
	need(c.HotBasis.Document != "", "hot_limit")
	need(c.ColdBasis.Document != "", "cold_limit")
	need(c.DangerLimit > 0 && c.DangerBasis.Document != "", "danger_limit")
	need(c.ColdDangerLimit > 0 && c.DangerBasis.Document != "", "cold_danger_limit")
	need(c.Return != "" && c.ReturnBasis.Document != "", "return")
	need(c.Reheat.Basis.Document != "", "reheat")
	need(len(c.Cooling) > 0, "cooling")
	need(c.ComeUpLimit > 0 && c.ComeUpBasis.Document != "", "come_up")
	if len(lacks) > 0 {
		return fmt.Errorf("food code %s lacks %s", c.Name, strings.Join(lacks, ", "))
	}
	switch {
	case c.HotLimit <= c.ColdLimit:
		return fmt.Errorf("food code %s: the hot limit %v must lie above the cold limit %v", c.Name, c.HotLimit, c.ColdLimit)
	case c.Reheat.Target < c.HotLimit:
		return fmt.Errorf("food code %s: the reheating target %v must not lie below the hot limit %v", c.Name, c.Reheat.Target, c.HotLimit)
	case len(c.Cooking) > rules.MaxCookLimits:
		return fmt.Errorf("food code %s has more than %d cooking limits", c.Name, rules.MaxCookLimits)
	case c.Cooling[0].From > c.HotLimit:
		return fmt.Errorf("food code %s: cooling cannot start at %v, above the hot limit %v", c.Name, c.Cooling[0].From, c.HotLimit)
	case c.ComeUpLow >= c.ComeUpHigh:
		return errors.New("food code " + c.Name + ": come-up must lead from a lower temperature to a higher one")
	}
	return nil
}

// frame is a profile without figures. What it does set is the strictest that the rules know: a return is
// proven by reheating alone.
func frame(name, title string) rules.Code {
	c := rules.Code{Name: name, Title: title, Return: rules.ReturnNeedsProof,
		ReturnBasis: practice("food back above the limit is proven by reheating")}
	comeUp(&c)
	return c
}

// comeUp is the one figure that every profile shares: no retail code has its own.
func comeUp(c *rules.Code) {
	// FSIS-GD-2021-14 (December 2021), "Come-up time": the product between 50 and 130 °F for at most 6 h,
	// against the toxin of Staphylococcus aureus.
	c.ComeUpLow, c.ComeUpHigh = sensor.FahrenheitLimit(50), sensor.FahrenheitLimit(130)
	c.ComeUpLimit = 6 * time.Hour
	c.ComeUpBasis = rules.Citation{Document: "FSIS-GD-2021-14", Section: "Come-up time", Confidence: rules.Confirmed}
}

func practice(what string) rules.Citation {
	return rules.Citation{Document: "common practice: " + what, Confidence: rules.Practice}
}

func celsius(c float64) sensor.Temp {
	t, _ := sensor.FromCelsius(c) // constants of this package, all within range
	return t
}

func ptr(t sensor.Temp) *sensor.Temp { return &t }
