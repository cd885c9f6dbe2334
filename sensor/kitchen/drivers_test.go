package kitchen

import (
	"context"
	"errors"
	"math"
	"slices"
	"testing"
	"time"

	"holdbell/sensor"
	"holdbell/sensor/its90"
	"holdbell/sensor/kitchen/chip"
	"holdbell/sensor/max31855"
	"holdbell/sensor/max31856"
	"holdbell/sensor/max31865"
	"holdbell/sensor/max6675"
	"holdbell/sensor/resist"
)

// drivers opens a plan's probes with the real drivers, in its order.
func drivers(t testing.TB, k *Kitchen, probes []Probe) []sensor.Probe {
	t.Helper()
	var all []sensor.Probe
	for _, p := range probes {
		switch p.Chip {
		case "max31855":
			all = append(all, must(max31855.New(must(k.SPI(p.Bus, max31855.SPI())), max31855.Opts{Type: p.Type})))
		case "max31856":
			all = append(all, must(max31856.New(must(k.SPI(p.Bus, max31856.SPI())), max31856.Opts{Type: p.Type, MainsHz: 60})))
		case "max31865":
			all = append(all, must(max31865.New(must(k.SPI(p.Bus, max31865.SPI())), max31865.Opts{Sensor: must(resist.Platinum(p.R0)),
				Wires: 3, Reference: p.Reference, MainsHz: 60})))
		case "max6675":
			all = append(all, must(max6675.New(must(k.SPI(p.Bus, max6675.SPI())))))
		default:
			all = append(all, i2cDriver(t, k, p))
		}
	}
	return all
}

func start() sensor.Instant {
	return sensor.Instant{Wall: time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC), Mono: time.Hour, Boot: sensor.BootID{7}}
}

// TestDriversReadTheTruth: with every type that its chip is made for, at any temperature, the driver gives back
// what the tip is at within the chip's own steps.
func TestDriversReadTheTruth(t *testing.T) {
	for _, name := range []string{"max31855", "max31856"} {
		for typ := its90.B; typ <= its90.T; typ++ {
			if name == "max31855" && typ == its90.B {
				continue
			}
			box := HoldingCabinet("box", 65)
			p := Probe{Name: "p", Chip: name, Bus: "SPI0.0", Type: typ, At: Place{Station: "box"}}
			k := must(New(Plan{Room: 24, Stations: []Station{box}, Probes: []Probe{p}}))
			d := drivers(t, k, []Probe{p})[0]
			lowest, highest := -40.0, 390.0
			if typ == its90.B {
				lowest, highest = 260, 1700
			}
			for at := lowest; at <= highest; at += 7.3 {
				k.probes["p"].tip = at
				k.stations["box"].air = at // so that the step leaves it there, near enough
				k.Advance(time.Second)
				r, err := d.Read(t.Context())
				if name == "max31856" && at == lowest {
					if r.Fault != sensor.Stale {
						t.Errorf("the read that sets the chip up gave %v", r)
					}
					continue
				}
				if err != nil {
					t.Errorf("%s type %v at %g °C: %v", name, typ, at, err)
					continue
				}
				// Half a step of the line in volts, over the type's slope there, and half a step of the cold
				// junction.
				tolerance := 0.02
				if name == "max31855" {
					e, _ := its90.EMF(typ, at+0.5)
					f, _ := its90.EMF(typ, at-0.5)
					tolerance = (0.126*max31855.Slope(typ)/1000 + 0.032*0.07) / (e - f)
				}
				if typ == its90.B {
					tolerance = 0.05
				}
				near(t, name+" type "+typ.String(), r.Temp.Celsius(), truth(k.Probe("p")).Tip, tolerance+0.001)
			}
		}
	}
}

