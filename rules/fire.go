package rules

import (
	"fmt"
	"slices"
	"time"

	"holdbell/rules/forecast"
	"holdbell/sensor"
)

// How a dying fire is told, all of it common practice.
const (
	// fireBand is how far below the setpoint the air of a pit without a band may fall: 25 °F.
	fireBand = sensor.Temp(13_889)
	// swingLeast is the smallest rise and fall that is a swing of the fire and not its noise.
	swingLeast = sensor.Temp(3_000)
	// swingPast is for how long a swing is remembered.
	swingPast = 4 * time.Hour
	// swingKnown is how long a fire must have been watched before one without swings is believed to have none.
	swingKnown = 2 * time.Hour
	// swingBelow is how far below its lowest swing the air must be, beside a quarter of that swing.
	swingBelow = sensor.Temp(2_000)
	numSwings  = 3
	// swingPart and swingParts make four minutes: longer than a lid's dip that is too small to be told.
	swingPart  = 30 * time.Second
	swingParts = 8
	// fireUnsure is how long a fire whose swings are not known yet must have been falling, and then it is a
	// lamp only.
	fireUnsure = 10 * time.Minute
)

// swing remembers how a fire breathes: its last turns from falling to rising. It looks at the highest
// reading of the last four minutes, in which the dip of a lid that was open for a moment does not show.
type swing struct {
	Has     bool
	Began   time.Duration
	Part    time.Duration // the end of the present part
	Max     sensor.Temp   // of the present part
	Parts   [swingParts]sensor.Temp
	N       int
	High    sensor.Temp // of all parts
	Dir     int8        // 1 rising, -1 falling, 0 not known yet
	Low, Up sensor.Temp // since the last turn
	Peak    sensor.Temp // the last turn from rising to falling
	Floors  [numSwings]sensor.Temp
	Depths  [numSwings]sensor.Temp
	At      [numSwings]time.Duration
	Next    int
}

// add takes in one valid reading.
func (w *swing) add(now time.Duration, t sensor.Temp) {
	if !w.Has {
		*w = swing{Has: true, Began: now, Part: now + swingPart, Max: t, High: t, Low: t, Up: t}
		for n := range w.Parts {
			w.Parts[n] = t
		}
	}
	if now < w.Part {
		w.Max = max(w.Max, t)
		return
	}
	w.Parts[w.N], w.N = w.Max, (w.N+1)%swingParts
	w.Max, w.Part = t, now+swingPart
	high := slices.Max(w.Parts[:])
	w.High = high
	w.Low, w.Up = min(w.Low, high), max(w.Up, high)
	switch {
	case w.Dir >= 0 && high <= w.Up-swingLeast:
		w.Dir, w.Peak, w.Low = -1, w.Up, high
	case w.Dir <= 0 && high >= w.Low+swingLeast:
		if w.Dir < 0 {
			w.Floors[w.Next], w.Depths[w.Next], w.At[w.Next] = w.Low, w.Peak-w.Low, now
			w.Next = (w.Next + 1) % numSwings
		}
		w.Dir, w.Up = 1, high
	}
}

// ground is the temperature below which the fire has not been of its own accord; ok is false when it was
// not watched for long enough to say.
func (w *swing) ground(now time.Duration) (t sensor.Temp, ok bool) {
	for n := range w.Floors {
		if w.Depths[n] == 0 || now-w.At[n] > swingPast {
			continue
		}
		if g := w.Floors[n] - max(swingBelow, w.Depths[n]/4); !ok || g < t {
			t, ok = g, true
		}
	}
	return t, ok
}

// heated reports whether a station has a fire or an element whose end is to be told by its air.
func heated(p Purpose) bool { return p == Cooking || p == HotHolding || p == Reheating }

// heatModels makes a model of the heat of every station that has one.
func (e *Engine) heatModels() {
	for i := range e.set.Stations {
		if s := &e.set.Stations[i]; s.Air >= 0 && heated(s.Purpose) && e.mem.Stations[i].Fire == nil {
			e.mem.Stations[i].Fire = &forecast.Fire{}
		}
	}
}

