package kitchen

import (
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"holdbell/sensor/its90"
	"holdbell/sensor/kitchen/chip"
	"holdbell/sensor/kitchen/heat"
)

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

// truth of a name that must be there.
func truth[T any](v T, ok bool) T {
	if !ok {
		panic("no such name")
	}
	return v
}

func near(t rapid.TB, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %.6g, want %.6g within %.3g", what, got, want, tolerance)
	}
}

// TestCabinetIdles at the power that cabinets of its size are rated for: 294 W at 20 ft³ (ENERGY STAR v2.0),
// 299 W at 22.4 ft³ (FEMP), at 150 °F in a room of 75 °F.
func TestCabinetIdles(t *testing.T) {
	k := must(New(Plan{Room: fahrenheit(75), Stations: []Station{HoldingCabinet("box", fahrenheit(150))}}))
	k.Advance(4 * time.Hour)
	const hours = 6
	sum, low, high := 0.0, math.Inf(1), math.Inf(-1)
	for range hours * 3600 {
		k.Advance(time.Second)
		s := truth(k.Station("box"))
		sum += s.Power
		low, high = min(low, s.Air), max(high, s.Air)
	}
	near(t, "idle W", sum/(hours*3600), 300, 15)
	if low > fahrenheit(149) || high < fahrenheit(151) || low < fahrenheit(143) || high > fahrenheit(160) {
		t.Errorf("air swings from %.1f to %.1f °C", low, high)
	}
}

func TestHeaterFaults(t *testing.T) {
	air := func(d time.Duration, script ...Event) float64 {
		k := must(New(Plan{Room: 24, Stations: []Station{HoldingCabinet("box", 65)}, Script: script}))
		k.Advance(d)
		return truth(k.Station("box")).Air
	}
	at := time.Minute
	near(t, "left alone", air(5*time.Hour), 65, 4)
	near(t, "breaker tripped", air(20*time.Hour, Event{At: at, Do: Breaker{"box", true}}), 24, 1)
	near(t, "breaker reset", air(20*time.Hour, Event{At: at, Do: Breaker{"box", true}}, Event{At: 2 * time.Hour, Do: Breaker{"box", false}}), 65, 4)
	near(t, "a fifth of the element: 200 W on 7 W/K", air(20*time.Hour, Event{At: at, Do: Element{"box", 0.2}}), 24+200/7.024, 0.5)
	near(t, "burnt open", air(20*time.Hour, Event{At: at, Do: Thermostat{"box", StuckOff}}), 24, 1)
	if got := air(5*time.Hour, Event{At: at, Do: Thermostat{"box", StuckOn}}); got < 98 || got > 115 {
		t.Errorf("welded shut: %.1f °C, want the limiter's 100 to 110", got)
	}
	near(t, "turned down", air(9*time.Hour, Event{At: at, Do: Setpoint{"box", 50}}), 50, 4)
	if got := air(time.Hour, Event{At: at, Do: Door{"box", true}}); got > 45 {
		t.Errorf("door open for an hour: %.1f °C", got)
	}
	k := must(New(Plan{Room: 24, Stations: []Station{Chiller("cold", 3)}}))
	k.Advance(6 * time.Hour)
	near(t, "chiller", truth(k.Station("cold")).Air, 3, 3.5)
	if p := truth(k.Station("cold")).Power; p > 0 {
		t.Errorf("a chiller heats with %g W", p)
	}
}

