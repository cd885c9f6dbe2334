package rules

import (
	"slices"
	"time"
)

// A probe that spoke for food to be discarded, or to be reheated or cooked on, and goes on in a new lot without
// a word that the food is another, speaks for the same food: a new name launders nothing.

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

// handOnFor is how long food that was closed short of its proof hands it on: the longest that any code here
// gives to food out of temperature. What is loaded later was cooked since, or is another piece.
const handOnFor = 4 * time.Hour

// takeOver finds the lot whose verdict a newly loaded one has to go on with, by their probes, and hands it over
// with its clocks: a discard for good, and for a while a proof that is owed where a close cut it short. Food that
// was thrown away by a mark, and a station's own watch that somebody closed and signed for, hand on nothing; nor
// does anything to a lot that is loaded fresh.
func (e *Engine) takeOver(l *lot, at time.Duration, fresh bool) string {
	var from *lot
	for _, p := range e.spoke(l) {
		for _, x := range e.mem.Lots {
			in := x.Spoke
			if x.open() {
				in = e.spoke(x)
			}
			if x == l || !slices.Contains(in, p) || x.Latched == nil && !e.closedShort(x, l, at) {
				continue
			}
			x.Spoke = slices.DeleteFunc(x.Spoke, func(q int) bool { return q == p })
			if x.Ruling.Reason != reasonThrownAway && !(x.Standing && x.EndedBy != "") && (from == nil || from.Latched == nil) {
				from = x
			}
		}
	}
	if from == nil || fresh || l.Latched != nil {
		return ""
	}
	l.Begun, l.BegunAt = from.Begun, from.BegunAt
	l.Danger.Total, l.Below.Total, l.Unknown.Total, l.Excused = from.Danger.Total, from.Below.Total, from.Unknown.Total, from.Excused
	l.ComeUp.Total, l.ComeUpDanger.Total = from.ComeUp.Total, from.ComeUpDanger.Total
	another := " If it is another piece, undo this load, signed, and load it with fresh."
	if from.Latched != nil {
		l.Latched = clone(from.Latched)
		return " Its probe was in " + from.Name + ", which is to be discarded, and nobody marked that thrown away: it goes on with that verdict." + another
	}
	l.Exc, l.Arrived, l.CookSeen, l.Cook = clone(from.Exc), from.Arrived, from.CookSeen, clone(from.Cook)
	if l.Exc != nil {
		// Nobody looked meanwhile, and it was below its limit when that began.
		l.Exc.InsideSince, l.Exc.Unknown = never, true
		apart := at - from.Ended
		l.Danger.Total, l.Below.Total, l.Unknown.Total = l.Danger.Total+apart, l.Below.Total+apart, l.Unknown.Total+apart
		l.Exc.Below += apart
	}
	return " Its probe was in " + from.Name + ", which was closed while it still owed its proof: it goes on with those clocks." + another
}

// closedShort reports whether a lot was closed, no longer than handOnFor ago, while it owed a reheating or its
// cook, so that the new lot l would be the same food without the debt. What begins in a cook owes its endpoint
// there anyway.
func (e *Engine) closedShort(x, l *lot, at time.Duration) bool {
	return !x.open() && x.Ended > at-handOnFor && l.Stage != Cooking &&
		(x.Exc != nil && e.owesProof(x) || e.cookOwed(x))
}
