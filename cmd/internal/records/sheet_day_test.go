package records

import (
	"fmt"
	"math"
	"testing"
	"time"

	"holdbell/rules"
	"holdbell/rules/foodcode"
)

// eight is a kitchen of eight stations and six leads that go with the food.
func eight(t testing.TB) *rules.Setup {
	t.Helper()
	code, err := foodcode.Lookup("us-fda-2022")
	if err != nil {
		t.Fatal(err)
	}
	s := &rules.Setup{Site: "eight-stations", Units: rules.Fahrenheit, GapAllowance: 5 * time.Minute, Code: code}
	for i, of := range []struct {
		name    string
		purpose rules.Purpose
	}{{"pit-1", rules.Cooking}, {"pit-2", rules.Cooking}, {"warmer-1", rules.HotHolding}, {"warmer-2", rules.HotHolding},
		{"counter", rules.HotHolding}, {"chill", rules.Cooling}, {"walkin", rules.ColdHolding}, {"oven", rules.Reheating}} {
		s.Probes = append(s.Probes, rules.ProbeSetup{Name: of.name + "-air"})
		s.Stations = append(s.Stations, rules.StationSetup{Name: of.name, Purpose: of.purpose, Air: i})
	}
	for i := range 6 {
		s.Stations[0].Food = append(s.Stations[0].Food, len(s.Probes))
		s.Probes = append(s.Probes, rules.ProbeSetup{Name: "lead-" + string(rune('1'+i))})
	}
	return s
}

// The probes of eight, by their places.
const (
	warmerAir = 2
	lead1     = 8
)

// shift is a working day in that kitchen: a probe goes towards what is around it, as fast as its piece is thick.
type shift struct {
	*kitchen
	begun   time.Duration // five in the morning of its day
	around  []float64
	minutes []float64 // after which two thirds of the way are done
}

func newShift(t testing.TB) *shift {
	temps := []float64{250, 280, 155, 150, 160, 36, 37, 350, 60, 60, 60, 60, 60, 60}
	s := &shift{kitchen: kitchenOf(t, eight(t), temps...), around: append([]float64{}, temps...), minutes: make([]float64, len(temps))}
	for i := range s.minutes {
		s.minutes[i] = 10
	}
	return s
}

// put takes a lead to what is around its piece.
func (s *shift) put(lead int, around, minutes float64) {
	s.around[lead1+lead-1], s.minutes[lead1+lead-1] = around, minutes
}

// hand is a mark that tells what a hand thermometer reads beside a lead, a degree less.
func (s *shift) hand(lot, station, by string, lead int, where string) {
	s.say(fmt.Sprintf("check,%s,%s,%s,,F=%.0f %s", lot, station, by, s.temps[lead1+lead-1]-1, where))
}

// until lets the day go on to a time of it.
func (s *shift) until(h, m int) {
	s.t.Helper()
	for end := s.begun + time.Duration(h-5)*time.Hour + time.Duration(m)*time.Minute; s.now < end; {
		for i := range s.temps {
			s.temps[i] += (s.around[i] - s.temps[i]) / s.minutes[i]
			s.temps[i] += 0.3 * math.Sin(float64(s.number)*float64(i+1)/7) // thermostats and fires
		}
		s.sweep()
	}
	s.flush()
}

// eightStations plays a day from five to midnight: two briskets, a shoulder that is chilled, ribs that fall cold and
// are reheated, chicken, beans, a dead probe, a power cut.
func eightStations(t testing.TB) *shift { return newShift(t).busy() }

