package rules

import (
	"fmt"
	"time"

	"holdbell/sensor"
)

// How a door is told, all of it common practice. An open door or lid exchanges the air with the room, so
// that the air goes a share of the way to the room within a minute or two, far faster than a station cools
// whose heat is off; and it turns as soon as the door is shut. A holding cabinet falls by a quarter of the
// way in a minute and a half, by a tenth at most when its thermostat has just switched off.
const (
	doorWindow = 90 * time.Second // how long the fall may take
	doorSample = 6 * time.Second  // how far apart the readings are that it is looked for in
	doorRing   = 16
	doorShare  = 12                  // percent of the way to the room
	doorLeast  = sensor.Temp(2_000)  // but at least so much: a chiller is close to the room
	doorRoom   = sensor.Temp(21_000) // a room of 70 °F
	doorGround = sensor.Temp(1_500)  // and so much beyond where the air has lately been
	doorBlock  = 3 * time.Minute     // the pieces in which that is remembered
	doorSettle = 12 * time.Minute    // a station that has just come to its place swings wider than it will
	doorRings  = 5 * time.Minute     // an open door is a lamp, not a ring, for so long
	doorGiveUp = time.Hour           // after it the air is taken to stay where it is
	doorTurn   = 10                  // percent of the fall that must come back for the door to be shut,
	doorTurned = sensor.Temp(1_000)  // but at least so much
	doorBand   = 20 * time.Minute    // for how long an open door answers for air outside the band
	doorShut   = 15 * time.Minute    // and for how long after it was shut
	doorBefore = 5 * time.Minute     // food loaded so long before a fall went in with it
	doorHangs  = doorRoom + 5_000    // air so close to the room may be a probe that hangs in it
)

// doorIs is how a station's door stands, as far as its air tells.
type doorIs uint8

const (
	doorIsShut doorIs = iota
	doorIsOpen
	doorComesBack // shut, and the air on its way back
)

// door is what a station's air says of its door. In a station that cools, temperatures stand here with
// their sign turned, so that an open door lets them fall everywhere.
type door struct {
	T     [doorRing]time.Duration // readings at least doorSample apart, the oldest overwritten
	V     [doorRing]sensor.Temp
	N     int // in use
	Next  int
	Has   bool          // Floor stands
	Began time.Duration // it has been looked at since then
	Floor sensor.Temp
	Own   sensor.Temp // the largest fall of ordinary running, as in a thermostat's pause

	Block             time.Duration // the end of the present block
	Lowest, LastLow   sensor.Temp   // of the present and the last block
	Steepest, LastFal sensor.Temp

	Is        doorIs
	Since     time.Duration // the fall began
	From, Low sensor.Temp   // where it began, and the furthest
	LowT      time.Duration
	Sure      bool // too fast for the station's own ways
	Shut      time.Duration
	Back      time.Duration // how long the air took to come back, the last time; 0 before the first
}

// doorSign is how a station's temperatures are turned so that an open door makes them fall: 0 for one
// whose air says nothing about a door.
func doorSign(p Purpose) sensor.Temp {
	switch p {
	case Cooking, HotHolding, Reheating:
		return 1
	case Cooling, ColdHolding:
		return -1
	}
	return 0
}

// watchDoor follows a station's door by its air and judges door-open.
func (e *Engine) watchDoor(i int) {
	st, s := &e.mem.Stations[i], &e.set.Stations[i]
	sign := doorSign(s.Purpose)
	if s.Air < 0 || sign == 0 {
		return
	}
	d := &st.Door
	f := finding{since: never, left: never, delay: never, worse: lower}
	if sign < 0 {
		f.worse = higher
	}
	r := e.read[s.Air]
	switch {
	case !e.inPlace(i):
		if d.Has {
			*d = door{Back: d.Back}
		}
	case !r.Valid():
		if d.Is == doorIsOpen {
			f.level = unknown
		}
	default:
		d.follow(e.mem.Now, sign*r.Temp, sign*doorRoom, e.gap)
		if d.Is == doorIsOpen && st.Armed {
			f.level, f.since = bad, d.Since
			f.temp, f.hasTemp = sign*d.Low, true
			if e.mem.Now-d.Since >= doorRings && sign*r.Temp-d.Low < doorTurned/2 {
				f.priority, f.rank = Warning, 1
			}
		}
	}
	e.judge(&st.AlarmDoor, subjectOf{aDoor, i, nil, s.Air}, f)
}

