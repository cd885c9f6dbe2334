package rules

import (
	"fmt"
	"time"
)

// since is when what a probe is doubted for began.
func (c *cross) since() time.Duration {
	if c.Apart {
		return c.From
	}
	return c.DriftFrom
}

// crossText says which probe differs from the others of its station, by how much and since when; that the pieces may
// differ; and, where there are only two, that nobody can tell which of them errs.
func (e *Engine) crossText(probe int) string {
	c, name := &e.mem.Probes[probe].Cross, e.probeName(probe)
	long := words(max(0, e.mem.Now-c.since()))
	switch {
	case c.Apart && c.Beside == "":
		return fmt.Sprintf("Probe %s at %s reads %s and the middle of the others there %s. That is %s apart, more than they can err, and began %s ago. "+
			"It errs, or its piece differs. Check it by hand, and in ice water.",
			name, c.Station, e.temp(c.Mean), e.temp(c.Mean-c.By), e.set.Units.Difference(magnitude(c.By)), long)
	case c.Apart:
		return fmt.Sprintf("Probes %s and %s at %s read %s and %s. That is %s apart, more than both can err, and began %s ago. "+
			"Which of them errs cannot be told, or the pieces differ.%s Check both by hand, and in ice water.",
			name, c.Beside, c.Station, e.temp(c.Mean), e.temp(c.Mean-c.By), e.set.Units.Difference(magnitude(c.By)), long, e.airHint(c, name))
	case c.Drift:
		way := "higher"
		if c.moved() < 0 {
			way = "lower"
		}
		by := e.set.Units.Difference(magnitude(c.moved()))
		if c.Beside == "" {
			return fmt.Sprintf("Probe %s at %s reads %s %s against the others there than it did over its first %d quiet hours: it drifts, "+
				"or its piece differs. Check it in ice water.", name, c.Station, by, way, driftHours)
		}
		return fmt.Sprintf("Probe %s at %s reads %s %s against %s than it did over their first %d quiet hours. Which of them drifts cannot be told, "+
			"or the pieces differ. Check both in ice water.", name, c.Station, by, way, c.Beside, driftHours)
	}
	return "Probe " + name + " did not agree, or its neighbours did not."
}

// airHint says which of two probes is further from the air between them: food that rests comes to the air.
func (e *Engine) airHint(c *cross, name string) string {
	other := magnitude(c.Mean - c.By - c.Air)
	far := name
	switch d := c.fromAir() - other; {
	case !c.HasAir || d == 0:
		return ""
	case d < 0:
		far = c.Beside
	}
	return fmt.Sprintf(" The air is at %s, and %s is further from it; that is only a hint.", e.temp(c.Air), far)
}
