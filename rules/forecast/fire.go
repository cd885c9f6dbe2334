package forecast

import (
	"time"

	"holdbell/sensor"
)

// Fire tells from the air of a pit or cabinet a fire that dies (a heater that fails) from a lid or a door. The zero
// value has seen nothing; its JSON form holds all of it.
type Fire struct {
	Seen   bool
	Began  int64
	Minute int64
	Last   time.Duration
	Air    track
	Dying  bool
	// Level, in °C, and Rate, in °C a minute, are the line through the last minutes while it is dying.
	Level, Rate float64 `json:",omitzero"`
}

const (
	// fireWindow is for how many minutes the air must have been falling.
	fireWindow = 10
	// fireAge is how many minutes it listens first: before that a slow swing of a controller and the settling after a
	// start look alike.
	fireAge = 40
	// fireDrop is how far it must have fallen in them, °C.
	fireDrop = 3
	// fireStep is the largest share of that fall which two minutes on end may have: an opened lid makes nearly all
	// of its fall at once, a first-order fall with a time constant of half an hour a quarter.
	fireStep = 0.45
	// fireSwing is the largest swing in m°C that a controller may be excused with.
	fireSwing = 10_000
)

// Add takes in one valid reading of the air, as Model.Add does.
func (f *Fire) Add(t time.Duration, air sensor.Temp) {
	minute := int64(t / time.Minute)
	if !f.Seen || t < f.Last || t-f.Last > maxGap {
		*f = Fire{Seen: true, Began: minute, Minute: minute}
	}
	if minute > f.Minute {
		for ; f.Minute < minute; f.Minute++ {
			f.Air.shut(f.Minute)
		}
		f.Level, f.Rate = 0, 0
		f.Dying = f.dying()
	}
	f.Last = t
	f.Air.add(air)
}

// Reach is how soon a falling air will be at limit if it goes on as it does; ok is false while it is not falling.
// A dying fire falls slower and slower, so that it will rather be later.
func (f *Fire) Reach(limit sensor.Temp) (in time.Duration, ok bool) {
	if !f.Dying || f.Rate >= 0 {
		return 0, false
	}
	minutes := (f.Level - limit.Celsius()) / -f.Rate
	// The line starts at the middle of the last full minute.
	from := time.Duration(f.Minute)*time.Minute - 30*time.Second
	if minutes > (24 * time.Hour).Minutes() {
		return 0, false
	}
	return max(0, from+time.Duration(minutes*float64(time.Minute))-f.Last), true
}

// Falling reports whether the air has been falling steadily for at least 10 minutes and further than it lately
// swung: neither a lid, whose fall is sudden and whose recovery soon begins, nor a thermostat at work. It is false for the first 40
// minutes.
func (f *Fire) Falling() bool { return f.Dying }

func (f *Fire) dying() bool {
	last, age := f.Minute-1, min(f.Minute-f.Began, size)
	if age < fireAge {
		return false
	}
	var air series
	air.last(&f.Air, last, fireWindow+1)
	whole, ok := air.fit(fireWindow+1, 2)
	recent, ok2 := air.fit(fireWindow/2, 2)
	drop := -float64(whole.P[1] * fireWindow)
	if !ok || !ok2 || drop < fireDrop || whole.clear() < leastClear || recent.P[1] >= 0 {
		return false
	}
	for i := range int64(fireWindow - 1) {
		if air[i+2]-air[i] > float64(fireStep*drop) { // false beside a missing minute
			return false
		}
	}
	deepest, since, _ := f.Air.dip(last, age, 1)
	// The whole window may reach back to before the fall, and then falls too slowly.
	f.Level, f.Rate = whole.P[0], whole.P[1]
	if recent.P[1] < f.Rate {
		f.Level, f.Rate = recent.P[0], recent.P[1]
	}
	return float64(since) > float64(newGround*float64(min(deepest, fireSwing)))
}
