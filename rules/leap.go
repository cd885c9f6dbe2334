package rules

import (
	"time"

	"holdbell/sensor"
)

// A leap is a rise that no food makes: by leapRise within two minutes, where a thin piece on a hot grate
// gains a quarter of it. The tip stands in boiling water, or in another piece; what it reads then proves no
// reheating (common practice). For settleIn after a probe was given to a lot it may still be on its way in.
const (
	leapTime = time.Minute
	leapRise = sensor.Temp(20_000)
	leapBack = sensor.Temp(5_000)
)

// leap follows the lowest reading of this minute and the one before.
type leap struct {
	At     time.Duration // when this minute began
	Has    bool
	Min    sensor.Temp
	Before sensor.Temp
	Leapt  bool        // until it is back where it came from, or somebody vouches for it
	From   sensor.Temp // where it came from
}

// followLeap looks for a leap in this sweep's lowest reading.
func (e *Engine) followLeap(l *lot) {
	k, now := &l.Leap, e.mem.Now
	if !l.AnyValid {
		return
	}
	switch {
	case !k.Has || now-k.At >= 2*leapTime:
		k.Has, k.At, k.Min, k.Before = true, now, l.Low, l.Low
	case now-k.At >= leapTime:
		k.At, k.Before, k.Min = now, k.Min, l.Low
	}
	floor := min(k.Min, k.Before)
	if l.Low-floor >= leapRise && now-e.newest(l) > settleIn {
		k.Leapt, k.From = true, floor
	}
	k.Min = min(k.Min, l.Low)
	k.Leapt = k.Leapt && l.Low > k.From+leapBack
}

// newest is when the latest of a lot's present probes was given to it.
func (e *Engine) newest(l *lot) time.Duration {
	at := l.Begun
	for i := range l.Members {
		if m := &l.Members[i]; m.Until == forever {
			at = max(at, m.From)
		}
	}
	return at
}

// vouchLeap lets a signed hand check that agrees with the probe settle a leap.
func (e *Engine) vouchLeap(m *Mark, l *lot) {
	if m.By != "" && l.AnyValid && max(*m.Temp-l.Low, l.Low-*m.Temp) <= e.mayErr(l.LowProbe) {
		l.Leap.Leapt = false
	}
}

// leapText says that a leap proves nothing; empty without one.
func (e *Engine) leapText(l *lot) string {
	if !l.Leap.Leapt || l.Ruling.Verdict != Act || !l.open() {
		return ""
	}
	return " Its probe leapt up from " + e.temp(l.Leap.From) + " faster than food heats, and that proves nothing: check it by hand and sign."
}
