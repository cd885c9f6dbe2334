package rules

import (
	"slices"
	"time"
)

// reassign gives every open lot its probes: the one it claims, else its station's food probes that no
// lot anywhere claims, else its station's air. Memberships that stay are left alone.
func (e *Engine) reassign(at time.Duration) {
	for i := range e.set.Stations {
		free := e.unclaimed(i)
		for _, l := range e.mem.Lots {
			if l.open() && l.Station == i {
				want := free
				if l.Claim >= 0 {
					want = []int{l.Claim}
				}
				e.assign(l, want, at)
				e.guardLot(l)
			}
		}
	}
	e.stand()
}

// unclaimed is the probes that speak for a station's lots without a probe of their own.
func (e *Engine) unclaimed(station int) []int {
	s := &e.set.Stations[station]
	var free []int
	for _, p := range s.Food {
		claimed := slices.ContainsFunc(e.mem.Lots, func(l *lot) bool { return l.open() && l.Claim == p })
		if !claimed {
			free = append(free, p)
		}
	}
	if len(free) == 0 && s.Air >= 0 {
		free = []int{s.Air}
	}
	return free
}

// assign ends the memberships that a lot no longer wants and begins those that it lacks.
func (e *Engine) assign(l *lot, want []int, at time.Duration) {
	for i := range l.Members {
		m := &l.Members[i]
		switch {
		case m.Until != forever:
		case !slices.Contains(want, m.Probe):
			m.Until = at
		case m.Stage != l.Stage && m.Suspended:
			m.Stage = l.Stage // off watch it stays until it is put in again, wherever the food goes
		case m.Stage != l.Stage:
			m.Until = at
		}
	}
	for _, p := range want {
		present := slices.ContainsFunc(l.Members, func(m member) bool { return m.Probe == p && m.Until == forever })
		if !present {
			l.Members = append(l.Members, e.newMember(p, l, at))
			l.Trend, l.Proposed = trend{}, proposeNothing // of another place or another probe
		}
	}
	e.hush(l, at)
}

// newMember ties a probe to a lot from a moment on. A valid reading of not long before is the left end of
// the first stretch; a probe that goes on with the same lot takes its own, however old.
func (e *Engine) newMember(p int, l *lot, at time.Duration) member {
	q := &e.mem.Probes[p]
	m := member{Probe: p, Stage: l.Stage, From: at, Until: forever}
	last, lastT := q.Last, q.LastT
	if at < e.mem.Now {
		last, lastT = q.prior, q.priorT // the stretch up to this sweep's reading begins with the one before
	}
	if lastT != never && at-lastT <= e.set.GapAllowance {
		m.Has, m.LastT, m.Last = true, lastT, last
	}
	for i := range l.Members {
		if x := &l.Members[i]; x.Probe == p && x.Until == at && x.Has {
			m.Has, m.LastT, m.Last = true, x.LastT, x.Last
		}
	}
	return m
}
