package rules

import (
	"fmt"

	"holdbell/sensor"
)

// What a piece may weigh, and a person's own target of a cook may be; common practice.
const (
	maxGrams              = 500_000
	minTarget sensor.Temp = 30_000
	maxTarget sensor.Temp = 120_000
)

// weight takes lb= or kg=, once, to the gram.
func (p *markParser) weight(key, value string) *MarkError {
	v, err := parseDecimal(key, value)
	if err != nil {
		return err
	}
	if p.m.Grams != 0 {
		return &MarkError{"note", "the note says the weight in pounds and in kilograms", "say it once"}
	}
	grams := v * 1000
	if key == "lb" {
		grams = v * 453.59237 // the international pound, by definition
	}
	if !(grams >= 1 && grams <= maxGrams) {
		return &MarkError{"note", fmt.Sprintf("%s=%s is no weight of a piece", key, clip(value)), "write its weight, such as lb=12.5 or kg=5.7"}
	}
	p.m.Grams = int32(grams + 0.5)
	return nil
}

// target takes a temperature with its unit: 203F or 95C.
func (p *markParser) target(value string) *MarkError {
	bad := &MarkError{"note", fmt.Sprintf("target=%s is no target of a cook", clip(value)),
		"write it with its unit, from 30C to 120C, such as target=203F or target=95C"}
	t, ok := withUnit("target", value)
	if !ok || t < minTarget || t > maxTarget {
		return bad
	}
	p.m.Target = &t
	return nil
}

// withUnit reads a temperature with its unit, such as 203F or 95C.
func withUnit(key, value string) (sensor.Temp, bool) {
	from := sensor.FromCelsius
	switch value[len(value)-1] {
	case 'F':
		from = sensor.FromFahrenheit
	case 'C':
	default:
		return 0, false
	}
	v, err := parseDecimal(key, value[:len(value)-1])
	if err != nil {
		return 0, false
	}
	return from(v)
}