// TestOtherDriversReadTheTruth is the same of the chips that are made for one kind of thermometer.
func TestOtherDriversReadTheTruth(t *testing.T) {
	for _, c := range []struct {
		probe        Probe
		lowest       float64
		near, beyond float64 // °C, at 0 to 100 °C and elsewhere
	}{
		// Half a step of the ratio: 0.013 Ω of 0.29 to 0.43 Ω/°C for a Pt100.
		{Probe{Chip: "max31865", R0: 100, Reference: 430}, -195, 0.02, 0.025},
		{Probe{Chip: "max31865", R0: 1000, Reference: 4300}, -195, 0.02, 0.025},
		// Half a quarter, and the board at 30 °C where 25 °C is assumed.
		{Probe{Chip: "max6675", Type: its90.K}, 1, 0.2, 0.2},
	} {
		c.probe.Name, c.probe.Bus, c.probe.At = "p", "SPI0.0", Place{Station: "box"}
		k := must(New(Plan{Room: 24, Stations: []Station{HoldingCabinet("box", 65)}, Probes: []Probe{c.probe}}))
		d := drivers(t, k, []Probe{c.probe})[0]
		for at := c.lowest; at <= 390; at += 7.3 {
			k.probes["p"].tip = at
			k.stations["box"].air = at // so that the step leaves it there, near enough
			k.Advance(time.Second)
			r, err := d.Read(t.Context())
			if at == c.lowest && c.probe.Chip == "max31865" {
				if r.Fault != sensor.Stale {
					t.Errorf("the read that sets the chip up gave %v", r)
				}
				continue
			}
			if err != nil {
				t.Errorf("%s at %g °C: %v", c.probe.Chip, at, err)
				continue
			}
			tolerance := c.beyond
			if at >= 0 && at <= 100 {
				tolerance = c.near
			}
			near(t, c.probe.Chip, r.Temp.Celsius(), truth(k.Probe("p")).Tip, tolerance)
		}
	}
}

// TestFaultsThroughDrivers: what is wrong with a lead or a line comes out as the fault that the chip can tell,
// and goes when it is mended.
func TestFaultsThroughDrivers(t *testing.T) {
	for _, c := range []struct {
		do, undo Action
		want     map[string]sensor.Fault
	}{
		{Lead{"p", chip.Open}, Lead{"p", chip.Intact}, map[string]sensor.Fault{"max31855": sensor.Open, "max31856": sensor.Open,
			"max31865": sensor.Open, "max6675": sensor.Open}},
		{Lead{"p", chip.ToGround}, Lead{"p", chip.Intact}, map[string]sensor.Fault{"max31855": sensor.ShortGND, "max31856": sensor.OverUnderVoltage,
			"max31865": sensor.ShortGND}},
		{Lead{"p", chip.ToSupply}, Lead{"p", chip.Intact}, map[string]sensor.Fault{"max31855": sensor.ShortVCC, "max31856": sensor.OverUnderVoltage,
			"max31865": sensor.OverUnderVoltage, "max6675": sensor.Range}},
		{Lead{"p", chip.Touching}, Lead{"p", chip.Intact}, map[string]sensor.Fault{"max31865": sensor.Range}},
		{Line{"p", AllLow}, Line{"p", Alive}, map[string]sensor.Fault{"max31855": sensor.BusFault, "max31856": sensor.BusFault,
			"max31865": sensor.BusFault, "max6675": sensor.BusFault}},
		{Line{"p", AllHigh}, Line{"p", Alive}, map[string]sensor.Fault{"max31855": sensor.BusFault, "max31856": sensor.BusFault,
			"max31865": sensor.BusFault, "max6675": sensor.BusFault}},
	} {
		for name, want := range c.want {
			k, s := onePin(t, name, Event{At: 10 * time.Second, Do: c.do}, Event{At: 20 * time.Second, Do: c.undo})
			for i := 1; i <= 30; i++ {
				r := must(s.Next(t.Context())).Readings[0]
				if (i > 1 && i < 10 || i > 22) && !r.Valid() {
					t.Errorf("%s, %+v, second %d: %v where all is well", name, c.do, i, r.Fault)
				}
				if (i > 1 && i < 10 || i > 22) && r.Valid() {
					near(t, "air", r.Temp.Celsius(), truth(k.Station("box")).Air, 0.4)
				}
				if i > 11 && i < 20 && r.Fault != want {
					t.Errorf("%s, %+v, second %d: %v, want %v", name, c.do, i, r.Fault, want)
				}
			}
		}
	}
}