// drawKitchen gives a plan of a cabinet, a chiller and a pit with foods in them and any script.
func drawKitchen(t *rapid.T) Plan {
	p := Plan{
		Seed:     rapid.Uint64().Draw(t, "seed"),
		Room:     rapid.Float64Range(10, 40).Draw(t, "room"),
		Stations: []Station{HoldingCabinet("box", 65), Chiller("cold", 3), SmokePit("pit", 135)},
		Foods: []Food{
			{Name: "piece", Station: "pit", Start: rapid.Float64Range(1, 90).Draw(t, "start"),
				Shape: heat.Box(0.3, 0.2, rapid.Float64Range(0.02, 0.1).Draw(t, "thick")), Made: heat.RawBrisket()},
			{Name: "pan", Start: 70, Capacity: 8000, Area: 0.15, Wrapped: true},
		},
		Probes: []Probe{
			{Name: "air", Chip: "max31856", Bus: "SPI0.0", Type: its90.K, At: Place{Station: "box"}, Lag: 15 * time.Second, Noise: 0.2},
			{Name: "core", Chip: "max31855", Bus: "SPI0.1", Type: its90.K, At: Place{Food: "piece"}, Lag: 5 * time.Second, Noise: 0.1},
		},
	}
	stations := rapid.SampledFrom([]string{"box", "cold", "pit"})
	foods := rapid.SampledFrom([]string{"piece", "pan"})
	probes := rapid.SampledFrom([]string{"air", "core"})
	action := rapid.Custom(func(t *rapid.T) Action {
		station, food, probe := stations.Draw(t, "station"), foods.Draw(t, "food"), probes.Draw(t, "probe")
		some := rapid.Float64Range(0, 1).Draw(t, "some")
		return rapid.SampledFrom([]Action{
			Door{station, some > 0.5}, Breaker{"box", some > 0.5}, Element{"box", some}, Thermostat{"cold", Stuck(some * 2.99)},
			Setpoint{station, some * 150}, Feed{"pit", some * 3}, Load{food, station}, Remove{food}, Wrap{food, some > 0.5},
			Put{probe, Place{Food: food, Depth: some}}, Put{probe, Place{Station: station}}, Put{probe, Place{}},
			Lead{probe, chip.Wiring(some * 4.99)}, Drift{probe, some * 10}, Noise{probe, some}, Line{probe, DeadLine(some * 3.99)},
			PowerCycle{probe}, Board{probe, some * 150}, Hang{probe, some > 0.5}, Rain{station, some * 40}, Room{10 + some*30},
		}).Draw(t, "do")
	})
	p.Script = rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Event {
		return Event{At: time.Duration(rapid.Int64Range(0, int64(2*time.Hour)).Draw(t, "at")),
			Every: time.Duration(rapid.SampledFrom([]int64{0, 0, int64(17 * time.Minute)}).Draw(t, "every")), Do: action.Draw(t, "action")}
	}), 0, 12).Draw(t, "script")
	return p
}

// balance is what the air and walls of all stations hold less all that entered them: the same at any time.
func (k *Kitchen) balance() (held, scale float64) {
	for _, s := range k.stationList {
		held += s.stored() - s.flows.source + s.flows.food + s.flows.room
		scale += math.Abs(s.stored()) + math.Abs(s.flows.source) + math.Abs(s.flows.food) + math.Abs(s.flows.room)
	}
	return held, scale
}

// TestNoHeatIsLost whatever happens in the kitchen; and no temperature leaves what the hottest and coldest
// things there could make of it.
func TestNoHeatIsLost(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := must(New(drawKitchen(t)))
		before, _ := k.balance()
		for range 12 {
			k.Advance(time.Duration(rapid.Int64Range(0, int64(20*time.Minute)).Draw(t, "advance")))
			after, scale := k.balance()
			near(t, "balance", after, before, 1e-9*scale)
			for _, s := range k.stationList {
				if !(s.air > -60 && s.air < 600) {
					t.Fatalf("%s at %g °C", s.plan.Name, s.air)
				}
			}
			for _, f := range k.foodList {
				if v := f.piece.Coldest(); !(v > -60 && v <= f.piece.Mean()+1e-9 && f.piece.Mean() < 600) {
					t.Fatalf("%s: coldest %g, mean %g °C", f.plan.Name, v, f.piece.Mean())
				}
			}
			if f := k.stations["pit"].fire; f.bed < 0 || f.fresh < 0 || f.damper < 0 || f.damper > 1 {
				t.Fatalf("a fire of %+v", f)
			}
		}
	})
}

// TestPartsDoNotMatter: the same stretch of time in one part or in many whole seconds ends in the same state,
// bit for bit.
func TestPartsDoNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := drawKitchen(t)
		whole, parts := must(New(p)), must(New(p))
		seconds := rapid.SliceOfN(rapid.IntRange(1, 700), 1, 10).Draw(t, "parts")
		sum := 0
		for _, s := range seconds {
			parts.Advance(time.Duration(s) * time.Second)
			sum += s
		}
		whole.Advance(time.Duration(sum) * time.Second)
		for i, s := range whole.stationList {
			if o := parts.stationList[i]; s.air != o.air || s.walls != o.walls || s.flows != o.flows {
				t.Fatalf("%s: %v and %v", s.plan.Name, s, o)
			}
		}
		for i, p := range whole.probeList {
			if o := parts.probeList[i]; p.tip != o.tip || p.drift != o.drift || p.wiring != o.wiring {
				t.Fatalf("%s: %v and %v", p.plan.Name, p, o)
			}
		}
	})
}

