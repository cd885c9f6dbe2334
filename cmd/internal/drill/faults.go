package main

import (
	"slices"
	"strings"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// judgeFaults asks of each true fault whether the first alarm about its probe names it.
func (d *day) judgeFaults(s *score, told []rung, note func(string, ...any)) {
	for _, f := range d.faults {
		s.Faults++
		word := "nothing"
		for _, r := range told {
			if r.probe == f.probe && r.raised >= f.from && r.raised <= f.until+2*time.Minute {
				if w := wording(&r); w != "" {
					word = w
					break
				}
			}
		}
		s.said(f.kind, word, 1)
		if word != "nothing" {
			s.Noticed++
		}
		if slices.Contains(f.names(), word) {
			s.Named++
		} else {
			note("fault %s of %s from %v: told as %s", f.kind, f.probe, f.from, word)
		}
	}
}

// names are the words that name the fault rightly. A MAX31856 has one bit for both shorts (datasheet 19-7534, p. 26).
func (f *fault) names() []string {
	switch f.kind {
	case faultOpen:
		return []string{"open"}
	case faultGround:
		if f.chip == "max31856" {
			return []string{"over_under_voltage"}
		}
		return []string{"short_gnd"}
	case faultSupply:
		if f.chip == "max31856" {
			return []string{"over_under_voltage"}
		}
		return []string{"short_vcc"}
	case faultBus:
		return []string{"bus_fault"}
	}
	return []string{string(f.kind)}
}

// wording is what a person is told of a probe, by the alarm and its sentence; empty for an alarm about other things.
func wording(r *rung) string {
	switch r.alarm {
	case rules.ProbeStuck:
		return string(faultFrozen)
	case "probes-disagree":
		return string(faultDrift)
	case rules.ProbeFault:
		switch {
		case strings.Contains(r.text, "out of its food"):
			return string(faultOut)
		case strings.Contains(r.text, "jumps"), strings.Contains(r.text, "(spike)"):
			return string(faultNoisy)
		}
		for f := sensor.Open; f < sensor.Spike; f++ { // its stable word stands in brackets
			if strings.Contains(r.text, "("+f.String()+")") {
				return f.String()
			}
		}
		if r.text == plainText {
			return plainText
		}
		return "?"
	}
	return ""
}
