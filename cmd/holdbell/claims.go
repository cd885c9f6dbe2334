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
		what := "its "
		switch {
		case p.RTD != "":
			what += fmt.Sprintf("%s with %d wires on a ", p.RTD, p.Wires)
		case p.FrontEnd != "":
			what += fmt.Sprintf("type K thermocouple by an %s on a ", p.FrontEnd)
		case p.Thermistor != nil:
			what += "thermistor on a "
		case p.Type != "":
			what += fmt.Sprintf("type %s thermocouple on a ", p.Type)
		}
		what += p.Chip
		if p.Class != "" {
			what += ", class " + string(p.Class) + ","
		}
		fmt.Fprintf(out, "%s: %s ", p.Name, what)
		if claim := p.Claim(); claim != 0 {
			fmt.Fprintf(out, "can claim %s at best from ice to boiling water, uncalibrated", halfWidth(claim, cfg.Units))
		} else if p.Thermistor != nil {
			fmt.Fprint(out, "is not claimed: it takes r25, beta, r25_tolerance, beta_tolerance, series_tolerance and an excitation_channel")
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
