package rules

import "time"

// silence is a stretch without any probe: the piece was given none, or another piece took it.
type silence struct {
	Stage Purpose
	From  time.Duration
	Until time.Duration // forever while it lasts
}

// speechless is the lot's open silence; nil while some probe speaks for it.
func (l *lot) speechless() *silence {
	if n := len(l.Silent); n > 0 && l.Silent[n-1].Until == forever {
		return &l.Silent[n-1]
	}
	return nil
}

// hush follows whether any probe speaks for the lot from at on. Silence is a gap like any other: up to the
// allowance the next probe's first reading speaks for it, a longer one counts whole.
func (e *Engine) hush(l *lot, at time.Duration) {
	spoken := l.speaker() >= 0
	switch s := l.speechless(); {
	case s == nil && !spoken:
		l.Silent = append(l.Silent, silence{l.Stage, at, forever})
	case s != nil && spoken && at-s.From <= e.set.GapAllowance:
		for i := range l.Members {
			if m := &l.Members[i]; m.Until == forever && m.From >= at {
				m.From, m.Has = s.From, m.Has && m.LastT <= s.From
			}
		}
		l.Silent = l.Silent[:len(l.Silent)-1]
	case s != nil && spoken:
		s.Until = at
	case s != nil && s.Stage != l.Stage:
		s.Until = at
		l.Silent = append(l.Silent, silence{l.Stage, at, forever})
	}
}

// absorbSilence counts the stretches without a probe that are over.
func (e *Engine) absorbSilence(l *lot) {
	keep := l.Silent[:0]
	for _, s := range l.Silent {
		if s.Until == forever {
			l.OpenSince = s.From
			keep = append(keep, s)
			continue
		}
		e.countWhole(l, s.Stage, span{s.From, s.Until})
	}
	l.Silent = keep
}
