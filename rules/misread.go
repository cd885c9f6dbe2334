package rules

import (
	"fmt"
	"time"

	"holdbell/sensor"
)

// A probe that gives readings may still not read its food: its tip has come out, or its plug is bad. Three signs
// tell. Readings that scatter as no food and no air does; a jump that no food makes; and moves that are the air's
// own. They raise probe-fault and change nothing else: the clocks go on by what the probe reads.

// fit is what is remembered of how one probe sits in its food. The zero value has seen nothing.
type fit struct {
	Noisy  bool          `json:",omitempty"`
	Loud   int8          `json:",omitempty"` // minutes in a row with a scatter (above 0) or without (below)
	Out    bool          `json:",omitempty"` // has jumped, and not back
	Loose  bool          `json:",omitempty"` // moves with the air
	Since  time.Duration `json:",omitempty"` // of the newest sign
	From   sensor.Temp   `json:",omitempty"` // where a jump began
	To     sensor.Temp   `json:",omitempty"` // where it has led
	Fell   bool          `json:",omitempty"` // the jump was downwards
	BackAt time.Duration `json:",omitempty"` // it was made up for then

	Seated time.Duration `json:",omitempty"` // somebody last said where it is

	// The scatter of this minute: second differences of raw readings in a row.
	Last, Before     sensor.Temp   `json:",omitempty"`
	Row              uint8         `json:",omitempty"` // readings in a row, up to 2
	MinuteAt, LastAt time.Duration `json:",omitempty"`
	Bends            int64         `json:",omitempty"`
	NBends           int64         `json:",omitempty"`

	// Means over slots of a minute's sixth, the newest last.
	Mean   [jumpSlots]sensor.Temp `json:",omitzero"`
	N      int8                   `json:",omitempty"` // slots that hold a mean
	SlotAt time.Duration          `json:",omitempty"` // the open slot's beginning
	Sum    int64                  `json:",omitempty"`
	InSum  int64                  `json:",omitempty"`
}

const (
	// scatterFood and scatterAir are the mean second difference of readings up to scatterPeriod apart from which
	// on a probe is noisy, in m°C: of normal noise it is about twice the standard deviation. A sound chain has
	// a few tenths of a degree; the recorded fires of sensor/condition stay under 2 °C (common practice).
	scatterFood, scatterAir = 4_000, 8_000
	scatterPeriod           = 5 * time.Second
	// loudMinutes in a row make a probe noisy, and as many quiet ones end it.
	loudMinutes = 2

	// jump is what no food changes by within jumpSlots slots: a thin piece on a hot grate gains 5 °C a minute, a
	// core in a cabinet or chiller hardly a degree (common practice).
	jump      = sensor.Temp(6_000)
	jumpSlot  = 10 * time.Second
	jumpSlots = 7
	// jumpDelay lets a probe be moved from one piece to the next, and settleIn be put in once its lot is marked.
	jumpDelay = 2 * time.Minute
	settleIn  = 5 * time.Minute
)

// misread is a sign that a probe does not read its food.
type misread uint8

const (
	reads misread = iota
	noisy
	out   // by a jump
	loose // by moving as the air does
)

// doubt is the strongest sign.
func (f *fit) doubt() misread {
	switch {
	case f.Noisy:
		return noisy
	case f.Out:
		return out
	case f.Loose:
		return loose
	}
	return reads
}

// sits follows how a probe sits.
func (e *Engine) sits(i int, p *probe) {
	f, now := &p.Fit, e.mem.Now
	if e.gap {
		*f = fit{}
	}
	since, inFood := e.inFood(i)
	limit := int64(scatterAir)
	if inFood {
		limit = scatterFood
	}
	f.scatter(now, p.Raw, limit)
	if !inFood || !e.read[i].Valid() {
		f.N, f.InSum, f.Sum = 0, 0, 0
		f.Out, f.Loose = f.Out && inFood, f.Loose && inFood
		return
	}
	if f.slot(now, e.read[i].Temp) && f.Loud <= 0 && f.jumped(now) && p.Ahead != nil {
		p.Ahead.Reset() // what it read before was something else
	}
	if now-max(since, f.Seated) < settleIn {
		f.Out, f.Loose = false, false // somebody has just said what it is put into
		return
	}
	if p.Ahead != nil && p.Ahead.Loose != f.Loose {
		if f.Loose = p.Ahead.Loose; f.Loose {
			f.Since = now
		}
	}
}

