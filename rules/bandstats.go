package rules

import (
	"math"
	"math/bits"
	"time"

	"holdbell/sensor"
)

// airSum is what a station's air has added up to, in whole numbers, so that two parts of a day add up to
// the day. Between two valid readings the air is a straight line; a silence longer than the gap allowance
// is unknown time and in no figure but that.
type airSum struct {
	Known, Unknown   time.Duration `json:",omitempty"`
	In, Below, Above time.Duration `json:",omitempty"` // of the band; nothing without one
	// Ms is the known time in ms, Line twice the integral of the temperature over it in m°C·ms, and High and
	// Low, as one number of 128 bits, three times the integral of its square.
	Ms        int64  `json:",omitempty"`
	Line      int64  `json:",omitempty"`
	High, Low uint64 `json:",omitempty"`
}

// add takes in a straight line between two valid readings.
func (a *airSum) add(s segment, band *Band) {
	d := s.T1 - s.T0
	a.Known += d
	// Both ends are cut to whole ms, so that nothing is lost from one stretch to the next.
	ms := s.T1.Milliseconds() - s.T0.Milliseconds()
	v0, v1 := int64(s.V0), int64(s.V1)
	a.Ms += ms
	a.Line += (v0 + v1) * ms
	hi, lo := bits.Mul64(uint64(v0*v0+v0*v1+v1*v1), uint64(ms)) // a² + ab + b² is never below zero
	var carry uint64
	a.Low, carry = bits.Add64(a.Low, lo, 0)
	a.High, _ = bits.Add64(a.High, hi, carry)
	if band == nil {
		return
	}
	below, above := s.between(sensor.MinTemp, band.Low), s.between(band.High, sensor.MaxTemp)
	under, over := max(0, below.B-below.A), max(0, above.B-above.A)
	a.Below += under
	a.Above += over
	a.In += d - under - over
}

// since is what was added after an earlier sum.
func (a airSum) since(b airSum) airSum {
	low, borrow := bits.Sub64(a.Low, b.Low, 0)
	high, _ := bits.Sub64(a.High, b.High, borrow)
	return airSum{a.Known - b.Known, a.Unknown - b.Unknown, a.In - b.In, a.Below - b.Below, a.Above - b.Above,
		a.Ms - b.Ms, a.Line - b.Line, high, low}
}

// figures are the mean and the standard deviation over the known time.
func (a airSum) figures() AirFigures {
	f := AirFigures{Known: a.Known, Unknown: a.Unknown, InBand: a.In, BelowBand: a.Below, AboveBand: a.Above}
	if a.Ms <= 0 {
		return f
	}
	n := float64(a.Ms)
	mean := float64(a.Line) / (2 * n)
	square := (float64(a.High)*math.Exp2(64) + float64(a.Low)) / (3 * n)
	spread := math.Sqrt(max(0, square-float64(mean*mean)))
	f.Mean, f.Spread = sensor.Temp(math.Round(mean)), sensor.Temp(math.Round(spread))
	return f
}

// AirFigures are how a station's air was kept, weighted by time. Mean and Spread, a standard deviation,
// hold when Known is above zero; the times in, below and above the band add up to Known where the station
// has a band. Unknown is the time without readings, which is in none of the others.
type AirFigures struct {
	Known, Unknown               time.Duration
	InBand, BelowBand, AboveBand time.Duration
	Mean, Spread                 sensor.Temp
}

// airWatch is what a station remembers of its air beside the alarms.
type airWatch struct {
	Has   bool // Last was read at LastT
	LastT time.Duration
	Last  sensor.Temp
	Sum   airSum // of all time
	Armed airSum // Sum when the station was armed
}

// sumAir takes this sweep's reading of a station's air into its sums.
func (e *Engine) sumAir(i int) {
	w, s := &e.mem.Stations[i].Air, &e.set.Stations[i]
	if s.Air < 0 || !e.read[s.Air].Valid() {
		return
	}
	t, now := e.read[s.Air].Temp, e.mem.Now
	if w.Has && now > w.LastT {
		if now-w.LastT <= e.set.GapAllowance {
			w.Sum.add(segment{w.LastT, now, w.Last, t}, s.Band)
		} else {
			w.Sum.Unknown += now - w.LastT
		}
	}
	w.Has, w.LastT, w.Last = true, now, t
}

