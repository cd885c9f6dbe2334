package rules

import (
	"slices"
	"time"

	"holdbell/rules/microbe"
	"holdbell/sensor"
)

// momentHold is how long a probe must stay at an endpoint that asks for no time: one noisy reading is no
// proof (common practice).
const momentHold = 10 * time.Second

// ovenGrace is how long an oven may be outside its limit at a stretch: loading and turning the racks lets
// the heat out (common practice).
const ovenGrace = 15 * time.Minute

// CookProof is what proved that a lot is cooked.
type CookProof string

// The proofs.
const (
	ProvenByTemp  CookProof = "temperature" // a limit of the code, by probe
	ProvenByRoast CookProof = "roast"       // the roast table and its oven
	ProvenByPlan  CookProof = "plan"        // a published table under the kitchen's own plan or variance
	ProvenByCheck CookProof = "check"       // a signed hand check
)

// cook is the memory of a lot that was seen cooking. Every moment in it is the Engine's own time.
type cook struct {
	Began time.Duration
	Code  string                       // the code whose limits Since counts
	Since [MaxCookLimits]time.Duration // at or above each of the code's limits since then; never while below
	Guard sensor.Temp                  `json:",omitempty"` // and the guard band
	Under time.Duration                // not known to be at the tables' first row since then; never while it is

	Oven       Oven          `json:",omitempty"` // of the latest station that it cooked in
	OvenOff    time.Duration // the oven is outside its limit since then; never while it keeps it
	OvenSeen   bool          // it has kept it once
	OvenMissed bool          // it was outside for longer than ovenGrace
	RoastTime  bool          // the roast table's time was met, whatever the oven did
	TableMet   bool          // the published lethality table was met

	Proof   CookProof   `json:",omitempty"`
	Temp    sensor.Temp // of the limit or the row that was met
	Hold    time.Duration
	Basis   Citation
	Proven  time.Duration
	ProvenI sensor.Instant
}

func (e *Engine) newCook() *cook {
	c := &cook{Began: e.mem.Now, Code: e.set.Code.Name, Under: e.mem.Prev, OvenOff: never, Proven: never}
	for i := range c.Since {
		c.Since[i] = never
	}
	return c
}

// followCook carries a lot's way to a proven endpoint through this sweep, after its integrals took it. It
// goes on in every stage: food that left the cook too early can still be proven.
func (e *Engine) followCook(l *lot) {
	if !l.CookSeen || !l.open() {
		return
	}
	c := l.Cook
	if c == nil {
		c = e.newCook()
		l.Cook = c
	}
	if c.Proof != "" && c.TableMet {
		return
	}
	// The air of an oven proves nothing about the food in it, nor does a leap, and a gap earns nothing.
	food := l.AllValid && !e.gap && !l.onAirOnly(e) && !l.Leap.Leapt
	e.followOven(l, c)
	e.followDwell(l, c, food)
	if c.Proof != "" {
		return
	}
	e.followLimits(l, c, food)
	if c.Proof == "" && food && l.Low-l.Guard >= tablesFrom {
		e.followTables(l, c)
	}
}

// tablesFrom is the first row of every time-temperature table: 130 °F.
const tablesFrom = sensor.Temp(54_444)

// followDwell begins the count of time for the tables anew once the food was not known to be at their first
// row for longer than the allowance: stretches add up (FSIS-GD-2021-14, Attachment A2), two cooks do not.
func (e *Engine) followDwell(l *lot, c *cook, food bool) {
	switch {
	case food && l.Low-l.Guard >= tablesFrom:
		c.Under = never
	case c.Under == never:
		c.Under = e.mem.Prev
	}
	if c.Under != never && e.mem.Now-c.Under > e.set.GapAllowance && l.Advice.Dwell.Highest != 0 {
		l.Advice.Dwell = microbe.Dwell{}
	}
	if !c.TableMet && food && l.Low-l.Guard >= tablesFrom {
		_, c.TableMet = met(e.tables.of(l.Food), &l.Advice.Dwell)
	}
}

// met looks a table up. A row that asks for no time still wants the probe to stay there for a moment.
func met(t *microbe.Table, d *microbe.Dwell) (microbe.Row, bool) {
	row, ok := t.Met(d)
	return row, ok && (row.Hold > 0 || d.At(row.Fahrenheit) >= momentHold)
}

// followLimits counts the unbroken time at or above each limit of the lot's food. The first reading at a
// limit begins the count and proves nothing; the line that led up to it says when.
func (e *Engine) followLimits(l *lot, c *cook, food bool) {
	code := e.code(l)
	if c.Code != code.Name || c.Guard != l.Guard { // other limits since
		fresh := e.newCook()
		c.Code, c.Guard, c.Since = fresh.Code, l.Guard, fresh.Since
	}
	for i := range code.Cooking {
		if i == len(c.Since) {
			break
		}
		k := &code.Cooking[i]
		if !food || l.Low < k.Temp || !slices.Contains(k.Foods, l.Food) {
			c.Since[i] = never
			continue
		}
		if c.Since[i] == never {
			c.Since[i] = e.risen(l, k.Temp)
			continue
		}
		if hold := max(k.Hold, momentHold); e.mem.Now-c.Since[i] >= hold {
			e.proveCook(l, ProvenByTemp, k.Temp, k.Hold, k.Basis, c.Since[i]+hold)
			return
		}
	}
}

