package rules

import (
	"slices"
	"time"

	"holdbell/sensor"
)

// bandGrace is how long a station that food was loaded into may take to reach its band (design figure,
// common practice).
const bandGrace = time.Hour

// watchStation arms a station, begins its standing lot, and judges its band.
func (e *Engine) watchStation(i int) {
	st, s := &e.mem.Stations[i], &e.set.Stations[i]
	if !st.OutOfService {
		switch s.Purpose {
		case HotHolding:
			e.arm(i, e.standingCode(i).HotLimit)
		case Cooking:
			if s.Band != nil {
				e.arm(i, s.Band.Low)
			}
		default:
			if s.Band != nil && !st.Armed {
				e.arm(i, sensor.MinTemp)
			}
		}
	}
	e.prove(i)
	e.watchBand(i)
}

// arm arms a station that has been at its limit for armDelay. A missing reading earns nothing: the wait
// starts anew.
func (e *Engine) arm(i int, limit sensor.Temp) {
	st, s := &e.mem.Stations[i], &e.set.Stations[i]
	if st.Armed {
		return
	}
	low, ok := e.lowest(e.standingProbes(i))
	if s.Purpose != HotHolding {
		low, ok = e.lowest([]int{s.Air})
	}
	switch {
	case !ok || low < limit || e.gap:
		st.AtLimit = never
		if ok && low < limit {
			st.MustDrop = false
		}
		return
	case st.MustDrop:
		return
	case st.AtLimit == never:
		st.AtLimit = e.mem.Now
	}
	if e.mem.Now-st.AtLimit < armDelay {
		return
	}
	e.armNow(i, e.mem.Now)
	if s.Purpose == HotHolding && !e.hasLots(i) {
		l := e.newLot(s.Name, i, e.mem.Now)
		l.Standing = true
		e.absorb(l)
		e.follow(l)
		e.emit(Event{Kind: LotBegun, Station: s.Name, Lot: s.Name,
			Text: s.Name + " has been at its limit for " + words(armDelay) + " and is watched from now on."})
	}
}

func (e *Engine) armNow(i int, at time.Duration) {
	st := &e.mem.Stations[i]
	if st.Armed {
		return
	}
	st.Armed, st.ArmedAt, st.ArmedT, st.MustDrop, st.BandSeen = true, e.instant(at), at, false, false
	st.Air.Armed = e.sumOf(i)
	e.emit(Event{Kind: StationArmed, Since: e.instant(at), Station: st.Name, Text: st.Name + " is armed."})
}

func (e *Engine) disarm(i int, mustDrop bool) {
	st := &e.mem.Stations[i]
	if st.Armed {
		e.emit(Event{Kind: StationDisarmed, Station: st.Name, Text: st.Name + " is disarmed: nothing in it is watched until it is loaded or has been at its limit again."})
	}
	st.Armed, st.AtLimit, st.MustDrop = false, never, mustDrop
}

// standingProbes are the probes that speak for a station's own lot: its food probes, else its air.
func (e *Engine) standingProbes(i int) []int {
	s := &e.set.Stations[i]
	if len(s.Food) > 0 {
		return s.Food
	}
	if s.Air >= 0 {
		return e.airOf(i)
	}
	return nil
}

// airOf is the station's air probe as a list, without allocating one.
func (e *Engine) airOf(i int) []int { return e.air[i : i+1] }

func (e *Engine) lowest(probes []int) (sensor.Temp, bool) {
	var low sensor.Temp
	for n, p := range probes {
		if p < 0 || !e.read[p].Valid() {
			return 0, false
		}
		if n == 0 || e.read[p].Temp < low {
			low = e.read[p].Temp
		}
	}
	return low, len(probes) > 0
}

func (e *Engine) hasLots(i int) bool {
	return slices.ContainsFunc(e.mem.Lots, func(l *lot) bool { return l.open() && l.Station == i })
}

// watchBand judges out-of-band. A station that was loaded cold has bandGrace to get there.
func (e *Engine) watchBand(i int) {
	st, s := &e.mem.Stations[i], &e.set.Stations[i]
	if s.Air < 0 || s.Band == nil && s.Purpose != HotHolding {
		return
	}
	f := finding{since: never, left: never, delay: never}
	r := e.read[s.Air]
	hysteresis := e.specs[i][aBand].hysteresis
	if s.Band != nil {
		hysteresis = min(hysteresis, (s.Band.High-s.Band.Low)/4) // a narrow band must be able to clear
	}
	switch {
	case !st.Armed:
	case !r.Valid():
		f.level = unknown
	default:
		f.temp, f.hasTemp = r.Temp, true
		f.worse = lower
		if s.Band == nil {
			// Without a band only a cabinet that was loaded and never came to its limit is told.
			st.BandSeen = st.BandSeen || r.Temp >= e.standingCode(i).HotLimit
			if !st.BandSeen && e.mem.Now-st.ArmedT >= bandGrace {
				f.level = bad
			}
			break
		}
		in := r.Temp >= s.Band.Low && r.Temp <= s.Band.High
		st.BandSeen = st.BandSeen || in
		switch {
		case in && r.Temp >= s.Band.Low+hysteresis && r.Temp <= s.Band.High-hysteresis:
		case in:
			f.level = near
		case !st.BandSeen && e.mem.Now-st.ArmedT < bandGrace:
			f.level = near
		default:
			f.level = bad
			edge := s.Band.Low
			if r.Temp > s.Band.High {
				edge, f.worse = s.Band.High, higher
			}
			f.since = e.crossing(s.Air, edge)
			if e.doorAnswers(i) {
				f.delay = doorBand
			}
		}
	}
	e.judge(&st.AlarmBand, subjectOf{aBand, i, nil, s.Air}, f)
}

// afterGap follows a gap between sweeps that was longer than the allowance: the watch was off. A
// standing lot ends, since nobody knows what became of it, and its alarm stands until somebody has heard;
// a marked lot counts the gap whole. So does a standing lot that is to be discarded or under time control:
// neither is lifted by cutting the power.
func (e *Engine) afterGap() {
	length := words(e.mem.Now - e.mem.Prev)
	if e.lost {
		length = "an unknown time"
	}
	e.emit(Event{Kind: Restarted, Since: e.instant(e.mem.Prev), Station: board,
		Text: "The watch was off for " + length + ". What happened meanwhile is not known."})
	for _, l := range e.mem.Lots {
		if !l.open() {
			continue
		}
		if e.lost {
			l.LostLength, l.LostAt = true, e.mem.Now
		}
		if !l.Standing || l.Latched != nil || l.Time != nil {
			continue
		}
		l.Ruling = ruling{Act, reasonPowerOff, never, e.set.Code.HotBasis}
		e.disarm(l.Station, false)
		e.end(l, e.mem.Prev)
		l.Members, l.Silent, l.Unheard = nil, nil, true
		for _, x := range l.alarms() {
			if x.a.Active && x.a.Status == Acknowledged {
				x.a.Status = Unacknowledged
			}
			x.a.Ring = e.mem.Now // at once: what was acknowledged is worse now
		}
		e.emit(Event{Kind: LotEnded, Station: e.stationName(l.Station), Lot: l.Name, Verdict: l.Ruling.Verdict,
			Priority: Critical, Basis: l.Ruling.Basis.String(), Text: e.lotText(l)})
	}
}
