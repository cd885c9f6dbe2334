package rules

import (
	"math/bits"
	"slices"
	"time"

	"holdbell/sensor"
)

// span is a stretch of the Engine's own time, from A up to B.
type span struct{ A, B time.Duration }

// tally measures a union of spans: several probes of one lot report the same minutes, and each minute
// counts once. Cover holds the spans that later ones may still overlap; it is empty unless a gap is open.
type tally struct {
	Total time.Duration
	Cover []span `json:",omitempty"`
}

// maxCover bounds Cover. Beyond it the oldest span is forgotten, which can only lengthen the clock.
const maxCover = 64

// add counts the part of a to b that was not counted yet, and returns its length.
func (c *tally) add(a, b time.Duration) time.Duration {
	if b <= a {
		return 0
	}
	added := b - a
	merged := span{a, b}
	keep := c.Cover[:0]
	for _, s := range c.Cover {
		if s.B < a || s.A > b {
			keep = append(keep, s)
			continue
		}
		added -= min(b, s.B) - max(a, s.A)
		merged.A, merged.B = min(merged.A, s.A), max(merged.B, s.B)
	}
	c.Cover = append(keep, merged)
	if len(c.Cover) > maxCover {
		c.Cover = slices.Delete(c.Cover, 0, 1)
	}
	c.Total += added
	return added
}

// covered is how much of a to b has been counted, as far as Cover remembers.
func (c *tally) covered(a, b time.Duration) time.Duration {
	var d time.Duration
	for _, s := range c.Cover {
		d += max(0, min(b, s.B)-max(a, s.A))
	}
	return d
}

// settle forgets what lies before horizon, where nothing can be added any more.
func (c *tally) settle(horizon time.Duration) {
	if len(c.Cover) == 0 {
		return
	}
	keep := c.Cover[:0]
	for _, s := range c.Cover {
		if s.B > horizon {
			keep = append(keep, s)
		}
	}
	c.Cover = keep
}

// segment is a temperature's straight line between two consecutive valid readings of one probe.
type segment struct {
	T0, T1 time.Duration
	V0, V1 sensor.Temp
}

// cross is the moment at which the segment passes v, which must lie between its ends; they must differ.
// The product is taken in 128 bits: an hour's gap over the whole range of a Temp overflows 64.
func (s segment) cross(v sensor.Temp) time.Duration {
	num, den := int64(v)-int64(s.V0), int64(s.V1)-int64(s.V0)
	if den < 0 {
		num, den = -num, -den
	}
	hi, lo := bits.Mul64(uint64(num), uint64(s.T1-s.T0))
	q, _ := bits.Div64(hi, lo, uint64(den))
	return s.T0 + time.Duration(q)
}

// between is the part of the segment strictly above low and strictly below high; empty when A >= B.
func (s segment) between(low, high sensor.Temp) span {
	r := span{s.T0, s.T1}
	if (s.V0 <= low && s.V1 <= low) || (s.V0 >= high && s.V1 >= high) {
		return span{}
	}
	switch {
	case s.V0 <= low:
		r.A = s.cross(low)
	case s.V0 >= high:
		r.A = s.cross(high)
	}
	switch {
	case s.V1 <= low:
		r.B = s.cross(low)
	case s.V1 >= high:
		r.B = s.cross(high)
	}
	return r
}

// clip cuts s down to what lies within a to b.
func (s span) clip(a, b time.Duration) span { return span{max(s.A, a), min(s.B, b)} }