// onePin is a cabinet with one probe and its driver's sweeps, a second apart.
func onePin(t *testing.T, chip string, script ...Event) (*Kitchen, sensor.Source) {
	t.Helper()
	p := Probe{Name: "p", Chip: chip, Bus: "SPI0.0", Type: its90.K, R0: 100, Reference: 430, At: Place{Station: "box"}}
	k := must(New(Plan{Room: 24, Stations: []Station{HoldingCabinet("box", 65)}, Probes: []Probe{p}, Script: script}))
	return k, k.Source(drivers(t, k, []Probe{p}), time.Second, start())
}

// TestTouchingLeads make a junction at the terminals: no chip can tell, and the reading is the board's
// temperature.
func TestTouchingLeads(t *testing.T) {
	for _, name := range []string{"max31855", "max31856", "max6675"} {
		k, s := onePin(t, name, Event{At: 0, Do: Lead{"p", chip.Touching}})
		k.Advance(time.Minute)
		must(s.Next(t.Context()))
		near(t, name, must(s.Next(t.Context())).Readings[0].Temp.Celsius(), 24+boardAbove, 0.1)
	}
}

// TestPowerCycle: the MAX31856 forgets its set-up, and its driver sees that and gives it anew; the MAX31855 has
// none.
func TestPowerCycle(t *testing.T) {
	for name, want := range map[string][]sensor.Fault{
		"max31855": {sensor.None, sensor.None, sensor.None, sensor.None},
		"max31856": {sensor.Stale, sensor.None, sensor.Stale, sensor.None},
		"max31865": {sensor.Stale, sensor.None, sensor.Stale, sensor.None},
	} {
		_, s := onePin(t, name, Event{At: 2500 * time.Millisecond, Do: PowerCycle{"p"}})
		for i, w := range want {
			if got := must(s.Next(t.Context())).Readings[0].Fault; got != w {
				t.Errorf("%s, second %d: %v, want %v", name, i+1, got, w)
			}
		}
	}
}

func TestBusesAreReal(t *testing.T) {
	p := Probe{Name: "p", Chip: "max31856", Bus: "SPI0.1", Type: its90.K}
	k := must(New(Plan{Room: 24, Probes: []Probe{p}}))
	if _, err := k.SPI("SPI9.9", max31856.SPI()); !errors.Is(err, sensor.ErrNoDevice) {
		t.Errorf("a bus that is not there: %v", err)
	}
	if _, err := k.I2C("I2C1", 0x60); !errors.Is(err, sensor.ErrNoDevice) {
		t.Errorf("an I2C bus: %v", err)
	}
	if _, err := k.SPI("SPI0.1", max31855.SPI()); err == nil {
		t.Error("a MAX31856 took mode 0")
	}
	tr := must(k.SPI("SPI0.1", max31856.SPI()))
	if tr.String() != "SPI0.1" {
		t.Errorf("called %q", tr)
	}
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	if err := tr.Tx(ended, []byte{0}, nil); !errors.Is(err, context.Canceled) {
		t.Errorf("a transaction after the end: %v", err)
	}
	if err := tr.Tx(t.Context(), []byte{0, 0}, make([]byte, 3)); err == nil {
		t.Error("two bytes out and three in")
	}
	if _, err := k.Source(nil, time.Second, start()).Next(ended); !errors.Is(err, context.Canceled) {
		t.Errorf("a sweep after the end: %v", err)
	}
}

// run gives the demo's readings over a time.
func run(t testing.TB, seed uint64, d, period time.Duration) (all [][]sensor.Reading) {
	t.Helper()
	k := must(Demo(seed))
	s := k.Source(drivers(t, k, DemoPlan(seed).Probes), period, start())
	for range d / period {
		all = append(all, slices.Clone(must(s.Next(t.Context())).Readings))
	}
	return all
}

// TestSeedIsAll: one seed gives the same readings, another the same story with other noise.
func TestSeedIsAll(t *testing.T) {
	a, b, c := run(t, 1, 2*time.Hour, time.Second), run(t, 1, 2*time.Hour, time.Second), run(t, 2, 2*time.Hour, time.Second)
	differ := 0
	for i := range a {
		if !slices.Equal(a[i], b[i]) {
			t.Fatalf("second %d: %v and %v of one seed", i, a[i], b[i])
		}
		for j := range a[i] {
			if a[i][j] != c[i][j] {
				differ++
			}
			if a[i][j].Fault != c[i][j].Fault || math.Abs((a[i][j].Temp-c[i][j].Temp).Celsius()) > 4 {
				t.Fatalf("second %d: %v and %v of two seeds", i, a[i][j], c[i][j])
			}
		}
	}
	if differ < len(a) {
		t.Errorf("two seeds differ in %d readings", differ)
	}
}

