package main

import (
	"time"

	"holdbell/rules"
	"holdbell/sensor/kitchen"
	"holdbell/sensor/kitchen/chip"
	"holdbell/sensor/kitchen/heat"
)

// family is one way in which a day can go. Its figures are drawn anew for each seed.
type family struct {
	name  string
	build func(s *scene)
}

// families in the order in which seeds take them in turn.
var families = []family{
	{"quiet", func(s *scene) { s.hold(9*time.Hour, 40*time.Minute, 40*time.Second) }},
	{"busy", func(s *scene) { s.hold(8*time.Hour, 12*time.Minute, 75*time.Second) }},
	{"long loading", longLoading},
	{"door left open", doorLeftOpen},
	{"breaker trips", func(s *scene) { s.breaker(false) }},
	{"breaker is reset", func(s *scene) { s.breaker(true) }},
	{"element half dead", halfDead},
	{"thermostat stuck off", func(s *scene) { s.thermostat(kitchen.StuckOff, "thermostat stuck off") }},
	{"thermostat stuck on", func(s *scene) { s.thermostat(kitchen.StuckOn, "thermostat stuck on") }},
	{"turned down", turnedDown},
	{"probe out, in the cabinet", func(s *scene) { s.pulled(kitchen.Place{Station: "warmer"}) }},
	{"probe out, in the room", func(s *scene) { s.pulled(kitchen.Place{}) }},
	{"probe open", func(s *scene) { s.lead(chip.Open, faultOpen) }},
	{"probe to ground", func(s *scene) { s.lead(chip.ToGround, faultGround) }},
	{"probe to supply", func(s *scene) { s.lead(chip.ToSupply, faultSupply) }},
	{"dead line", deadLine},
	{"frozen chip", frozen},
	{"loose plug", loosePlug},
	{"probe drifts", drifts},
	{"probe noisy", noisy},
	{"open, then breaker", openThenBreaker},
	{"power cut of the board", func(s *scene) { s.powerCut(false) }},
	{"power cut of all", func(s *scene) { s.powerCut(true) }},
	{"cold food into the warmer", coldLoad},
	{"air alone, quiet", func(s *scene) { s.airAlone(false) }},
	{"air alone, breaker", func(s *scene) { s.airAlone(true) }},
	{"pit, quiet", func(s *scene) { s.pit(); s.feed(s.length); s.lids() }},
	{"pit, fire dies", fireDies},
	{"pit in the rain", rainOnThePit},
	{"cooling, too thick", func(s *scene) { s.cooling(s.between(0.07, 0.12), s.between(10, 25), false) }},
	{"cooling well", func(s *scene) { s.cooling(s.between(0.02, 0.035), s.between(2, 6), true) }},
	{"chiller, quiet", func(s *scene) { s.chiller(); s.doors("walkin", 25*time.Minute, 45*time.Second) }},
	{"chiller dies", chillerDies},
	{"chiller ajar", chillerAjar},
}

// build makes the kitchen of a seed. Odd seeds are for tuning, even ones for the report: each family gets as many
// of both.
func build(seed uint64) *scene {
	f := families[(seed-1)/2%uint64(len(families))]
	s := newScene(seed, f.name)
	f.build(s)
	s.hang()
	return s
}

// hold is a warmer in service.
func (s *scene) hold(length, every, longest time.Duration) {
	s.length = length
	s.warmer()
	s.doors("warmer", every, longest)
	if s.often(30) {
		s.checks(s.lotName(), "warmer", "brisket", 2*time.Hour)
	}
}

// begin is a warmer in ordinary service for so long, and when something goes wrong in it.
func (s *scene) begin(length time.Duration) time.Duration {
	s.hold(length, 35*time.Minute, 45*time.Second)
	return s.span(75*time.Minute, 3*time.Hour)
}

func longLoading(s *scene) {
	at := s.begin(7 * time.Hour)
	long := s.span(5*time.Minute, 15*time.Minute)
	s.pieces("load", "", s.between(3, 15), s.between(0.04, 0.08), s.between(60, 75))
	s.open("warmer", at, long)
	s.do(at+long/2, kitchen.Load{Food: "load", Station: "warmer"})
}