// inPlace reports whether a station's air is, or was since it was armed, where it belongs: on the way
// there it says nothing.
func (e *Engine) inPlace(i int) bool {
	st, s := &e.mem.Stations[i], &e.set.Stations[i]
	if st.AtLimit != never && !st.OutOfService {
		return true
	}
	return st.Armed && (st.BandSeen || s.Band == nil && s.Purpose != HotHolding)
}

// follow takes in one valid reading.
func (d *door) follow(now time.Duration, y, room sensor.Temp, gap bool) {
	if gap {
		d.N, d.Next = 0, 0
	}
	if !d.Has {
		d.Has, d.Began, d.Floor = true, now, y
		d.rest(now, y)
	}
	due := d.N == 0 || now-d.T[d.ago(0)] >= doorSample
	if d.Is == doorIsShut && !due {
		return
	}
	high, highT := d.highest(now, y)
	fall := high - y
	limit := max(doorLeast, (high-room)*doorShare/100)
	switch d.Is {
	case doorIsShut:
		if now-d.Began >= doorSettle && fall >= max(limit, d.Own*5/4) && y <= d.Floor-max(doorGround, d.Own/2) {
			d.Is, d.Since, d.From, d.Low, d.LowT = doorIsOpen, highT, high, y, now
			d.Sure = fall >= d.Own*8/5
			d.rest(now, d.Floor)
			break
		}
		d.learn(now, y, fall)
	case doorIsOpen:
		if y < d.Low {
			d.Low, d.LowT = y, now
		}
		if y-d.Low >= max(doorTurned, (d.From-d.Low)*doorTurn/100) {
			d.Is, d.Shut = doorComesBack, d.LowT
		}
	case doorComesBack:
		switch {
		case y >= d.Floor || y >= d.From-(d.From-d.Low)/10:
			d.Is, d.Back = doorIsShut, now-d.Shut
			d.rest(now, d.Floor)
		case now-d.Shut >= doorGiveUp:
			d.Is = doorIsShut
			d.Floor = y
			d.rest(now, y)
		case fall >= limit && y <= d.Low+(d.From-d.Low)/2:
			d.Is, d.Since, d.Low, d.LowT = doorIsOpen, highT, y, now
		case y < d.Low && now-d.Shut <= doorRings:
			d.Is = doorIsOpen // it had not been shut: a gust, or somebody in the way
		}
		d.Low = min(d.Low, y)
	}
	if due {
		d.T[d.Next], d.V[d.Next] = now, y
		d.Next, d.N = (d.Next+1)%doorRing, min(d.N+1, doorRing)
	}
}

// highest is the highest reading of the window, and the last moment at which hardly any of the fall from
// there to y was behind it.
func (d *door) highest(now time.Duration, y sensor.Temp) (high sensor.Temp, at time.Duration) {
	high, at = y, now
	n := 0
	for ; n < d.N && now-d.T[d.ago(n)] <= doorWindow; n++ {
		high = max(high, d.V[d.ago(n)])
	}
	for k := range n {
		if v := d.V[d.ago(k)]; v >= high-(high-y)/8 {
			return high, d.T[d.ago(k)]
		}
	}
	return high, at
}

// ago is where the reading before so many others stands, 0 for the latest.
func (d *door) ago(n int) int { return (d.Next + 2*doorRing - 1 - n) % doorRing }