// TestNoiseIsWhatWasAsked: no bias, the standard deviation, and nothing left of the last second in this one.
func TestNoiseIsWhatWasAsked(t *testing.T) {
	p := Probe{Name: "p", Chip: "max31856", Bus: "SPI0.0", Type: its90.K, Noise: 0.5}
	k := must(New(Plan{Seed: 3, Room: 24, Probes: []Probe{p}}))
	s := k.Source(drivers(t, k, []Probe{p}), time.Second, start())
	must(s.Next(t.Context()))
	const n = 20000
	sum, squares, after, last := 0.0, 0.0, 0.0, 0.0
	for range n {
		v := must(s.Next(t.Context())).Readings[0].Temp.Celsius() - 24
		sum, squares, after = sum+v, squares+v*v, after+v*last
		last = v
	}
	near(t, "bias", sum/n, 0, 5*0.5/math.Sqrt(n)+0.01)
	near(t, "standard deviation", math.Sqrt(squares/n), 0.5, 0.02)
	near(t, "correlation", after/squares, 0, 5/math.Sqrt(n))
}

func TestInstants(t *testing.T) {
	k := must(Demo(1))
	k.Advance(time.Hour)
	at := must(k.Source(nil, 2*time.Second, start()).Next(t.Context())).At
	if at.Boot != (sensor.BootID{}) || !at.Believed || at.Mono != time.Hour+2*time.Second || !at.Wall.Equal(start().Wall.Add(2*time.Second)) {
		t.Errorf("the first sweep is at %+v", at)
	}
}

// TestLagAndDrift: a tip pulled out into the room follows within its lag, and drift adds up.
func TestLagAndDrift(t *testing.T) {
	p := Probe{Name: "p", Chip: "max31856", Bus: "SPI0.0", Type: its90.K, At: Place{Station: "box"}, Lag: 20 * time.Second}
	k := must(New(Plan{Room: 24, Stations: []Station{HoldingCabinet("box", 65)}, Probes: []Probe{p},
		Script: []Event{{At: time.Minute, Do: Put{Probe: "p"}}, {At: time.Hour, Do: Drift{"p", 1.5}}, {At: 3 * time.Hour, Do: Drift{"p", 0}}}}))
	k.Advance(time.Minute)
	from := truth(k.Probe("p")).Tip
	k.Advance(20 * time.Second)
	near(t, "after one lag", truth(k.Probe("p")).Tip, 24+(from-24)/math.E, 0.001)
	k.Advance(4 * time.Hour)
	near(t, "drift", truth(k.Probe("p")).Off, 3, 1e-6)
	s := k.Source(drivers(t, k, []Probe{p}), time.Second, start())
	must(s.Next(t.Context()))
	near(t, "read", must(s.Next(t.Context())).Readings[0].Temp.Celsius(), 27, 0.02)
}

// TestHang: a chip that converts no more repeats one reading while the air moves on, and follows again once mended.
func TestHang(t *testing.T) {
	for _, name := range []string{"max31855", "max31856"} {
		k, s := onePin(t, name, Event{At: 5 * time.Minute, Do: Hang{Probe: "p"}}, Event{At: 5 * time.Minute, Do: Door{"box", true}},
			Event{At: 10 * time.Minute, Do: Hang{"p", true}})
		k.Advance(5 * time.Minute)
		must(s.Next(t.Context()))
		first := must(s.Next(t.Context())).Readings[0]
		for range 4 * 60 {
			if r := must(s.Next(t.Context())).Readings[0]; r != first {
				t.Fatalf("%s: %v after %v", name, r, first)
			}
		}
		k.Advance(2 * time.Minute)
		must(s.Next(t.Context()))
		near(t, name, must(s.Next(t.Context())).Readings[0].Temp.Celsius(), truth(k.Station("box")).Air, 0.5)
		if truth(k.Station("box")).Air > 60 {
			t.Errorf("%s: the air has not moved", name)
		}
	}
}
