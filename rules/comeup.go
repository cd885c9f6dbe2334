package rules

import (
	"time"
)

const (
	// comeUpSlack keeps a forecast that hovers about the limit from ringing on and off.
	comeUpSlack = 15 * time.Minute
	// comeUpEve is how long before the limit the alarm speaks when no forecast knows (common practice).
	comeUpEve = time.Hour
)

// comeUpSpent is the come-up time between the code's bounds, an open gap taken at its worst.
func (e *Engine) comeUpSpent(l *lot) time.Duration {
	d := l.ComeUpDanger.Total
	if l.OpenSince != never && l.comingUp(l.Stage) {
		d += e.mem.Now - l.OpenSince - l.ComeUpDanger.covered(l.OpenSince, e.mem.Now)
	}
	return d
}

// watchComeUp judges come-up-late: the food has been, or as forecast will be, between the bounds for longer
// than the guideline allows. It advises and touches no verdict: no retail code has the limit.
func (e *Engine) watchComeUp(l *lot) {
	f := finding{since: never, left: never, delay: never}
	code := e.code(l)
	spent := e.comeUpSpent(l)
	switch {
	case code.ComeUpLimit <= 0 || !l.CookSeen: // nor any more, after an undo or with another code
	case spent >= code.ComeUpLimit:
		// A toxin outlives the cook, so that this stands until the lot ends.
		f.level, f.rank, f.priority = bad, 1, Warning
	case !l.comingUp(l.Stage):
	case !l.AnyValid:
		f.level = unknown
	case l.Low >= code.ComeUpHigh:
	default:
		f.level = e.comeUpLevel(l, code.ComeUpLimit-spent)
		f.left = code.ComeUpLimit - spent
	}
	e.judge(&l.AlarmComeUp, e.lotSubject(l, aComeUp), f)
}

// comeUpLevel compares the time that is left with the forecast, and without one with comeUpEve.
func (e *Engine) comeUpLevel(l *lot, left time.Duration) level {
	w := e.comeUpWay(l)
	switch {
	case w.stage == FinishExpected && w.In > left:
		return bad
	case w.stage == FinishExpected && w.In > left-comeUpSlack:
		return near
	case w.stage != FinishExpected && left <= comeUpEve:
		return bad
	}
	return fine
}

// comeUpWay is the forecast of the way to the upper bound. Below the lower one nothing counts yet, and a
// cold core in its dead time foretells nothing.
func (e *Engine) comeUpWay(l *lot) way {
	if !l.AllValid || l.onAirOnly(e) || l.Low < e.code(l).ComeUpLow {
		return way{stage: FinishUnknown}
	}
	return e.rise(l, e.code(l).ComeUpHigh)
}

// comeUpText is what the alarm says, and what the guideline is about: a toxin that no later heat destroys,
// where air or hands have been. The inside of an intact piece is not that place; its surface is.
func (e *Engine) comeUpText(l *lot) string {
	code := e.code(l)
	spent := e.comeUpSpent(l)
	zone := e.temp(code.ComeUpLow) + " and " + e.temp(code.ComeUpHigh)
	text := e.placed(l) + " has spent " + words(spent) + " between " + zone + " on its way up"
	switch w := e.comeUpWay(l); {
	case spent >= code.ComeUpLimit:
		text += ", more than the " + words(code.ComeUpLimit) + " of " + code.ComeUpBasis.String() + "."
	case w.stage == FinishExpected:
		text += " and needs about " + words(w.In) + " more; " + code.ComeUpBasis.String() + " allows " + words(code.ComeUpLimit) + ". Give it more heat."
	default:
		text += " of the " + words(code.ComeUpLimit) + " that " + code.ComeUpBasis.String() + " allows. Give it more heat."
	}
	switch l.Food {
	case "ground", "injected":
		return text + " Cooking kills the germ and not its toxin, and in this food it may be all through: ask who answers for food safety before serving it."
	}
	return text + " Cooking kills the germ and not its toxin. In an intact piece the surface is what counts, and it warms long before the core: check how soon it was at " +
		e.temp(code.ComeUpHigh) + ". This is advice from a guideline, not a limit of " + code.Title + "."
}

func (e *Engine) comeUpClear(l *lot) string {
	switch {
	case !l.open():
		return l.Name + " has ended."
	case l.AnyValid && l.Low >= e.code(l).ComeUpHigh:
		return l.Name + " came up to " + e.temp(e.code(l).ComeUpHigh) + " in time."
	}
	return l.Name + " is no longer late on its way up."
}
