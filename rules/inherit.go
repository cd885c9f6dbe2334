package rules

import "slices"

// A probe that spoke for food to be discarded, and goes on in a new lot without a word that the food is
// another, speaks for the same food: a new name launders nothing.

// spoke are the probes in a lot's food at its end; the air of a station is none.
func (e *Engine) spoke(l *lot) []int {
	if l.onAirOnly(e) {
		return nil
	}
	var in []int
	for i := range l.Members {
		if m := &l.Members[i]; m.Until == forever {
			in = append(in, m.Probe)
		}
	}
	return in
}

// takeOver finds the lot whose discard a newly loaded one has to go on with, by their probes, and hands it
// over with its clocks. Food that was thrown away by a mark, and a station's own watch that somebody closed
// and signed for, hand on nothing; nor does anything to a lot that is loaded fresh.
func (e *Engine) takeOver(l *lot, fresh bool) string {
	var from *lot
	for _, p := range e.spoke(l) {
		for _, x := range e.mem.Lots {
			in := x.Spoke
			if x.open() {
				in = e.spoke(x)
			}
			if x == l || x.Latched == nil || !slices.Contains(in, p) {
				continue
			}
			x.Spoke = slices.DeleteFunc(x.Spoke, func(q int) bool { return q == p })
			if x.Ruling.Reason != reasonThrownAway && !(x.Standing && x.EndedBy != "") {
				from = x
			}
		}
	}
	if from == nil || fresh || l.Latched != nil {
		return ""
	}
	l.Latched = clone(from.Latched)
	l.Begun, l.BegunAt = from.Begun, from.BegunAt
	l.Danger.Total, l.Below.Total, l.Unknown.Total, l.Excused = from.Danger.Total, from.Below.Total, from.Unknown.Total, from.Excused
	l.ComeUp.Total, l.ComeUpDanger.Total = from.ComeUp.Total, from.ComeUpDanger.Total
	return " Its probe was in " + from.Name + ", which is to be discarded, and nobody marked that thrown away: it goes on with that verdict." +
		" If it is another piece, undo this load, signed, and load it with fresh."
}
