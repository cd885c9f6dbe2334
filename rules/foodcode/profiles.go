package foodcode

import (
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// usFDA2022 is the FDA Food Code of 2022. Its sections were read in the adoptions of several states, not
// in the federal document. The code's figures are the Fahrenheit ones.
func usFDA2022() rules.Code {
	c := usFDA(USFDA2022, "FDA Food Code 2022")
	// 3-501.19(B)(2), new in 2022: ready-to-eat produce that becomes perishable when it is cut, and food of
	// sealed containers when they are opened. Read in Georgia's 511-6-1. Only a mark that names it may use it.
	c.TimeControl = append(c.TimeControl, rules.TimeControlRule{Name: "4h-cut", Asked: true, Limit: 4 * time.Hour,
		ColdMax: ptr(sensor.FahrenheitLimit(70)), MaxFood: ptr(sensor.FahrenheitLimit(70)),
		Basis: rules.Citation{Document: c.Title, Section: "3-501.19(B)(2)", Confidence: rules.Confirmed}})
	return c
}

// usFDA is what the editions of 2013 to 2022 have in common.
func usFDA(name, title string) rules.Code {
	at := func(section string) rules.Citation {
		return rules.Citation{Document: title, Section: section, Confidence: rules.Confirmed}
	}
	f := sensor.FahrenheitLimit
	c := rules.Code{
		Name: name, Title: title,
		HotLimit: f(135), HotBasis: at("3-501.16(A)(1)"),
		RoastHotLimit: ptr(f(130)), RoastHotBasis: at("3-501.16(A)(1), roasts"),
		ColdLimit: f(41), ColdBasis: at("3-501.16(A)(2)"),

		// Any time outside the limits is a violation of 3-501.16, which names no hours. Kitchens and
		// inspectors borrow the four hours of 3-501.19.
		DangerLimit: 4 * time.Hour, ColdDangerLimit: 4 * time.Hour,
		DangerBasis: practice("4 h outside the limits of " + title + " 3-501.16"),

		Return: rules.ReturnNeedsProof, ReturnBelow: 15 * time.Minute, ReturnFloor: f(130),
		ReturnBasis: practice("reheat to 165 °F for 15 s, or check by hand after at most 15 min at or above 130 °F"),

		Reheat: rules.Reheat{Target: f(165), Hold: 15 * time.Second, Within: 2 * time.Hour, Basis: at("3-403.11"),
			Packaged: ptr(f(135)), PackagedBasis: at("3-403.11(C)")},
		// Both legs count from 135 °F: the second is a total, so that a fast first leg buys time.
		Cooling: []rules.CoolingLeg{
			{From: f(135), To: f(70), Within: 2 * time.Hour, Total: true, Basis: at("3-501.14(A)")},
			{From: f(135), To: f(41), Within: 6 * time.Hour, Total: true, Basis: at("3-501.14(A)")},
		},
		CoolingAmbient: &rules.CoolingLeg{From: f(135), To: f(41), Within: 4 * time.Hour, Total: true, Basis: at("3-501.14(B)")},
		TimeControl: []rules.TimeControlRule{
			{Name: "4h", Limit: 4 * time.Hour, HotMin: ptr(f(135)), ColdMax: ptr(f(41)), Basis: at("3-501.19")},
			{Name: "6h", Limit: 6 * time.Hour, ColdMax: ptr(f(41)), MaxFood: ptr(f(70)), Basis: at("3-501.19")},
		},
	}
	c.Cooking, c.Roast = usCooking(at), usRoast(at)
	comeUp(&c)
	return c
}

// uk is Schedule 4 of the regulations of England, Wales and Northern Ireland, read in SI 2006/14,
// WSI 2006/31 and NISR 2006/3. That the English regulations of 2013 carry the same schedule is from memory.
func uk() rules.Code {
	at := func(section string) rules.Citation {
		return rules.Citation{Document: "UK Food Hygiene Regulations 2006", Section: section, Confidence: rules.Confirmed}
	}
	// The law asks for cooling as quickly as possible and names no reheating temperature: these two are
	// councils' guidance, read in pages that quote it.
	guidance := func(figure string) rules.Citation {
		return rules.Citation{Document: "UK councils' guidance: " + figure, Confidence: rules.SecondHand}
	}
	c := rules.Code{
		Name: UK, Title: "UK Food Hygiene Regulations, Schedule 4",
		HotLimit: celsius(63), HotBasis: at("Sch. 4 para 6"),
		ColdLimit: celsius(8), ColdBasis: at("Sch. 4 para 2"),
		DangerLimit: 2 * time.Hour, ColdDangerLimit: 4 * time.Hour, DangerBasis: at("Sch. 4 paras 5 and 7(2)"),
		DangerApart: true, // each exemption has its own time, and counts once
		Return:      rules.ReturnOnce, ReturnBasis: at("Sch. 4 para 7(2)"),
		Reheat:  rules.Reheat{Target: celsius(75), Hold: 30 * time.Second, Basis: guidance("75 °C for 30 s")},
		Cooling: []rules.CoolingLeg{{From: celsius(63), To: celsius(8), Within: 90 * time.Minute, Total: true, Basis: guidance("8 °C within 90 min")}},
		// "Less than" two and four hours for service or on display, once.
		TimeControl: []rules.TimeControlRule{
			{Name: "2h", Limit: 2 * time.Hour, HotMin: ptr(celsius(63)), Basis: at("Sch. 4 para 7(2)")},
			{Name: "4h", Limit: 4 * time.Hour, ColdMax: ptr(celsius(8)), Basis: at("Sch. 4 para 5")},
		},
	}
	c.Cooking = ukCooking(guidance)
	comeUp(&c)
	return c
}

// auNZ is Standard 3.2.2. Its 2 h / 4 h rule adds up all the time between the limits, so that the danger
// clock itself is the time control and a clock that starts anew would relax it: there is no other. The
// Standard was read; of its clause numbers only that of cooling was noted.
func auNZ() rules.Code {
	at := func(section string) rules.Citation {
		return rules.Citation{Document: "FSANZ Standard 3.2.2", Section: section, Confidence: rules.Confirmed}
	}
	c := rules.Code{
		Name: AUNZ, Title: "Australia New Zealand Food Standards Code, Standard 3.2.2",
		HotLimit: celsius(60), HotBasis: at(""),
		ColdLimit: celsius(5), ColdBasis: at(""),
		DangerLimit: 4 * time.Hour, ColdDangerLimit: 4 * time.Hour, ActFrom: 2 * time.Hour,
		DangerBasis: at(""),
		Return:      rules.ReturnFree, ReturnBasis: at(""),
		Reheat: rules.Reheat{Target: celsius(60), Basis: at("")},
		Cooling: []rules.CoolingLeg{
			{From: celsius(60), To: celsius(21), Within: 2 * time.Hour, Basis: at("7(3)")},
			{From: celsius(21), To: celsius(5), Within: 4 * time.Hour, Basis: at("7(3)")},
		},
	}
	comeUp(&c)
	return c
}

// codex is the Codex code of practice for mass catering. All its figures are from memory.
func codex() rules.Code {
	memory := rules.Citation{Document: "Codex CAC/RCP 39-1993", Confidence: rules.Memory}
	c := rules.Code{
		Name: Codex, Title: "Codex Alimentarius CAC/RCP 39-1993",
		HotLimit: celsius(60), HotBasis: memory,
		ColdLimit: celsius(4), ColdBasis: memory,
		DangerLimit: 4 * time.Hour, ColdDangerLimit: 4 * time.Hour,
		DangerBasis: practice("4 h outside the limits"),
		Return:      rules.ReturnNeedsProof, ReturnBelow: 15 * time.Minute, ReturnFloor: sensor.FahrenheitLimit(130),
		ReturnBasis: practice("reheat, or check by hand after at most 15 min at or above 130 °F"),
		Reheat:      rules.Reheat{Target: celsius(75), Within: time.Hour, Basis: memory},
		Cooling:     []rules.CoolingLeg{{From: celsius(60), To: celsius(10), Within: 2 * time.Hour, Total: true, Basis: memory}},
	}
	comeUp(&c)
	return c
}