func (s *shift) busy() *shift {
	begin := func(lead int, temp float64) { s.temps[lead1+lead-1] = temp }
	for _, m := range []string{"walkin-air,32F,32.5F,shift lead", "lead-1,32F,33F,shift lead", "lead-4,32F,34.9F,"} {
		f := splitN(m)
		s.say("calibrate,,," + f[3] + ",,probe=" + f[0] + " ref=ice true=" + f[1] + " read=" + f[2])
	}
	s.until(5, 20)
	begin(1, 40)
	begin(2, 41)
	s.put(1, 215, 200)
	s.put(2, 212, 230)
	s.say("load,brisket-1,pit-1,pit hand,,food=beef probe=lead-1 lb=13.2 salt and pepper").say("load,brisket-2,pit-1,pit hand,,food=beef probe=lead-2 lb=14.8 the thick one")
	s.until(6, 10)
	begin(3, 40)
	s.put(3, 225, 150)
	s.say("load,shoulder,pit-2,pit hand,,food=pork probe=lead-3 lb=8.1")
	s.until(9, 0)
	begin(4, 40)
	s.put(4, 240, 110)
	s.say("load,ribs,pit-2,pit hand,,food=pork probe=lead-4").say("rotate,,pit-1,pit hand,,racks turned")
	s.until(10, 30)
	begin(5, 39)
	s.put(5, 260, 90)
	s.say("load,chicken,pit-2,line cook,,food=poultry probe=lead-5 twelve halves")
	s.dead[lead1+1] = true
	s.until(10, 50)
	s.dead[lead1+1] = false
	s.say("acknowledge,,pit-1,pit hand,,alarm=probe-fault plug had worked loose").say("wrap,brisket-1,pit-1,pit hand,,paper").say("wrap,brisket-2,pit-1,pit hand,,paper")
	s.until(11, 40)
	begin(6, 45)
	s.put(6, 260, 55)
	s.say("load,beans,oven,line cook,,food=vegetable probe=lead-6 made=packaged two pans of yesterday's")
	s.until(12, 15)
	s.hand("ribs", "pit-2", "line cook", 4, "between the bones")
	s.say("move,ribs,counter,line cook,,")
	s.put(4, 158, 90)
	s.until(12, 40)
	s.hand("chicken", "pit-2", "line cook", 5, "thigh at the bone")
	s.say("move,chicken,counter,line cook,,").say("move,beans,counter,line cook,,")
	s.put(5, 158, 90)
	s.put(6, 158, 90)
	s.until(13, 30)
	s.say("move,brisket-1,warmer-1,pit hand,,")
	s.put(1, 155, 120)
	s.until(14, 5)
	s.say("move,brisket-2,warmer-2,,,").say("move,shoulder,warmer-2,,,")
	s.put(2, 150, 120)
	s.put(3, 150, 120)
	s.until(14, 20)
	s.put(4, 90, 70) // the counter's breaker trips over the ribs' side
	s.until(15, 20)
	s.say("acknowledge,,counter,shift lead,,breaker").say("corrective,ribs,counter,shift lead,,breaker had tripped; ribs go to the oven; kettle moved to another circuit").say("move,ribs,oven,shift lead,,")
	s.put(4, 330, 90)
	s.until(15, 50)
	s.hand("ribs", "oven", "shift lead", 4, "thickest bone")
	s.say("move,ribs,counter,shift lead,,")
	s.put(4, 160, 90)
	s.until(17, 0)
	s.say("serve,,counter,line cook,,doors open").say("serve,brisket-1,warmer-1,line cook,,")
	s.until(17, 30)
	s.off(12 * time.Minute) // the board is without power
	s.until(20, 0)
	s.say("close,ribs,counter,line cook,,sold out").say("close,chicken,counter,line cook,,sold out").say("close,beans,counter,,,").say("move,shoulder,chill,night cook,,two-inch pans")
	s.put(3, 33, 60)
	s.until(20, 45)
	s.hand("brisket-2", "warmer-2", "", 2, "flat")
	s.say("close,brisket-1,warmer-1,line cook,,sold out")
	s.until(22, 10)
	s.say("discard,brisket-2,warmer-2,shift lead,,end of service; staff did not want it")
	s.until(23, 20)
	s.say("move,shoulder,walkin,night cook,,lids are on").say("handover,,,night cook,,lids on; walkin door seal is worn")
	s.put(3, 36, 60)
	s.until(24, 0)
	return s
}
