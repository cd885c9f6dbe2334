package rules

import (
	"strings"
	"time"

	"holdbell/sensor"
)

// held is a temperature with the time that it asks for: "145 °F for 15 s".
func (e *Engine) held(t sensor.Temp, hold time.Duration) string {
	if hold == 0 {
		return e.temp(t)
	}
	return e.temp(t) + " for " + words(hold)
}

// cookRule is what proved a cook, with where it stands.
func (e *Engine) cookRule(c *cook) string {
	switch c.Proof {
	case ProvenByRoast:
		return "a whole roast at or above " + e.held(c.Temp, c.Hold) + ", in an oven that kept its limit (" + c.Basis.String() + ")"
	case ProvenByCheck:
		return "checked by hand at or above " + e.temp(c.Temp) + " and signed (" + c.Basis.String() + ")"
	}
	return "its lowest reading at or above " + e.held(c.Temp, c.Hold) + " (" + c.Basis.String() + ")"
}

// cookText says in whole sentences how a lot's cooking stands, and when it is expected to be done.
func (e *Engine) cookText(l *lot, s *CookState) string {
	if s.Stage == CookNotSeen {
		return "Its cook was not seen."
	}
	var b strings.Builder
	switch {
	case s.Stage == CookDone:
		b.WriteString("It is proven cooked: " + e.cookRule(l.Cook) + ".")
	case s.Rule == "":
		b.WriteString(e.code(l).Title + " names no cooking temperature; being at or above " + e.temp(e.code(l).HotLimit) + " is all that is looked at.")
	default:
		if s.Stage == CookUnproven {
			b.WriteString("It left the cook before it was proven. ")
		}
		b.WriteString("It is cooked when its lowest reading has been at or above " + s.Rule + " (" + s.Basis + ").")
		if l.Food == "" {
			b.WriteString(" Nobody said what food it is, so the strictest line counts; say it with food= when it is loaded.")
		}
		if e.onAir(l) {
			b.WriteString(" Only the air is measured, which proves nothing: put a probe in it" + e.orCheck(l) + ".")
		} else if s.Left > 0 {
			b.WriteString(" It has " + words(s.Left+time.Second-1) + " to go at this temperature.")
		}
		b.WriteString(e.roastText(l))
	}
	b.WriteString(e.finishText(l, &s.Finish))
	return b.String()
}

// onAir reports whether an open lot has the air alone to speak for it.
func (e *Engine) onAir(l *lot) bool { return l.open() && l.onAirOnly(e) }

// orCheck names the hand check that would prove the cook, where the code has an endpoint without a time.
func (e *Engine) orCheck(l *lot) string {
	if k := e.code(l).momentLimit(l.Food); k != nil {
		return ", or check the coldest piece by hand at or above " + e.temp(k.Temp) + " and sign it"
	}
	return ""
}

// roastText says why time alone does not make a roast: the rule has two halves. Empty unless the time was met
// and the oven was not.
func (e *Engine) roastText(l *lot) string {
	r, c := e.code(l).Roast, l.Cook
	if r == nil || c == nil || !c.RoastTime || c.Proof != "" {
		return ""
	}
	text := " The time of the roast table was met, but not its oven (" + r.OvenBasis.String() + "): "
	limit := r.ovenLimit(c.Oven, l.Grams)
	switch {
	case limit == nil:
		return text + "the configuration does not say what oven it cooked in."
	case limit.Min == nil:
		return text + "a " + string(c.Oven) + " one stays at or below " + e.temp(*limit.Max) + "."
	}
	weight := "of this weight"
	if l.Grams == 0 {
		weight = "that nobody weighed"
	}
	return text + "a " + string(c.Oven) + " one holds at least " + e.temp(*limit.Min) + " for a roast " + weight + "."
}

// finishText is the estimate in a sentence; empty for what does not cook or has no target.
func (e *Engine) finishText(l *lot, f *FinishState) string {
	if l.Stage != Cooking || f.Target == nil || !l.open() {
		return ""
	}
	target := e.temp(*f.Target)
	switch f.Stage {
	case FinishReached:
		return " It is at its target of " + target + "."
	case FinishStall:
		return " It stalls: no estimate for " + target + " until it rises again."
	case FinishExpected:
		text := " It is expected at " + target + " in about " + words(f.In) + ", between " + words(f.Soonest) + " and " + words(f.Latest)
		if f.StallAhead {
			text += "; hours later if it stalls on the way"
		}
		return text + "."
	}
	return " When it will be at " + target + " is not known."
}

// cookOn is what to do about a lot that owes its endpoint.
func (e *Engine) cookOn(l *lot) string {
	k := e.code(l).cookLimit(l.Food)
	if k == nil {
		reheat := e.code(l).Reheat
		return "Cook it on, or reheat it to " + e.held(reheat.Target, reheat.Hold) + " before serving, or discard it."
	}
	text := "Put it back and cook it to " + e.held(k.Temp, k.Hold) + " before serving"
	if e.onAir(l) {
		text += ", with a probe in it" + e.orCheck(l)
	}
	return text + ", or discard it."
}

// cookWhy is the finding behind reasonCookLeft.
func (e *Engine) cookWhy(l *lot) string {
	k := e.code(l).cookLimit(l.Food)
	if k == nil {
		return "left the cook before it reached " + e.temp(e.code(l).HotLimit)
	}
	return "left the cook before it was proven at " + e.held(k.Temp, k.Hold)
}

// cookAlso is what a sentence about something else must not leave out: that the cook was not seen, or is not
// proven.
func (e *Engine) cookAlso(l *lot) string {
	switch {
	case l.Ruling.Reason == reasonCookLeft:
		return e.roastText(l)
	case l.Ruling.Verdict == Discard:
		return ""
	case e.cookOwed(l):
		return " It also " + e.cookWhy(l) + ". " + e.cookOn(l)
	case !l.CookSeen && !l.Standing && l.Heat == nil && l.hot(l.Stage):
		return " Its cook was not seen."
	}
	return ""
}
