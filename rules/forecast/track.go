package forecast

import (
	"math"
	"time"

	"holdbell/sensor"
)

// size is how many minutes a track remembers. It holds two swings of a thermostat of up to 48 minutes each.
const size = 96

// none stands for a minute without a reading.
const none = math.MinInt32

// maxGap is the longest silence that is bridged. After a longer one the probe may sit in another piece.
const maxGap = 5 * time.Minute

// track is the minute means of one temperature.
type track struct {
	Mean [size]int32 // m°C, the minute number modulo size
	Sum  int64       // of the open minute, m°C
	N    int32       // readings in it
}

// add takes a reading into the open minute.
func (k *track) add(x sensor.Temp) {
	k.Sum += int64(x)
	k.N++
}

// shut ends a minute.
func (k *track) shut(minute int64) {
	mean := int32(none)
	if k.N > 0 {
		mean = int32(k.Sum / int64(k.N))
	}
	k.Mean[place(minute)] = mean
	k.Sum, k.N = 0, 0
}

// ago is the mean of the minute that lies so many before a given one.
func (k *track) ago(minute, back int64) int32 { return k.Mean[place(minute-back)] }

// place is where a minute stands; minutes before zero have one too.
func place(minute int64) int64 { return (minute%size + size) % size }

// series is a track as it is reckoned with: °C, the last full minute first, NaN for a minute without a reading.
type series [size]float64

// last fills in the n minutes up to minute.
func (s *series) last(k *track, minute, n int64) {
	at := place(minute)
	for i := range n {
		s[i] = math.NaN()
		if y := k.Mean[at]; y != none {
			s[i] = float64(y) / 1000
		}
		if at--; at < 0 {
			at = size - 1
		}
	}
}

// dip is the deepest dip within the last n minutes up to minute that has been made up again, and how far the
// temperature has come down since from its highest, both in m°C; and for how many minutes it has been below the
// highest of all. With sign -1 down is up.
//
// A thermostat's swing makes such dips and a temperature on its way does not; only who has come further down than
// the last dip is on new ground.
func (k *track) dip(minute, n int64, sign int32) (deepest, since int32, lasted int64) {
	var after [size]int32 // the highest from here to the end
	high, last := int32(none), int32(none)
	for i := range n {
		if x := k.ago(minute, i); x != none {
			x *= sign
			if last == none {
				last = x
			}
			if x > high {
				high, lasted = x, i
			}
		}
		after[i] = high
	}
	if last == none {
		return 0, 0, 0
	}
	since = high - last
	before := int32(none)
	for i := n - 1; i >= 0; i-- {
		x := k.ago(minute, i)
		if x == none {
			continue
		}
		x *= sign
		before = max(before, x)
		if d := min(before, after[i]) - x; d > deepest {
			deepest, since = d, after[i]-last
		}
	}
	return deepest, since, lasted
}
