package foodcode

import (
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// usFDA2017 is the edition of 2017: as 2022, without the four hours for cut produce.
func usFDA2017() rules.Code { return usFDA(USFDA2017, "FDA Food Code 2017") }

// usFDA2013 is the edition of 2013, whose cooking limits still asked for 15 s at 155 and at 165 °F.
func usFDA2013() rules.Code {
	c := usFDA(USFDA2013, "FDA Food Code 2013")
	for i := range c.Cooking {
		if t := c.Cooking[i].Temp; t == sensor.FahrenheitLimit(155) || t == sensor.FahrenheitLimit(165) {
			c.Cooking[i].Hold = 15 * time.Second
		}
	}
	return c
}

// usNYC is Article 81 of the health code of New York City, whose hot limit is still 140 °F. The limits of
// holding and its table of time control were read; cooking, cooling and reheating are from memory.
func usNYC() rules.Code {
	const title = "NYC Health Code Article 81"
	read := rules.Citation{Document: title, Section: "81.10 Table 1", Confidence: rules.Confirmed}
	memory := rules.Citation{Document: title, Section: "81.09", Confidence: rules.Memory}
	f := sensor.FahrenheitLimit
	c := rules.Code{
		Name: USNYC, Title: title,
		HotLimit: f(140), HotBasis: read,
		ColdLimit: f(41), ColdBasis: read,
		DangerLimit: 4 * time.Hour, ColdDangerLimit: 4 * time.Hour,
		DangerBasis: practice("4 h outside the limits of " + title),
		Return:      rules.ReturnNeedsProof, ReturnBelow: 15 * time.Minute, ReturnFloor: f(130),
		ReturnBasis: practice("reheat to 165 °F for 15 s, or check by hand after at most 15 min at or above 130 °F"),
		Cooking: []rules.CookLimit{
			{Foods: []string{"beef", "fish", "vegetable"}, Temp: f(145), Hold: 15 * time.Second, Basis: memory},
			{Foods: []string{"pork"}, Temp: f(150), Hold: 15 * time.Second, Basis: memory},
			{Foods: []string{"ground", "injected"}, Temp: f(158), Hold: 15 * time.Second, Basis: memory},
			{Foods: []string{"poultry", "other", ""}, Temp: f(165), Hold: 15 * time.Second, Basis: memory},
		},
		Reheat: rules.Reheat{Target: f(165), Hold: 15 * time.Second, Within: 2 * time.Hour, Basis: memory},
		Cooling: []rules.CoolingLeg{
			{From: f(140), To: f(70), Within: 2 * time.Hour, Basis: memory},
			{From: f(70), To: f(41), Within: 4 * time.Hour, Basis: memory},
		},
		TimeControl: []rules.TimeControlRule{
			{Name: "4h", Limit: 4 * time.Hour, HotMin: ptr(f(140)), Basis: read},
			// The table asks for a check at 4 h, and to discard what is above 70 °F then: the watch looks all the time.
			{Name: "6h", Limit: 6 * time.Hour, ColdMax: ptr(f(41)), MaxFood: ptr(f(70)), Basis: read},
		},
	}
	comeUp(&c)
	return c
}