func TestFoodMoves(t *testing.T) {
	p := Plan{
		Room:     20,
		Stations: []Station{HoldingCabinet("box", 65)},
		Foods:    []Food{{Name: "soup", Start: 4, Capacity: 2000, Area: 0.2}},
		Probes:   []Probe{{Name: "p", Chip: "max31855", Bus: "SPI0.0", Type: its90.T, At: Place{Food: "soup"}}},
		Script: []Event{
			{At: time.Hour, Do: Load{"soup", "box"}},
			{At: 5 * time.Hour, Do: Remove{"soup"}},
			{At: 5*time.Hour + 10*time.Minute, Do: Put{"p", Place{}}},
		},
	}
	k := must(New(p))
	k.Advance(time.Hour - time.Second)
	near(t, "put away", truth(k.Food("soup")).Core, 4, 0)
	k.Advance(4*time.Hour + time.Second)
	near(t, "in the box", truth(k.Food("soup")).Core, 65, 4)
	if got := truth(k.Food("soup")); got.Station != "" {
		t.Errorf("in %q as it is taken out", got.Station)
	}
	k.Advance(10 * time.Minute)
	// 2000 J/K over 8 W/m²K times 0.2 m²: 600 s take it to 1/e^0.48 of the way.
	start := 65.0
	near(t, "on the bench", truth(k.Food("soup")).Core, 20+(start-20)*math.Exp(-600*8*0.2/2000), 3)
	near(t, "the probe in the room", truth(k.Probe("p")).Medium, 20, 0)
}

// TestFireNeedsFeeding: fed, it holds its pit between feedings; left, it burns out and the pit cools.
func TestFireNeedsFeeding(t *testing.T) {
	pit := SmokePit("pit", 135)
	fed := must(New(Plan{Room: 24, Stations: []Station{pit}, Script: []Event{{At: 40 * time.Minute, Every: 40 * time.Minute, Do: Feed{"pit", 1.1}}}}))
	left := must(New(Plan{Room: 24, Stations: []Station{pit}}))
	low, high := 999.0, 0.0
	for range 12 * 60 {
		fed.Advance(time.Minute)
		left.Advance(time.Minute)
		low, high = min(low, truth(fed.Station("pit")).Air), max(high, truth(fed.Station("pit")).Air)
	}
	if low < fahrenheit(250) || high > fahrenheit(300) || high-low < 5 {
		t.Errorf("fed it swings from %.0f to %.0f °C", low, high)
	}
	if s := truth(left.Station("pit")); s.Air > 60 || s.Fuel > 0.2 || s.Damper < 0.99 {
		t.Errorf("left alone for 12 h: %+v", s)
	}
}

// TestFuelIsHeat: what left the fire's fuel is what it gave, new fuel that flares up included.
func TestFuelIsHeat(t *testing.T) {
	f := newFire(*SmokePit("pit", 135).Fire)
	f.feed(3)
	heat := 0.0
	for i := range 10 * 3600 {
		power, _ := f.watts(1, 120+float64(i%40))
		heat += power
	}
	if f.bed > 1 {
		t.Fatalf("%.2f kg are left", f.bed)
	}
	near(t, "J", heat, f.plan.Heat*(3-f.bed-f.fresh), 1)
}

// TestRain: what a wet skin takes, the steady air shows: heat through the walls is shared between the two sides.
func TestRain(t *testing.T) {
	box := HoldingCabinet("box", 65)
	box.Gap = 0
	rained := func(loss float64) float64 {
		k := must(New(Plan{Room: 20, Stations: []Station{box}, Script: []Event{{Do: Element{"box", 0.3}}, {Do: Rain{"box", loss}}}}))
		k.Advance(30 * time.Hour)
		return truth(k.Station("box")).Air
	}
	over := func(outer float64) float64 { return 20 + 300/(box.Inner*outer/(box.Inner+outer)) }
	near(t, "dry", rained(0), over(box.Outer), 0.5)
	near(t, "in the rain", rained(10), over(box.Outer+10), 0.5)
}

