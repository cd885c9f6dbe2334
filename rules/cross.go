package rules

import (
	"slices"
	"time"

	"holdbell/sensor"
)

// Food that rests in one station comes to one temperature, so that probes which then differ ask a question: one of
// them errs, or the pieces differ. It is asked of whole hours in which nothing moved. Like every doubt about a probe
// it rings and invalidates nothing: the clocks go on by what each probe reads. All figures are common practice.
const (
	// crossFood and crossAir are the most by which food and the air around it may move in a calm hour.
	crossFood, crossAir = sensor.Temp(1_500), sensor.Temp(8_000)
	// crossApart is how far two probes may differ beyond both accuracies, and crossBack how far they must be inside
	// that again to agree.
	crossApart, crossBack = sensor.Temp(3_000), sensor.Temp(1_000)
	// crossRun is how many calm hours in a row they must have differed.
	crossRun = 2
	// crossClosing in a hundred is what a difference loses in an hour at most if it is to stay: a piece on its way to
	// the temperature of its neighbours loses more, even one that takes half a day.
	crossClosing = 5
	// crossSteady is how little a difference may have moved in an hour if it is to count for the drift.
	crossSteady = sensor.Temp(500)
	// driftHours are the calm hours that a drift is measured from, and those that it is measured by.
	driftHours = 24
)

// cross is what is remembered of how one probe agrees with the others of its station.
type cross struct {
	Sum     int64       `json:",omitempty"` // of the running hour's readings
	N       int64       `json:",omitempty"`
	Low     sensor.Temp `json:",omitempty"`
	High    sensor.Temp `json:",omitempty"`
	Stirred bool        `json:",omitempty"` // the running hour is none that counts

	Station string        `json:",omitempty"` // where it was last compared
	Hour    int64         `json:",omitempty"` // the number of the hour after which that was, from 1
	Mean    sensor.Temp   `json:",omitempty"` // what it read in that hour
	By      sensor.Temp   `json:",omitempty"` // by how much more than the middle of the others
	Beside  string        `json:",omitempty"` // the only other one; empty with more
	Air     sensor.Temp   `json:",omitempty"` // what the air read, where HasAir
	HasAir  bool          `json:",omitempty"`
	Run     int           `json:",omitempty"` // calm hours in a row in which it was apart, up to crossRun
	From    time.Duration `json:",omitempty"` // the first of them began
	Apart   bool          `json:",omitempty"`
	Excused bool          `json:",omitempty"` // checked and found right: not blamed until it has agreed again

	Learned   int64         `json:",omitempty"` // hours in Base, up to driftHours
	Base      int64         `json:",omitempty"` // sum of By over those
	Recent    int64         `json:",omitempty"` // driftHours times the recent mean of By
	Drift     bool          `json:",omitempty"`
	DriftFrom time.Duration `json:",omitempty"`

	// Was is what calibration added at two temperatures: another one starts all this anew.
	Was [2]sensor.Temp `json:",omitzero"`
}

// moved is by how much a probe reads more against the others than it did at first.
func (c *cross) moved() sensor.Temp { return sensor.Temp((c.Recent - c.Base) / driftHours) }

// stands reports whether a probe is in doubt already; then the others are not held against it.
func (p *probe) stands() bool { return p.Cross.Apart || p.Cross.Drift || p.Apart != nil }

// take takes in this sweep's reading.
func (c *cross) take(t sensor.Temp) {
	if c.N == 0 {
		c.Low, c.High = t, t
	}
	c.Sum, c.N = c.Sum+int64(t), c.N+1
	c.Low, c.High = min(c.Low, t), max(c.High, t)
}

// stir makes the running hour of a lot's probes one that does not count: somebody did something to it.
func (e *Engine) stir(l *lot) {
	for i := range l.Members {
		if x := &l.Members[i]; x.Until == forever && x.Probe >= 0 {
			e.mem.Probes[x.Probe].Cross.Stirred = true
		}
	}
}

// crossCheck follows how the probes of each station agree. Hours are the Engine's own, the same for all, so that
// the same minutes are compared.
func (e *Engine) crossCheck() {
	m := &e.mem
	if hour := int64(m.Now / time.Hour); hour != m.Hour {
		e.closeHour(time.Duration(m.Hour) * time.Hour)
		m.Hour = hour
	}
	for i := range m.Stations {
		m.Stations[i].Opened = m.Stations[i].Opened || m.Stations[i].Door.Is == doorIsOpen
	}
	for i := range m.Probes {
		p := &m.Probes[i]
		if !p.Cur.Valid() {
			continue
		}
		if m.Now-p.priorT > e.set.GapAllowance {
			p.Cross.Stirred = true
		}
		p.Cross.take(p.Cur.Temp)
	}
}

