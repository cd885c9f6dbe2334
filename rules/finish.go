package rules

import (
	"slices"

	"holdbell/rules/forecast"
	"holdbell/sensor"
)

// way is what the forecast says of a lot on its way up.
type way struct {
	forecast.Estimate
	stage FinishStage
}

// rise is when the slowest of a lot's probes will be at limit, which lies above its lowest reading. One
// probe that stalls, or of which nobody knows, speaks for the lot: the others are not the one that is waited
// for.
func (e *Engine) rise(l *lot, limit sensor.Temp) way {
	w := way{stage: FinishExpected}
	for i := range l.Members {
		m := &l.Members[i]
		if m.Until != forever {
			continue
		}
		r := e.mem.Probes[m.Probe].Cur
		model := e.mem.Probes[m.Probe].Ahead
		switch {
		case m.Suspended || !r.Valid() || model == nil:
			return way{stage: FinishUnknown}
		case r.Temp >= limit:
			continue
		case model.Plateau():
			w.stage = FinishStall
			continue
		}
		x, ok := model.Reach(limit)
		if !ok {
			return way{stage: FinishUnknown}
		}
		if x.In > w.In {
			w.Estimate = x
		}
	}
	if w.stage == FinishStall {
		return way{stage: FinishStall}
	}
	return w
}

// stand notes which air each probe is in now, that of the station where its lot is and not that of where it
// hangs when it is idle, and gives a model to what cooks. It holds nothing that a snapshot must carry.
func (e *Engine) stand() {
	for i := range e.airFor {
		e.airFor[i] = -1
	}
	for _, l := range e.mem.Lots {
		if !l.open() || l.Station < 0 {
			continue
		}
		air := e.set.Stations[l.Station].Air
		for i := range l.Members {
			m := &l.Members[i]
			if m.Until != forever || m.Probe == air {
				continue
			}
			if e.airFor[m.Probe] < 0 {
				e.airFor[m.Probe] = air
			}
			if l.Stage == Cooking && e.mem.Probes[m.Probe].Ahead == nil && !e.isAir(m.Probe) {
				e.mem.Probes[m.Probe].Ahead = &forecast.Model{}
			}
		}
	}
}

func (e *Engine) isAir(p int) bool { return slices.Contains(e.air, p) }