func doorLeftOpen(s *scene) {
	at := s.begin(8 * time.Hour)
	long := s.span(25*time.Minute, 3*time.Hour)
	s.open("warmer", at, long)
	s.fails("warmer", "door left open", at, at+long)
}

func (s *scene) breaker(reset bool) {
	at := s.begin(13 * time.Hour)
	s.do(at, kitchen.Breaker{Station: "warmer", Tripped: true})
	until := s.length
	if reset {
		until = at + s.span(20*time.Minute, 100*time.Minute)
		s.do(until, kitchen.Breaker{Station: "warmer"})
	}
	s.fails("warmer", "breaker tripped", at, until)
}

func halfDead(s *scene) {
	at := s.begin(13 * time.Hour)
	s.do(at, kitchen.Element{Station: "warmer", Share: s.between(0.1, 0.5)})
	s.fails("warmer", "element half dead", at, s.length)
}

func (s *scene) thermostat(is kitchen.Stuck, what string) {
	at := s.begin(9 * time.Hour)
	s.do(at, kitchen.Thermostat{Station: "warmer", Is: is})
	s.fails("warmer", what, at, s.length)
}

func turnedDown(s *scene) {
	at := s.begin(13 * time.Hour)
	s.do(at, kitchen.Setpoint{Station: "warmer", Celsius: s.between(40, 54)})
	s.fails("warmer", "turned down", at, s.length)
}

// mended is when somebody sees to a probe: in half of the kitchens never.
func (s *scene) mended(from time.Duration) time.Duration {
	if s.often(50) {
		return s.length
	}
	return min(from+s.span(20*time.Minute, 90*time.Minute), s.length)
}

func (s *scene) pulled(to kitchen.Place) {
	at := s.begin(7 * time.Hour)
	until := s.mended(at)
	s.do(at, kitchen.Put{Probe: "warmer-core", At: to})
	if until < s.length {
		s.do(until, kitchen.Put{Probe: "warmer-core", At: kitchen.Place{Food: "brisket"}})
	}
	s.breaks("warmer-core", faultOut, at, until)
}

func (s *scene) lead(is chip.Wiring, kind faultKind) {
	at := s.begin(6 * time.Hour)
	until := s.mended(at)
	probe := "warmer-core"
	if s.often(30) {
		probe = "warmer-air"
	}
	s.do(at, kitchen.Lead{Probe: probe, Is: is})
	if until < s.length {
		s.do(until, kitchen.Lead{Probe: probe})
	}
	s.breaks(probe, kind, at, until)
}

func deadLine(s *scene) {
	at := s.begin(6 * time.Hour)
	until := s.mended(at)
	is := kitchen.AllLow
	if s.often(50) {
		is = kitchen.AllHigh
	}
	s.do(at, kitchen.Line{Probe: "warmer-core", Is: is})
	if until < s.length {
		s.do(until, kitchen.Line{Probe: "warmer-core"})
	}
	s.breaks("warmer-core", faultBus, at, until)
}

func frozen(s *scene) {
	at := s.begin(11 * time.Hour)
	s.do(at, kitchen.Hang{Probe: "warmer-core"})
	s.breaks("warmer-core", faultFrozen, at, s.length)
}

// loosePlug opens the lead for 10 to 40 s every few minutes.
func loosePlug(s *scene) {
	from := s.begin(6 * time.Hour)
	until := s.mended(from)
	for at := from; at < until-time.Minute; {
		long := s.span(10*time.Second, 40*time.Second)
		s.do(at, kitchen.Lead{Probe: "warmer-core", Is: chip.Open})
		s.do(at+long, kitchen.Lead{Probe: "warmer-core"})
		at += long + s.span(30*time.Second, 4*time.Minute)
	}
	s.breaks("warmer-core", faultOpen, from, until)
}

// drifts has the probe go off by 1 to 4 °C an hour, and somebody who checks by hand as the house rules say.
func drifts(s *scene) {
	at := s.begin(9 * time.Hour)
	rate := s.between(1, 4)
	if s.often(50) {
		rate = -rate
	}
	s.do(at, kitchen.Drift{Probe: "warmer-core", PerHour: rate})
	s.breaks("warmer-core", faultDrift, at, s.length)
	s.checks(s.lotName(), "warmer", "brisket", 75*time.Minute)
}