func TestRefusedPlans(t *testing.T) {
	box := HoldingCabinet("box", 65)
	pan := Food{Name: "pan", Start: 70, Capacity: 8000, Area: 0.15}
	probe := Probe{Name: "p", Chip: "max31855", Bus: "SPI0.0", Type: its90.K}
	with := func(change func(*Plan)) Plan {
		p := Plan{Room: 20, Stations: []Station{box}, Foods: []Food{pan}, Probes: []Probe{probe}}
		change(&p)
		return p
	}
	if _, err := New(with(func(*Plan) {})); err != nil {
		t.Fatal(err)
	}
	for want, change := range map[string]func(*Plan){
		"room of":                   func(p *Plan) { p.Room = math.NaN() },
		"name of its own":           func(p *Plan) { p.Stations = append(p.Stations, box) },
		"either a Heater or a Fire": func(p *Plan) { p.Stations[0].Heater = nil },
		"must lie above zero":       func(p *Plan) { p.Stations[0].Air = 0 },
		"watts of":                  func(p *Plan) { p.Stations[0].Heater = &Heater{Watts: math.Inf(1)} },
		"fire's":                    func(p *Plan) { p.Stations[0].Heater, p.Stations[0].Fire = nil, &Fire{} },
		`food "pan": give each`:     func(p *Plan) { p.Foods = append(p.Foods, pan) },
		`no station "x"`:            func(p *Plan) { p.Foods[0].Station = "x" },
		"mass fractions":            func(p *Plan) { p.Foods[0].Capacity, p.Foods[0].Area = 0, 0 },
		"lumped thing":              func(p *Plan) { p.Foods[0].Area = 0 },
		`probe "p": give each`:      func(p *Plan) { p.Probes = append(p.Probes, probe) },
		"chip select":               func(p *Plan) { q := probe; q.Name = "q"; p.Probes = append(p.Probes, q) },
		`chip "x"`:                  func(p *Plan) { p.Probes[0].Chip = "x" },
		"not made for type B":       func(p *Plan) { p.Probes[0].Type = its90.B },
		"thermocouple type":         func(p *Plan) { p.Probes[0].Type = 0 },
		`no food "x"`:               func(p *Plan) { p.Probes[0].At.Food = "x" },
		"depth of":                  func(p *Plan) { p.Probes[0].At = Place{Food: "pan", Depth: 2} },
		"event 1 (<nil> at 0s)":     func(p *Plan) { p.Script = []Event{{}} },
		"before the beginning":      func(p *Plan) { p.Script = []Event{{At: -1, Do: Room{20}}} },
		"has no fire":               func(p *Plan) { p.Script = []Event{{Do: Feed{"box", 1}}} },
		`no probe "x"`:              func(p *Plan) { p.Script = []Event{{Do: Lead{"x", chip.Open}}} },
		"state of a lead":           func(p *Plan) { p.Script = []Event{{Do: Lead{"p", 99}}} },
		"loss of":                   func(p *Plan) { p.Script = []Event{{Do: Rain{"box", -1}}} },
		"share of":                  func(p *Plan) { p.Script = []Event{{Do: Element{"box", 2}}} },
	} {
		if _, err := New(with(func(p *Plan) {
			p.Stations, p.Foods, p.Probes = append([]Station{}, p.Stations...), append([]Food{}, p.Foods...), append([]Probe{}, p.Probes...)
			change(p)
		})); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("want %q, got %v", want, err)
		}
	}
}

// TestScriptOrder: events at one time happen in the order written, and one that comes again keeps coming.
func TestScriptOrder(t *testing.T) {
	k := must(New(Plan{Room: 20, Stations: []Station{HoldingCabinet("box", 65)}, Script: []Event{
		{At: time.Minute, Do: Room{30}}, {At: time.Minute, Do: Room{25}}, {At: 0, Every: 90 * time.Second, Do: Room{21}},
	}}))
	for _, w := range []struct {
		until time.Duration
		room  float64
	}{{0, 21}, {59 * time.Second, 21}, {time.Minute, 25}, {89 * time.Second, 25}, {90 * time.Second, 21}, {time.Hour, 21}} {
		k.Advance(w.until - k.Now())
		near(t, w.until.String(), k.room, w.room, 0)
	}
	if len(k.script) != 1 || k.script[0].At != time.Hour+90*time.Second {
		t.Errorf("still to come: %+v", k.script)
	}
}