// risen is when the last of a lot's probes rose over v in this step; now, when that cannot be told.
func (e *Engine) risen(l *lot, v sensor.Temp) time.Duration {
	last := never
	for i := range l.Members {
		m := &l.Members[i]
		if m.Until != forever {
			continue
		}
		before := e.mem.Probes[m.Probe].before
		if !before.Valid() || m.From > e.mem.Prev {
			return e.mem.Now // it was elsewhere, or silent
		}
		if before.Temp < v {
			last = max(last, segment{e.mem.Prev, e.mem.Now, before.Temp, e.read[m.Probe].Temp}.cross(v))
		}
	}
	if last == never {
		return e.mem.Now
	}
	return last
}

// followTables looks for the rows of the roast rule and of a table that the kitchen's plan allows.
func (e *Engine) followTables(l *lot, c *cook) {
	if r := e.code(l).Roast; r != nil && slices.Contains(r.Foods, l.Food) {
		if row, ok := met(&e.tables.roast, &l.Advice.Dwell); ok {
			c.RoastTime = true
			if c.OvenSeen && !c.OvenMissed {
				e.proveCook(l, ProvenByRoast, row.Temp(), row.Hold, r.Basis, e.mem.Now)
				return
			}
		}
	}
	if e.set.CookingPlan == "" || !planned(l.Food) {
		return
	}
	t := e.tables.of(l.Food)
	if row, ok := met(t, &l.Advice.Dwell); ok {
		e.proveCook(l, ProvenByPlan, row.Temp(), row.Hold,
			Citation{Document: t.Basis + ", " + t.Name + ", under " + e.set.CookingPlan, Confidence: Local}, e.mem.Now)
	}
}

// planned reports whether the published tables are written for a food: for meat and poultry alone.
func planned(food string) bool {
	switch food {
	case "beef", "pork", "injected", "ground", "poultry":
		return true
	}
	return false
}

// followOven watches whether the oven keeps the limit that the roast rule sets for it.
func (e *Engine) followOven(l *lot, c *cook) {
	if l.Stage != Cooking || c.OvenMissed {
		return
	}
	now := e.mem.Now
	c.Oven = e.set.Stations[l.Station].Oven
	limit := e.ovenOf(l)
	air := e.set.Stations[l.Station].Air
	ok := limit != nil && air >= 0 && e.read[air].Valid() && limit.holds(e.read[air].Temp, e.guardOf(0, air))
	if c.OvenOff == never && (!ok || e.gap) {
		c.OvenOff = e.mem.Prev
	}
	if c.OvenOff != never && now-c.OvenOff > ovenGrace {
		c.OvenMissed = true
	}
	if ok {
		c.OvenOff, c.OvenSeen = never, true
	}
}

// ovenOf is the roast rule's limit for the oven that a lot cooks in, nil where nothing says which.
func (e *Engine) ovenOf(l *lot) *OvenLimit {
	r := e.code(l).Roast
	if r == nil || l.Station < 0 {
		return nil
	}
	return r.ovenLimit(e.set.Stations[l.Station].Oven, l.Grams)
}

// proveCook records the endpoint, once.
func (e *Engine) proveCook(l *lot, by CookProof, t sensor.Temp, hold time.Duration, basis Citation, at time.Duration) {
	c := l.Cook
	c.Proof, c.Temp, c.Hold, c.Basis, c.Proven, c.ProvenI = by, t, hold, basis, at, e.instant(at)
	if !l.Advice.Hot { // what grew on the way up is dead; what survived begins here
		l.Advice.Hot, l.Advice.GrowthLow, l.Advice.GrowthHigh = true, microbe.Growth{}, microbe.Growth{}
	}
	ev := Event{Kind: CookProven, Since: c.ProvenI, Station: e.stationName(l.Station), Lot: l.Name, Basis: basis.String(),
		Text: e.placed(l) + " is proven cooked: " + e.cookRule(c) + "."}
	if by != ProvenByCheck && l.AnyValid {
		low := l.Low
		ev.Temp, ev.Probe = &low, e.probeName(l.LowProbe)
	}
	e.emit(ev)
}

// checkCook lets a signed hand check of the coldest piece prove an endpoint that asks for no time; it
// returns what there is to say.
func (e *Engine) checkCook(m *Mark, l *lot, at time.Duration) string {
	limit := e.code(l).momentLimit(l.Food)
	if !l.CookSeen || l.Cook == nil || l.Cook.Proof != "" || limit == nil || *m.Temp < limit.Temp {
		return ""
	}
	if m.By == "" {
		return " Sign the check (by) for it to prove the cook."
	}
	e.proveCook(l, ProvenByCheck, limit.Temp, 0, limit.Basis, at)
	return " That proves it cooked."
}

// cookOwed reports whether a lot that was seen cooking has left before a proven endpoint. Where the code
// names none, having been at the hot limit is all that can be asked.
func (e *Engine) cookOwed(l *lot) bool {
	switch {
	case !l.CookSeen || l.Stage == Cooking:
		return false
	case e.code(l).cookLimit(l.Food) == nil:
		return !l.Arrived
	}
	return l.Cook == nil || l.Cook.Proof == ""
}

// cookLeft is the ruling on a lot that owes its endpoint.
func (e *Engine) cookLeft(l *lot) ruling {
	basis := e.code(l).Reheat.Basis
	if k := e.code(l).cookLimit(l.Food); k != nil {
		basis = k.Basis
	}
	return ruling{Act, reasonCookLeft, never, basis}
}

// unseeCook takes back that a lot was seen cooking, when the move to the cook is undone while it is still
// there: at once, or signed. What has left the cook, or was proven, stays seen: a slip is no way out of an
// endpoint that is owed.
func (e *Engine) unseeCook(m *Mark, l *lot, f *fact) {
	c := l.Cook
	if !f.CookUnseen || l.Stage != Cooking || c != nil && (c.Proof != "" || m.By == "" && e.mem.Now-c.Began > ovenGrace) {
		return
	}
	l.CookSeen, l.Cook = false, nil
}