// noisy is a bad contact: readings scatter by some degrees.
func noisy(s *scene) {
	at := s.begin(6 * time.Hour)
	until := s.mended(at)
	s.do(at, kitchen.Noise{Probe: "warmer-core", StdDev: s.between(3, 15)})
	if until < s.length {
		s.do(until, kitchen.Noise{Probe: "warmer-core", StdDev: 0.15})
	}
	s.breaks("warmer-core", faultNoisy, at, until)
}

func openThenBreaker(s *scene) {
	at := s.begin(13 * time.Hour)
	s.do(at, kitchen.Lead{Probe: "warmer-core", Is: chip.Open})
	s.breaks("warmer-core", faultOpen, at, s.length)
	at += s.span(time.Minute, 30*time.Minute)
	s.do(at, kitchen.Breaker{Station: "warmer", Tripped: true})
	s.fails("warmer", "breaker tripped", at, s.length)
}

// powerCut takes the board's supply, and with all the cabinet's too, which then stays off for good in half of the
// kitchens: a breaker that feeds both.
func (s *scene) powerCut(all bool) {
	at := s.begin(9 * time.Hour)
	long := s.span(time.Minute, 40*time.Minute)
	if all {
		long = s.span(10*time.Minute, 2*time.Hour)
		s.do(at, kitchen.Breaker{Station: "warmer", Tripped: true})
		until := s.length
		if s.often(50) {
			until = at + long
			s.do(until, kitchen.Breaker{Station: "warmer"})
		}
		s.fails("warmer", "power cut", at, until)
	}
	s.cuts = append(s.cuts, cut{at, at + long, s.often(70)})
}

// coldLoad puts food that is not hot into a cabinet that cannot heat it in time, and says so with a mark.
func coldLoad(s *scene) {
	s.length = 6 * time.Hour
	s.warmer()
	s.doors("warmer", 35*time.Minute, 45*time.Second)
	at := s.span(40*time.Minute, 90*time.Minute)
	s.pieces("cold", "", s.between(3, 10), s.between(0.04, 0.08), s.between(20, 50))
	s.open("warmer", at, 90*time.Second)
	s.do(at+time.Minute, kitchen.Load{Food: "cold", Station: "warmer"})
	s.do(at+time.Minute, kitchen.Put{Probe: "warmer-core", At: kitchen.Place{Food: "cold"}})
	s.mark(at+time.Minute, rules.MarkFields{Mark: "load", Lot: "late-1", Station: "warmer", Note: "fresh probe=warmer-core"})
}

// airAlone is a cabinet without a probe in its food.
func (s *scene) airAlone(trips bool) {
	at := s.begin(8 * time.Hour)
	s.setup.Stations[0].Food = nil
	s.marks = nil
	if trips {
		s.do(at, kitchen.Breaker{Station: "warmer", Tripped: true})
		s.fails("warmer", "breaker tripped", at, s.length)
	}
}

// pit is a fire pit with meat that is well on its way, and a probe in it.
func (s *scene) pit() {
	set := s.between(115, 140)
	p := kitchen.SmokePit("pit", set)
	big := s.between(0.7, 1.5)
	p.Air, p.Walls, p.Inner, p.Outer = p.Air*big, p.Walls*big, p.Inner*big, p.Outer*big
	p.Fire.Burn *= big * s.between(0.9, 1.3)
	s.plan.Stations = append(s.plan.Stations, p)
	s.plan.Room = s.between(5, 30)
	shape := heat.Box(s.between(0.2, 0.35), s.between(0.15, 0.22), s.between(0.06, 0.1))
	shape.Area *= s.between(1, 4)
	s.plan.Foods = append(s.plan.Foods, kitchen.Food{Name: "pork", Station: "pit", Start: s.between(40, 54), Shape: shape,
		Made: heat.RawPorkShoulder()})
	core := s.probe("pit-core", kitchen.Place{Food: "pork"})
	air := s.probe("pit-air", kitchen.Place{Station: "pit"})
	s.station("pit", rules.Cooking, air, []int{core}, set-18, set+18)
	s.length = 10 * time.Hour
	s.mark(time.Minute, rules.MarkFields{Mark: "load", Lot: "pork-1", Station: "pit", Note: "food=pork probe=pit-core"})
}

