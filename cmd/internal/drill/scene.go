package main

import (
	"cmp"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"holdbell/rules"
	"holdbell/rules/foodcode"
	"holdbell/sensor"
	"holdbell/sensor/condition"
	"holdbell/sensor/its90"
	"holdbell/sensor/kitchen"
	"holdbell/sensor/kitchen/heat"
)

// scene is one simulated kitchen: what stands in it, what happens, what the people mark, and what the script knows
// to be wrong. Truths that temperatures tell are taken from the simulator while it runs, never from the Engine.
type scene struct {
	seed   uint64
	family string
	rng    *rand.Rand
	plan   kitchen.Plan
	setup  rules.Setup
	length time.Duration
	marks  []timedMark
	cuts   []cut
	faults []fault   // of probes
	causes []failure // of heat
	opened []opening // doors; made into events at the end, so that a short opening shuts no door that was left open
}

// opening is a time for which a door is open.
type opening struct {
	station string
	span
}

// span is a stretch of a kitchen's time.
type span struct{ from, until time.Duration }

// timedMark is what a person tells the daemon; with celsius the truth of a hand thermometer in a food is filled in.
type timedMark struct {
	at     time.Duration
	fields rules.MarkFields
	check  string  // the food whose core is measured by hand
	off    float64 // by how much the hand thermometer is off, °C
}

// cut is a time without power on the board. Its wall clock is believed afterwards, or not.
type cut struct {
	from, until time.Duration
	believed    bool
}

// faultKind is what is wrong with a probe.
type faultKind string

const (
	faultOpen   faultKind = "open"
	faultGround faultKind = "short to ground"
	faultSupply faultKind = "short to supply"
	faultBus    faultKind = "dead line"
	faultFrozen faultKind = "frozen"
	faultOut    faultKind = "out of its food"
	faultNoisy  faultKind = "noisy"
	faultDrift  faultKind = "drifting"
)

// faultKinds in the order of the confusion list.
var faultKinds = []faultKind{faultOpen, faultGround, faultSupply, faultBus, faultFrozen, faultOut, faultNoisy, faultDrift}

// fault is one true fault of a probe; until is the end of the kitchen where nobody mends it.
type fault struct {
	probe       string
	kind        faultKind
	chip        string
	from, until time.Duration
}

// failure is one true failure of a station's heat or cold, or a door left open.
type failure struct {
	station, what string
	from, until   time.Duration
}

func newScene(seed uint64, family string) *scene {
	code, err := foodcode.Lookup(foodcode.USFDA2022)
	if err != nil {
		panic(err) // a name of the package's own
	}
	s := &scene{seed: seed, family: family, rng: rand.New(rand.NewPCG(seed, 0x686f6c6462656c6c))}
	s.plan = kitchen.Plan{Seed: seed, Room: s.between(12, 30)}
	s.setup = rules.Setup{Site: "drill", Units: rules.Fahrenheit, GapAllowance: 5 * time.Minute, Code: code}
	return s
}

// between draws a figure, evenly.
func (s *scene) between(low, high float64) float64 { return low + (high-low)*s.rng.Float64() }

// span draws a time, evenly, to the second.
func (s *scene) span(low, high time.Duration) time.Duration {
	return low + time.Duration(s.rng.Int64N(int64((high-low)/time.Second)+1))*time.Second
}

// often is true in so many of a hundred kitchens.
func (s *scene) often(percent int) bool { return s.rng.IntN(100) < percent }

func (s *scene) do(at time.Duration, a kitchen.Action) {
	s.plan.Script = append(s.plan.Script, kitchen.Event{At: at, Do: a})
}

// probe wires a probe: of a food, or of a station's air.
func (s *scene) probe(name string, at kitchen.Place) int {
	n := len(s.plan.Probes)
	p := kitchen.Probe{Name: name, Chip: "max31855", Bus: fmt.Sprintf("SPI%d.%d", n/2, n%2), Type: its90.K, At: at}
	if s.often(50) {
		p.Chip = "max31856"
	}
	p.Lag, p.Noise = s.span(4*time.Second, 12*time.Second), s.between(0.03, 0.25)
	if at.Food == "" {
		p.Lag = s.span(10*time.Second, 40*time.Second)
	}
	s.plan.Probes = append(s.plan.Probes, p)
	s.setup.Probes = append(s.setup.Probes, rules.ProbeSetup{Name: name, Condition: condition.Default()})
	return n
}

// station tells the rules of a station of the plan; its probes are wired first.
func (s *scene) station(name string, purpose rules.Purpose, air int, food []int, low, high float64) {
	st := rules.StationSetup{Name: name, Purpose: purpose, Air: air, Food: food}
	st.Band = &rules.Band{Low: celsius(low), High: celsius(high)}
	s.setup.Stations = append(s.setup.Stations, st)
}

func celsius(c float64) sensor.Temp {
	t, _ := sensor.FromCelsius(c)
	return t
}

// pieces is so many litres of equal pieces of one thickness in m, as one body: what they have in common is how fast
// they warm and cool.
func (s *scene) pieces(name, station string, litres, thick, start float64) kitchen.Food {
	shape := heat.Box(s.between(0.30, 0.42), s.between(0.20, 0.28), thick)
	shape.Area *= litres / 1000 / shape.Volume()
	f := kitchen.Food{Name: name, Station: station, Start: start, Wrapped: true, Shape: shape, Made: heat.CookedBrisket()}
	s.plan.Foods = append(s.plan.Foods, f)
	return f
}