// seated forgets a jump: somebody has just said where the probe is, and may be about to put it there.
func (f *fit) seated(now time.Duration) {
	f.Out, f.N, f.InSum, f.Sum, f.Seated = false, 0, 0, 0, now
}

// inFood reports whether a probe speaks for an open lot from within it, and since when for the oldest: another that
// comes to stand by the same probe tells nothing of it.
func (e *Engine) inFood(p int) (since time.Duration, ok bool) {
	for _, l := range e.mem.Lots {
		if !l.open() || l.Station >= 0 && e.set.Stations[l.Station].Air == p {
			continue
		}
		for i := range l.Members {
			if m := &l.Members[i]; m.Probe == p && m.Until == forever && !m.Suspended {
				if !ok || m.From < since {
					since = m.From
				}
				ok = true
			}
		}
	}
	return since, ok
}

// scatter takes in one raw reading and, once a minute, judges the minute's noise.
func (f *fit) scatter(now time.Duration, r sensor.Reading, limit int64) {
	if !r.Valid() || now-f.LastAt > scatterPeriod {
		f.Row = 0
	}
	if r.Valid() {
		if f.Row == 2 {
			bend := int64(r.Temp) - 2*int64(f.Last) + int64(f.Before)
			f.Bends += max(bend, -bend)
			f.NBends++
		}
		f.Before, f.Last, f.LastAt = f.Last, r.Temp, now
		f.Row = min(f.Row+1, 2)
	}
	if now-f.MinuteAt < time.Minute {
		return
	}
	switch {
	case f.NBends < 8: // too few to say
	case f.Bends > limit*f.NBends:
		f.Loud = min(max(f.Loud, 0)+1, loudMinutes)
	default:
		f.Loud = max(min(f.Loud, 0)-1, -loudMinutes)
	}
	if f.Loud == loudMinutes && !f.Noisy {
		f.Noisy, f.Since = true, now-loudMinutes*time.Minute
	}
	if f.Loud == -loudMinutes {
		f.Noisy = false
	}
	f.MinuteAt, f.Bends, f.NBends = now, 0, 0
}

// slot takes a reading into the open slot and reports whether one was closed.
func (f *fit) slot(now time.Duration, t sensor.Temp) (closed bool) {
	if f.InSum > 0 && now-f.SlotAt >= jumpSlot {
		if now-f.SlotAt > jumpSlots*jumpSlot {
			f.N = 0 // what lies so far back is no neighbour
		}
		copy(f.Mean[:], f.Mean[1:])
		f.Mean[jumpSlots-1] = sensor.Temp(f.Sum / f.InSum)
		f.N = min(f.N+1, jumpSlots)
		f.InSum, f.Sum = 0, 0
		closed = true
	}
	if f.InSum == 0 {
		f.SlotAt = now
	}
	f.Sum += int64(t)
	f.InSum++
	return closed
}

// jumped looks for a jump in the slots' means, and for the one back. It reports whether the tip was moved.
func (f *fit) jumped(now time.Duration) bool {
	if f.N < 2 {
		return false
	}
	newest, oldest := f.Mean[jumpSlots-1], f.Mean[jumpSlots-f.N]
	step := newest - oldest
	up := step > 0
	switch {
	case step < jump && step > -jump:
		return false
	case f.Out && up == f.Fell:
		f.Out, f.BackAt = false, now
	case f.Out: // further the same way
	case up == f.Fell && now-f.BackAt < jumpSlots*jumpSlot:
		// The rest of the way back.
	default:
		f.Out, f.Fell, f.Since, f.From = true, !up, now, oldest
	}
	f.To = newest
	f.Mean[jumpSlots-1], f.N = newest, 1
	return true
}

// misreadText says what is wrong with a probe that reads, and what to do.
func (e *Engine) misreadText(p *probe, where string) string {
	f := &p.Fit
	switch f.doubt() {
	case noisy:
		return fmt.Sprintf("Probe %s at %s jumps about from one reading to the next. Check the plug and the wire, and the food by hand.", p.Name, where)
	case out:
		verb := "rose"
		if f.Fell {
			verb = "fell"
		}
		return fmt.Sprintf("Probe %s at %s %s from %s to %s within a minute, which no food does: it has come out of its food. "+
			"Put it back, mark probe, and check the food by hand.", p.Name, where, verb, e.temp(f.From), e.temp(f.To))
	}
	return fmt.Sprintf("Probe %s at %s moves as the air does: it has come out of its food. Put it back, and check the food by hand.", p.Name, where)
}