// feed keeps the fire up until a time, the lid open for a minute each time.
func (s *scene) feed(until time.Duration) {
	for at := s.span(25*time.Minute, 40*time.Minute); at < until; at += s.span(35*time.Minute, 50*time.Minute) {
		s.open("pit", at, time.Minute)
		s.do(at, kitchen.Feed{Station: "pit", Kg: s.between(1, 1.4)})
	}
}

// lids has people look at the meat and turn it.
func (s *scene) lids() {
	for at := s.span(time.Hour, 90*time.Minute); at < s.length; at += s.span(50*time.Minute, 100*time.Minute) {
		s.open("pit", at, s.span(30*time.Second, 4*time.Minute))
	}
}

func fireDies(s *scene) {
	s.pit()
	at := s.span(2*time.Hour, 4*time.Hour)
	s.feed(at)
	s.length = at + 8*time.Hour
	s.fails("pit", "fire dies", at, s.length)
}

func rainOnThePit(s *scene) {
	s.pit()
	s.feed(s.length)
	at := s.span(90*time.Minute, 3*time.Hour)
	until := at + s.span(30*time.Minute, 4*time.Hour)
	s.do(at, kitchen.Rain{Station: "pit", WattsPerKelvin: s.between(5, 30)})
	s.do(until, kitchen.Rain{Station: "pit"})
	s.fails("pit", "rain", at, until)
}

// cooling chills hot pieces in a reach-in, or in a chiller made for it.
func (s *scene) cooling(thick, litres float64, blast bool) {
	s.length = 9 * time.Hour
	c := kitchen.Chiller("chill", s.between(1, 3))
	if blast {
		c.Heater.Watts, c.Film = -2500, 30
	}
	s.plan.Stations = append(s.plan.Stations, c)
	s.pieces("leftovers", "", litres, thick, s.between(60, 72))
	s.plan.Foods[0].Wrapped = s.often(50)
	core := s.probe("chill-core", kitchen.Place{Food: "leftovers"})
	air := s.probe("chill-air", kitchen.Place{Station: "chill"})
	s.station("chill", rules.Cooling, air, []int{core}, -5, 15)
	s.do(2*time.Minute, kitchen.Load{Food: "leftovers", Station: "chill"})
	s.mark(2*time.Minute, rules.MarkFields{Mark: "load", Lot: "leftovers", Station: "chill", Note: "food=beef probe=chill-core"})
	s.doors("chill", time.Hour, 30*time.Second)
}

// chiller is a reach-in with cold food that is marked.
func (s *scene) chiller() {
	s.length = 8 * time.Hour
	set := s.between(1, 2.6)
	c := kitchen.Chiller("walkin", set)
	c.Heater.Swing = s.between(1, 2.5)
	s.plan.Stations = append(s.plan.Stations, c)
	s.pieces("cold", "walkin", s.between(6, 40), s.between(0.03, 0.08), s.between(set, 3.6))
	core := s.probe("walkin-core", kitchen.Place{Food: "cold"})
	air := s.probe("walkin-air", kitchen.Place{Station: "walkin"})
	s.station("walkin", rules.ColdHolding, air, []int{core}, -2, 8)
	s.mark(time.Minute, rules.MarkFields{Mark: "load", Lot: "cold-1", Station: "walkin", Note: "food=beef probe=walkin-core"})
}

func chillerDies(s *scene) {
	s.chiller()
	s.length = 12 * time.Hour
	s.doors("walkin", 25*time.Minute, 45*time.Second)
	at := s.span(time.Hour, 3*time.Hour)
	s.do(at, kitchen.Breaker{Station: "walkin", Tripped: true})
	s.fails("walkin", "breaker tripped", at, s.length)
}

func chillerAjar(s *scene) {
	s.chiller()
	s.length = 10 * time.Hour
	at := s.span(time.Hour, 3*time.Hour)
	long := s.span(30*time.Minute, 4*time.Hour)
	s.open("walkin", at, long)
	s.fails("walkin", "door left open", at, at+long)
}