// closeHour compares what the probes read in an hour that is over, and begins the next.
func (e *Engine) closeHour(start time.Duration) {
	for i := range e.mem.Probes {
		p := &e.mem.Probes[i]
		c := &p.Cross
		if c.N > 0 {
			c.Mean = sensor.Temp(c.Sum / c.N)
		}
		e.calm[i] = c.N > 0 && !c.Stirred && start+time.Hour-p.priorT <= e.set.GapAllowance &&
			c.High-c.Low <= crossFood && p.Fit.doubt() == reads && !p.AlarmStuck.Active && !e.isAir(i)
	}
	for i := range e.mem.Stations {
		e.compareStation(i, start)
		e.mem.Stations[i].Opened = false
	}
	for i := range e.mem.Probes {
		c := &e.mem.Probes[i].Cross
		c.Sum, c.N, c.Low, c.High, c.Stirred = 0, 0, 0, 0, false
	}
}

// mayLieApart is how far two probes in a station's food may lie apart beyond both accuracies; ok is false where
// they are not compared.
func (s *StationSetup) mayLieApart() (t sensor.Temp, ok bool) {
	switch {
	case s.Purpose != HotHolding && s.Purpose != ColdHolding:
		return 0, false
	case s.ProbesApart == nil:
		return crossApart, true
	}
	return *s.ProbesApart, *s.ProbesApart >= 0
}

// rested reports whether a probe spent the hour from start on in food that is held in a station.
func (e *Engine) rested(p, station int, start time.Duration) bool {
	found := false
	for _, l := range e.mem.Lots {
		for i := range l.Members {
			x := &l.Members[i]
			if !l.open() || x.Probe != p || x.Until != forever {
				continue
			}
			if l.Station != station || x.Suspended || x.From > start || l.running() {
				return false
			}
			found = true
		}
	}
	return found
}

// compareStation holds the probes of a station against each other after a calm hour.
func (e *Engine) compareStation(i int, start time.Duration) {
	s := &e.set.Stations[i]
	within, ok := s.mayLieApart()
	if !ok || e.mem.Stations[i].Opened {
		return
	}
	var air *cross
	if s.Air >= 0 && e.mem.Probes[s.Air].Cross.N > 0 {
		if air = &e.mem.Probes[s.Air].Cross; air.High-air.Low > crossAir {
			return
		}
	}
	e.group = e.group[:0]
	for p := range e.mem.Probes {
		if e.calm[p] && e.rested(p, i, start) {
			e.group = append(e.group, p)
		}
	}
	if len(e.group) < 2 {
		return
	}
	far, drifted := -1, -1
	for _, p := range e.group {
		c := &e.mem.Probes[p].Cross
		if c.Station != s.Name {
			c.enter(s.Name)
		}
		others, both, beside, sound := e.others(p)
		by, hour := c.Mean-others, int64(start/time.Hour)+1
		next := c.Hour > 0 && c.Hour == hour-1
		c.noteApart(by, within+both, next, start)
		c.noteDrift(by, max(within, both), next)
		c.Hour, c.By, c.HasAir = hour, by, air != nil
		if !c.Apart && !c.Drift {
			c.Beside = beside
		}
		if air != nil {
			c.Air = air.Mean
		}
		if !sound || e.mem.Probes[p].stands() {
			continue // its only neighbour is in doubt, or it is
		}
		if !c.Excused && c.Run == crossRun && (far < 0 || e.further(p, far, by, e.mem.Probes[far].Cross.By)) {
			far = p
		}
		moved := c.moved()
		if magnitude(moved) > max(within, both) && (drifted < 0 || e.further(p, drifted, moved, e.mem.Probes[drifted].Cross.moved())) {
			drifted = p
		}
	}
	switch {
	case far >= 0:
		e.mem.Probes[far].Cross.Apart = true
	case drifted >= 0:
		c := &e.mem.Probes[drifted].Cross
		c.Drift, c.DriftFrom = true, start
	}
}