// falling reports whether a station's heat is failing: its air falls steadily, and neither its door nor
// its own swings answer for that. sure is false while its swings are not known.
func (e *Engine) falling(i int) (yes, sure bool) {
	st, s := &e.mem.Stations[i], &e.set.Stations[i]
	if st.Fire == nil || !st.Fire.Falling() || st.Door.Is == doorIsOpen || !e.read[s.Air].Valid() {
		return false, false
	}
	t := e.read[s.Air].Temp
	if ground, ok := st.Swing.ground(e.mem.Now); ok {
		return st.Swing.High < ground, true
	}
	if low, target, ok := fireLimits(s); ok && st.Swing.Has && e.mem.Now-st.Swing.Began < swingKnown {
		return t < low+(target-low)/2, false
	}
	return true, true
}

// sinking reports whether a station's air has come down from its last peak further than it swings and is at
// its lowest, without a door having been open: slower than a dying fire, and surer, once it is out of its band.
func (e *Engine) sinking(i int) bool {
	st, s := &e.mem.Stations[i], &e.set.Stations[i]
	if st.Fire == nil || st.Door.Is != doorIsShut || st.Swing.Dir >= 0 || !e.read[s.Air].Valid() {
		return false
	}
	t := e.read[s.Air].Temp
	return t <= st.Swing.Low && t <= st.Swing.Peak-2*swingLeast
}

// fireLimits is the lower end of a station's band and where it ought to be.
func fireLimits(s *StationSetup) (low, target sensor.Temp, ok bool) {
	switch {
	case s.Band != nil && s.Setpoint != nil:
		return s.Band.Low, *s.Setpoint, true
	case s.Band != nil:
		return s.Band.Low, s.Band.Low + (s.Band.High-s.Band.Low)/2, true
	case s.Setpoint != nil:
		return *s.Setpoint - fireBand, *s.Setpoint, true
	}
	return 0, 0, false
}

// watchFire follows a station's heat and judges fire-falling: the fire of a cook is dying, and the air is
// still in its band. Once it has left that, out-of-band speaks.
func (e *Engine) watchFire(i int) {
	st, s := &e.mem.Stations[i], &e.set.Stations[i]
	if st.Fire == nil {
		return
	}
	r := e.read[s.Air]
	if r.Valid() {
		st.Fire.Add(e.mem.Now, r.Temp)
		if st.Armed && st.Door.Is == doorIsShut {
			st.Swing.add(e.mem.Now, r.Temp)
		}
	}
	if !st.Armed && st.Swing.Has {
		st.Swing = swing{}
	}
	low, _, ok := fireLimits(s)
	if s.Purpose != Cooking || !ok {
		return
	}
	f := finding{since: never, left: never, delay: never, worse: lower}
	st.FireLeft = never
	yes, sure := e.falling(i)
	switch {
	case !st.Armed:
	case !r.Valid():
		f.level = unknown
	case yes:
		f.level, f.temp, f.hasTemp = bad, r.Temp, true
		if in, ok := st.Fire.Reach(low); ok {
			st.FireLeft, f.left = in, in
		}
		if !sure {
			f.priority, f.delay = Advice, fireUnsure
		}
		if r.Temp < low && !st.AlarmFire.Active {
			f.level = fine // too late for a warning: it is out of its band
		}
	case st.Fire.Falling() || st.Door.Is != doorIsShut || r.Temp < low:
		f.level = near
	}
	f.mute = st.AlarmBand.Active
	e.judge(&st.AlarmFire, subjectOf{aFire, i, nil, s.Air}, f)
}

// fireText says how long there is to feed the fire.
func (e *Engine) fireText(i int) string {
	st, s := &e.mem.Stations[i], &e.set.Stations[i]
	low, _, _ := fireLimits(s)
	at := ""
	if r := e.read[s.Air]; r.Valid() {
		at = " at " + e.temp(r.Temp)
	}
	when := "has left its band, under " + e.temp(low)
	switch left := st.FireLeft; {
	case left > 0:
		when = "will be under " + e.temp(low) + " in about " + words(left)
	case left == never:
		when = "is on its way under " + e.temp(low)
	}
	return fmt.Sprintf("%s's fire is dying, it seems: its air%s has been falling steadily and %s. Feed the fire and look at its draft now.", s.Name, at, when)
}