// warmer is a holding cabinet in use, slow or fast, with 6 to 40 L of hot food and a probe in the coldest piece. It
// gives the setpoint.
func (s *scene) warmer() float64 {
	set := s.between(62, 74)
	c := kitchen.HoldingCabinet("warmer", set)
	big := math.Exp(s.between(math.Log(0.5), math.Log(1.8)))
	c.Air, c.Walls, c.Inner, c.Outer = c.Air*big, c.Walls*big, c.Inner*big, c.Outer*big*s.between(0.7, 1.8)
	c.Gap, c.Door, c.Film = c.Gap*s.between(0.5, 4), c.Door*s.between(0.6, 1.5), s.between(7, 14)
	c.Heater.Watts = max(900*big, 1.6*(c.Inner*c.Outer/(c.Inner+c.Outer)+c.Gap)*(set-s.plan.Room))
	c.Heater.Swing, c.Heater.Lag = s.between(2, 5), s.span(20*time.Second, time.Minute)
	s.plan.Stations = append(s.plan.Stations, c)

	litres := s.between(6, 40)
	if s.often(25) { // pieces of another cut beside the one with the probe: thicker, hence later to fall
		s.pieces("others", "warmer", litres/2, s.between(0.07, 0.11), s.between(63, 78))
		litres /= 2
	}
	s.pieces("brisket", "warmer", litres, s.between(0.035, 0.09), s.between(60, 74))
	if s.often(15) { // pans of sauce, stirred now and then, so of one temperature: 3.8 kJ/kgK, from memory
		f := &s.plan.Foods[len(s.plan.Foods)-1]
		f.Wrapped = s.often(50)
		f.Shape, f.Capacity, f.Area = heat.Shape{}, litres*3800, litres*s.between(0.02, 0.05)
	}
	core := s.probe("warmer-core", kitchen.Place{Food: "brisket", Depth: s.between(0, 0.3)})
	air := s.probe("warmer-air", kitchen.Place{Station: "warmer"})
	s.station("warmer", rules.HotHolding, air, []int{core}, set-6, set+8)
	if s.often(50) {
		s.mark(10*time.Minute, rules.MarkFields{Mark: "load", Lot: "brisket-1", Station: "warmer", Note: "food=beef probe=warmer-core"})
	}
	return set
}

// doors opens a station for service, shortly, again and again until the end.
func (s *scene) doors(station string, every, longest time.Duration) {
	for at := s.span(10*time.Minute, every); at < s.length-10*time.Minute; at += s.span(every/2, every*3/2) {
		s.open(station, at, s.span(10*time.Second, longest))
	}
}

// open opens a door for a time.
func (s *scene) open(station string, at, long time.Duration) {
	s.opened = append(s.opened, opening{station, span{at, at + long}})
}

// hang puts the doors into the script: openings that overlap are one.
func (s *scene) hang() {
	slices.SortFunc(s.opened, func(a, b opening) int { return cmp.Compare(a.from, b.from) })
	for i := range s.plan.Stations {
		name := s.plan.Stations[i].Name
		shut := time.Duration(-1)
		for _, o := range s.opened {
			if o.station != name {
				continue
			}
			if o.from > shut {
				if shut >= 0 {
					s.do(shut, kitchen.Door{Station: name})
				}
				s.do(o.from, kitchen.Door{Station: name, Open: true})
			}
			shut = max(shut, o.until)
		}
		if shut >= 0 {
			s.do(shut, kitchen.Door{Station: name})
		}
	}
}

func (s *scene) mark(at time.Duration, f rules.MarkFields) {
	f.ID = fmt.Sprintf("mark-%d", len(s.marks)+1)
	s.marks = append(s.marks, timedMark{at: at, fields: f})
}

// checks has somebody measure a food by hand every so often, and sign it. Hand thermometers are good to ±1 °C
// (±2 °F, FDA Food Code 2022 4-203.11).
func (s *scene) checks(lot, station, food string, every time.Duration) {
	for at := s.span(every/2, every); at < s.length-time.Minute; at += every {
		s.mark(at, rules.MarkFields{Mark: "check", Lot: lot, Station: station, By: "cook"})
		m := &s.marks[len(s.marks)-1]
		m.check, m.off = food, s.between(-0.7, 0.7)
	}
}

// fails notes a true failure of heat, for the drill alone.
func (s *scene) fails(station, what string, from, until time.Duration) {
	s.causes = append(s.causes, failure{station, what, from, until})
}

// breaks notes a true fault of a probe, for the drill alone.
func (s *scene) breaks(probe string, kind faultKind, from, until time.Duration) {
	for _, p := range s.plan.Probes {
		if p.Name == probe {
			s.faults = append(s.faults, fault{probe, kind, p.Chip, from, until})
		}
	}
}

// lotName is the lot that stands in the warmer.
func (s *scene) lotName() string {
	for _, m := range s.marks {
		if m.fields.Mark == "load" {
			return m.fields.Lot
		}
	}
	return "warmer"
}
