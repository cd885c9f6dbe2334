package live

import (
	"log/slog"
	"strings"
	"time"

	"holdbell/sensor"
)

// A probe that flickers must not fill a disk over the years: it gets so many lines a minute, and after that
// the state it is found in when the minute is over.
const (
	linesAMinute = 6
	logWindow    = time.Minute
)

// reporter logs what changes, once.
type reporter struct {
	log    *slog.Logger
	states []logged
	loops  map[string]bool // buses last seen with several shorts to ground
	first  bool            // no sweep yet
}

// logged is what was last logged of a probe.
type logged struct {
	bus   string
	fault sensor.Fault
	words string
	since time.Time // of the window
	lines int       // in the window
}

func newReporter(probes []Named, log *slog.Logger) *reporter {
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	r := &reporter{log: log, states: make([]logged, len(probes)), loops: map[string]bool{}, first: true}
	for i, p := range probes {
		r.states[i].bus = busOf(p.Probe.String())
	}
	return r
}

// sweep logs each probe whose fault, or whose error's words apart from their numbers, is not what was
// logged last.
func (r *reporter) sweep(probes []probe, readings []sensor.Reading) {
	for i := range probes {
		s, p, fault := &r.states[i], &probes[i], readings[i].Fault
		if fault == s.fault && (p.err == nil || sameWords(p.err.Error(), s.words)) {
			continue
		}
		if r.first && fault == sensor.Stale {
			continue // a chip that was just set up has nothing to say yet
		}
		now := time.Now()
		if now.Sub(s.since) >= logWindow {
			s.since, s.lines = now, 0
		}
		if s.lines++; s.lines > linesAMinute {
			continue
		}
		s.fault, s.words = fault, ""
		if p.err == nil {
			r.log.Info("probe answers again", "probe", p.Name)
			continue
		}
		s.words = p.err.Error()
		r.log.Warn("probe fault", "probe", p.Name, "fault", fault.String(), "error", s.words)
	}
	r.groundLoops(readings)
	r.first = false
}

// groundLoops warns when probes on one bus are shorted to ground together: two grounded tips on one piece
// of metal, or a sheath that touches the cabinet (common practice).
func (r *reporter) groundLoops(readings []sensor.Reading) {
	for i, reading := range readings {
		bus := r.states[i].bus
		if reading.Fault != sensor.ShortGND {
			continue
		}
		others := 0
		for j := range readings {
			if j != i && readings[j].Fault == sensor.ShortGND && r.states[j].bus == bus {
				others++
			}
		}
		if others > 0 && !r.loops[bus] {
			r.loops[bus] = true
			r.log.Warn("possible ground loop: probes on one bus are shorted to ground together; use probes with insulated junctions",
				"bus", bus, "probes", others+1)
		}
	}
	for bus := range r.loops {
		alone := true
		for i, reading := range readings {
			alone = alone && !(reading.Fault == sensor.ShortGND && r.states[i].bus == bus)
		}
		if alone {
			delete(r.loops, bus)
		}
	}
}

// busOf gives "SPI0" of "MAX31855 on SPI0.1", "I2C1" of "MCP9600 on I2C1 0x60".
func busOf(probe string) string {
	_, place, found := strings.Cut(probe, " on ")
	if !found {
		return probe
	}
	if i := strings.IndexAny(place, ". "); i >= 0 {
		place = place[:i]
	}
	return place
}

// sameWords compares two messages leaving out their numbers, decimal and hexadecimal, which may change from
// one sweep to the next while nothing else does.
func sameWords(a, b string) bool {
	for {
		a, b = strings.TrimLeft(a, digits), strings.TrimLeft(b, digits)
		if a == "" || b == "" || a[0] != b[0] {
			return a == b
		}
		a, b = a[1:], b[1:]
	}
}

const digits = "0123456789abcdefABCDEF.-"
