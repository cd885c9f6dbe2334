package rules

import (
	"strings"
	"time"

	"holdbell/sensor"
)

// watchedBy says which probes speak for a lot, or that none can.
func (e *Engine) watchedBy(l *lot) string {
	if l.speaker() < 0 {
		return "but no probe can speak for it: give it one with probe=NAME"
	}
	return "watched by " + e.probeNamesOf(l)
}

// takeProbe settles who is left with the probe that a lot was just given by name. In one station it may
// stand for several pieces; it cannot be in two stations, and the last mark tells where it is.
func (e *Engine) takeProbe(l *lot) []*lot {
	var lost []*lot
	for _, x := range e.mem.Lots {
		if x != l && x.open() && l.Claim >= 0 && x.Claim == l.Claim && x.Station != l.Station {
			x.Claim = -1
			lost = append(lost, x)
		}
	}
	return lost
}

// without says what watches the lots that lost a probe.
func (e *Engine) without(lost []*lot) string {
	var b strings.Builder
	for _, x := range lost {
		b.WriteString(" " + x.Name + " has lost it and is now " + strings.TrimPrefix(e.watchedBy(x), "but ") + ".")
	}
	return b.String()
}

// stays reports the lot that keeps a shared probe when l is moved without a word about it; nil when
// the probe goes along.
func (e *Engine) stays(l *lot) *lot {
	for _, x := range e.mem.Lots {
		if x != l && x.open() && l.Claim >= 0 && x.Claim == l.Claim && x.Station == l.Station {
			return x
		}
	}
	return nil
}

// checkedToo takes the hand check that another mark carries, and what follows from it.
func (e *Engine) checkedToo(m *Mark, l *lot, at time.Duration) string {
	if m.Temp == nil {
		return ""
	}
	return " " + e.applyCheck(m, l, at)
}

// readNow is the lowest and the highest of what a lot's present probes read in this sweep.
func (e *Engine) readNow(l *lot) (low, high sensor.Temp, any bool) {
	for i := range l.Members {
		m := &l.Members[i]
		if m.Until != forever || m.Suspended || !e.read[m.Probe].Valid() {
			continue
		}
		t := e.read[m.Probe].Temp
		if !any {
			low, high = t, t
		}
		low, high, any = min(low, t), max(high, t), true
	}
	return low, high, any
}

// contradiction says that the probes of a lot do not fit what the mark says of it. The clocks go by the
// probes.
func (e *Engine) contradiction(l *lot) string {
	low, high, any := e.readNow(l)
	code, subject := e.code(l), "It reads "
	if l.onAirOnly(e) {
		subject = "The air there reads "
	}
	switch {
	case !any:
		return ""
	case l.Stage == HotHolding && low < code.HotLimit:
		return " " + subject + e.temp(low) + ", under " + e.temp(code.HotLimit) + ": its clock runs. Reheat it before you hold it, or check the probe."
	case l.Stage == ColdHolding && high > code.ColdLimit:
		return " " + subject + e.temp(high) + ", over " + e.temp(code.ColdLimit) + ": its clock runs. Cool it first, or check the probe."
	}
	return ""
}