// sumOf is a station's sum up to this sweep, with an open gap beyond the allowance as unknown time.
func (e *Engine) sumOf(i int) airSum {
	w := &e.mem.Stations[i].Air
	sum := w.Sum
	if silent := e.mem.Now - w.LastT; w.Has && silent > e.set.GapAllowance {
		sum.Unknown += silent
	}
	return sum
}

// stay is a lot's time in one station. Sum is the station's own sum at the beginning while it lasts, and
// the lot's share of it afterwards.
type stay struct {
	Station  string
	Stage    Purpose
	From, To time.Duration // To is never while it lasts
	FromAt   sensor.Instant
	ToAt     sensor.Instant `json:",omitzero"`
	Sum      airSum
	// The lowest and highest valid readings that spoke for the lot there, when Has; OnAir tells that some
	// were of the station's air.
	Has       bool        `json:",omitempty"`
	OnAir     bool        `json:",omitempty"`
	Low, High sensor.Temp `json:",omitempty"`
}

// maxStays is how many stays a lot remembers; beyond it the oldest are forgotten.
const maxStays = 12

// followStay begins and ends a lot's stays: whatever took it elsewhere, a mark, an undo or the
// configuration, is seen from where it is now.
func (e *Engine) followStay(l *lot) {
	n := len(l.Stays)
	here := l.open() && l.Station >= 0
	if n > 0 && l.Stays[n-1].To == never {
		s := &l.Stays[n-1]
		if here && s.Station == e.set.Stations[l.Station].Name && s.Stage == l.Stage {
			return
		}
		if i := e.stationIndex(s.Station); i >= 0 {
			s.Sum = e.sumOf(i).since(s.Sum)
		} else {
			s.Sum = airSum{}
		}
		s.To, s.ToAt = e.mem.Now, e.mem.At
	}
	if !here {
		return
	}
	if n >= maxStays {
		l.Stays = append(l.Stays[:0], l.Stays[1:]...)
	}
	l.Stays = append(l.Stays, stay{Station: e.set.Stations[l.Station].Name, Stage: l.Stage, From: e.mem.Now, To: never,
		FromAt: e.mem.At, Sum: e.sumOf(l.Station)})
}

// noteStay takes this sweep's readings of a lot into its present stay.
func (e *Engine) noteStay(l *lot) {
	n := len(l.Stays)
	if !l.open() || !l.AnyValid || n == 0 {
		return
	}
	s := &l.Stays[n-1]
	if !s.Has || l.Low < s.Low {
		s.Low = l.Low
	}
	if !s.Has || l.High > s.High {
		s.High = l.High
	}
	s.Has, s.OnAir = true, s.OnAir || l.onAirOnly(e)
}

// cameIn is when a lot came into the station where it is.
func (l *lot) cameIn() time.Duration {
	if n := len(l.Stays); n > 0 {
		return l.Stays[n-1].From
	}
	return l.Begun
}

// StayState is a lot's time in one station and how its air was kept meanwhile. Low and High are the lowest
// and highest valid readings that spoke for the lot; nil without one. OnAir tells that some of them were of
// the station's air, which is not the food's temperature.
type StayState struct {
	Station  string
	Stage    Purpose
	From, To sensor.Instant // To is zero while it lasts
	Length   time.Duration
	Air      AirFigures

	Low, High *sensor.Temp
	OnAir     bool
}

func (e *Engine) stayStates(l *lot) []StayState {
	var out []StayState
	for i := range l.Stays {
		s := &l.Stays[i]
		v := StayState{Station: s.Station, Stage: s.Stage, From: s.FromAt, To: s.ToAt, Length: s.To - s.From, Air: s.Sum.figures()}
		if s.To == never {
			v.Length, v.Air = e.mem.Now-s.From, AirFigures{}
			if j := e.stationIndex(s.Station); j >= 0 {
				v.Air = e.sumOf(j).since(s.Sum).figures()
			}
		}
		if v.OnAir = s.OnAir; s.Has {
			low, high := s.Low, s.High
			v.Low, v.High = &low, &high
		}
		out = append(out, v)
	}
	return out
}
