package main

import (
	"fmt"
	"io"

	"holdbell/configs"
	"holdbell/rules"
	"holdbell/sensor"
)

// tellClaims says of every probe with a chip how good it can be at best, as the makers of its thermometer and its
// chip promise it, and how good somebody found it to be.
func tellClaims(out io.Writer, cfg *configs.Config) {
	for i := range cfg.Probes {
		p := &cfg.Probes[i]
		if p.Chip == "" {
			continue
		}
		what := fmt.Sprintf("a type %s thermocouple", p.Type)
		if p.RTD != "" {
			what = fmt.Sprintf("a %s with %d wires", p.RTD, p.Wires)
		}
		if p.Class != "" {
			what += " of class " + string(p.Class)
		}
		fmt.Fprintf(out, "%s: %s on a %s ", p.Name, what, p.Chip)
		if claim := p.Claim(); claim != 0 {
			fmt.Fprintf(out, "can claim %s at best from ice to boiling water, uncalibrated", halfWidth(claim, cfg.Units))
		} else {
			fmt.Fprint(out, "can claim no accuracy from ice to boiling water, uncalibrated")
		}
		if p.Accuracy != 0 {
			fmt.Fprintf(out, "; found to be good to %s", halfWidth(p.Accuracy, cfg.Units))
		}
		fmt.Fprintln(out)
	}
}

// halfWidth writes a tolerance in the unit of the kitchen's people.
func halfWidth(t sensor.Temp, u rules.Units) string {
	if u == rules.Fahrenheit {
		return fmt.Sprintf("±%.1f °F", t.Celsius()*9/5)
	}
	return fmt.Sprintf("±%.1f °C", t.Celsius())
}