// others is the middle of what the other probes of the group read, by how much a probe and the least accurate of them
// can err together, and the name of the only one. Those in doubt are left out; when no other is left they are taken,
// and nothing sound is there to blame a probe by.
func (e *Engine) others(p int) (middle, both sensor.Temp, beside string, sound bool) {
	sound = slices.ContainsFunc(e.group, func(q int) bool { return q != p && !e.mem.Probes[q].stands() })
	e.means = e.means[:0]
	for _, q := range e.group {
		if q == p || sound && e.mem.Probes[q].stands() {
			continue
		}
		e.means = append(e.means, e.mem.Probes[q].Cross.Mean)
		both = max(both, e.accuracy(q))
		beside = e.set.Probes[q].Name
	}
	n := len(e.means)
	if n > 1 {
		beside = ""
	}
	slices.Sort(e.means)
	low, high := e.means[(n-1)/2], e.means[n/2]
	return low + (high-low)/2, both + e.accuracy(p), beside, sound
}

// enter begins with the station that a probe has come to. A drift that stands stays what it is.
func (c *cross) enter(station string) {
	c.Station, c.Hour, c.Run = station, 0, 0
	if !c.Drift {
		c.unlearn()
	}
}

func (c *cross) unlearn() { c.Learned, c.Base, c.Recent = 0, 0, 0 }

// further reports whether a probe is to be named rather than another: it is further off, and of two that are as far,
// as any two without a third are, further from the air.
func (e *Engine) further(p, than int, by, thanBy sensor.Temp) bool {
	if d := magnitude(by) - magnitude(thanBy); magnitude(d) > 1 { // a middle is rounded
		return d > 0
	}
	a, b := &e.mem.Probes[p].Cross, &e.mem.Probes[than].Cross
	return a.HasAir && a.fromAir() > b.fromAir()
}

func (c *cross) fromAir() sensor.Temp { return magnitude(c.Mean - c.Air) }

// noteApart takes in by how much a probe differs from the others in a calm hour.
func (c *cross) noteApart(by, limit sensor.Temp, next bool, start time.Duration) {
	wide, before := magnitude(by), magnitude(c.By)
	back := max(limit-crossBack, limit/2)
	switch {
	case c.Apart && wide > back:
	case wide <= limit:
		c.Run, c.Apart = 0, false
		c.Excused = c.Excused && wide > back
	case next && c.Run > 0 && (by > 0) == (c.By > 0) && int64(wide)*100 >= int64(before)*(100-crossClosing):
		c.Run = min(c.Run+1, crossRun)
	default:
		c.Run, c.From = 1, start
	}
}

// noteDrift takes in the same for the drift over days.
func (c *cross) noteDrift(by, limit sensor.Temp, next bool) {
	if !next || magnitude(by-c.By) > crossSteady {
		return
	}
	if c.Learned < driftHours {
		c.Learned++
		c.Base += int64(by)
		c.Recent = c.Base
		return
	}
	c.Recent += int64(by) - c.Recent/driftHours
	if magnitude(c.moved()) <= max(limit-crossBack, limit/2) {
		c.Drift = false
	}
}

// vouch takes the doubt from a probe that somebody put right or found right. What the others were held against is
// then another: they are learned anew.
func (e *Engine) vouch(p int) (doubted bool) {
	c := &e.mem.Probes[p].Cross
	doubted = c.Apart || c.Drift
	c.Apart, c.Drift, c.Excused = false, false, true
	if doubted {
		e.relearn(c.Station)
	}
	return doubted
}

// relearn begins anew with the probes of a station: one that they were held against is not what it was.
func (e *Engine) relearn(station string) {
	for i := range e.mem.Probes {
		if c := &e.mem.Probes[i].Cross; c.Station == station {
			c.Run = 0
			c.unlearn()
		}
	}
}

// recross forgets, after a restart, what a changed configuration has made void: a probe with another calibration, a
// station that is gone, or one whose probes are not compared any more.
func (e *Engine) recross() {
	for i := range e.mem.Probes {
		c := &e.mem.Probes[i].Cross
		was := [2]sensor.Temp{e.correction(i, 0), e.correction(i, 100_000)}
		st := e.stationIndex(c.Station)
		compared := st >= 0
		if compared {
			_, compared = e.set.Stations[st].mayLieApart()
		}
		if c.Was != was && c.Station != "" {
			e.relearn(c.Station)
		}
		if c.Was != was || c.Station != "" && !compared {
			*c = cross{}
		}
		c.Was = was
	}
}

func magnitude(t sensor.Temp) sensor.Temp { return max(t, -t) }