// learn remembers ordinary running: where the air goes down to, and how fast. What is remembered is a
// block or two old, so that the beginning of a fall does not excuse the rest of it; and it is forgotten
// again within an hour or so.
func (d *door) learn(now time.Duration, y, fall sensor.Temp) {
	d.Lowest, d.Steepest = min(d.Lowest, y), max(d.Steepest, fall)
	if now < d.Block {
		return
	}
	if d.LastLow > d.Floor {
		d.Floor += (d.LastLow - d.Floor) / 10
	} else {
		d.Floor = d.LastLow
	}
	d.Own = max(d.Own-d.Own/20, d.LastFal)
	d.LastLow, d.LastFal = d.Lowest, d.Steepest
	d.Lowest, d.Steepest, d.Block = y, 0, now+doorBlock
}

// rest begins to remember anew: what an open door did is no ordinary running.
func (d *door) rest(now time.Duration, low sensor.Temp) {
	d.Lowest, d.LastLow, d.Steepest, d.LastFal, d.Block = low, low, 0, 0, now+doorBlock
}

// doorAnswers reports whether an open door, or one that was shut not long ago, is why the air is where it
// is: then it is the door that is told.
func (e *Engine) doorAnswers(i int) bool {
	switch d := &e.mem.Stations[i].Door; d.Is {
	case doorIsOpen:
		return e.mem.Now-d.Since < doorBand
	case doorComesBack:
		return e.mem.Now-d.Shut < doorShut
	}
	return false
}

// loadedWith is a piece that went into the station as its air fell; empty when none did.
func (e *Engine) loadedWith(i int) string {
	for _, l := range e.mem.Lots {
		if l.open() && l.Station == i && !l.Standing && l.cameIn() >= e.mem.Stations[i].Door.Since-doorBefore {
			return l.Name
		}
	}
	return ""
}

// doorWords are what a station calls its door, its air's going the wrong way, and what keeps it.
func doorWords(p Purpose) (lid, went, keeps, look string) {
	switch {
	case p == Cooking:
		return "lid or door", "fell", "fire", "look at the fire and its draft"
	case doorSign(p) < 0:
		return "door", "rose", "cooling", "look at its plug, its breaker and its coil"
	}
	return "door", "fell", "heat", "look at its plug, its breaker and its element"
}

// doorText says how sure it is, and what to do about either cause.
func (e *Engine) doorText(i int) string {
	s, d := &e.set.Stations[i], &e.mem.Stations[i].Door
	sign := doorSign(s.Purpose)
	lid, went, keeps, look := doorWords(s.Purpose)
	moved := fmt.Sprintf("its air %s from %s to %s", went, e.temp(sign*d.From), e.temp(sign*d.Low))
	open := e.mem.Now - d.Since
	var text string
	switch {
	case open < doorRings && d.Sure:
		return fmt.Sprintf("%s stands open, it seems: %s within %s. Shut its %s when you are done.", s.Name, moved, words(d.LowT-d.Since), lid)
	case open < doorRings:
		return fmt.Sprintf("%s: %s within %s. Its %s is open, or its %s is off: look at both.", s.Name, moved, words(d.LowT-d.Since), lid, keeps)
	case d.Sure:
		text = fmt.Sprintf("%s has stood open for %s, it seems: %s and has not come back. Shut its %s; if it is shut, its %s is off: %s.",
			s.Name, words(open), moved, lid, keeps, look)
	default:
		text = fmt.Sprintf("%s: %s %s ago and has not come back. Its %s is open, or its %s is off: shut it, and %s.",
			s.Name, moved, words(open), lid, keeps, look)
	}
	if lot := e.loadedWith(i); lot != "" {
		text += " " + lot + " went in as it " + went + ": food far from the air's own temperature holds it back for a while."
	}
	if sign > 0 && d.Low <= doorHangs {
		text += " Its air is near the room's: the probe may hang outside."
	}
	return text
}

// doorClearText is the end of door-open.
func (e *Engine) doorClearText(i int, where string) string {
	if i >= 0 && e.mem.Stations[i].Armed {
		return where + "'s air is coming back: it is shut again."
	}
	return where + " is not watched any more."
}
