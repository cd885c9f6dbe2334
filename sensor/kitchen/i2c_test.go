package kitchen

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"holdbell/sensor"
	"holdbell/sensor/ads1115"
	"holdbell/sensor/ds18b20"
	"holdbell/sensor/its90"
	"holdbell/sensor/kitchen/chip"
	"holdbell/sensor/mcp9600"
	"holdbell/sensor/mcp9808"
)

// meatProbe is the food probe, either way round, with its excitation on input 3.
func meatProbe(top bool) *Thermistor {
	m := foodProbe()
	m.Divider.Top, m.MeasuredOn = top, 3
	return m
}

// i2cDriver opens one probe that has its chip for itself.
func i2cDriver(t testing.TB, k *Kitchen, p Probe) sensor.Probe {
	t.Helper()
	bus, text, _ := strings.Cut(p.Bus, " ")
	addr := must(strconv.ParseUint(text, 0, 16))
	tr := must(k.I2C(bus, uint16(addr)))
	switch p.Chip {
	case "mcp9600", "mcp9601":
		return must(mcp9600.New(tr, mcp9600.Opts{Type: p.Type, OpenDetect: p.Chip == "mcp9601"}))
	case "mcp9808":
		return must(mcp9808.New(tr))
	case "ds18b20":
		return must(must(ds18b20.NewBridge(tr)).Probe(fmt.Sprintf("28-%012x", p.Serial)))
	case "ads1115":
		o := ads1115.Opts{Channel: ads1115.A0 + ads1115.Channel(p.Channel), Supply: 3.3, Rate: 860}
		if a := p.Amplifier; a != nil {
			o.FrontEnd = ads1115.AD8495{Reference: a.Reference, Supply: a.Supply}
		} else {
			o.FrontEnd = &ads1115.Thermistor{Curve: p.Thermistor.Curve, Divider: p.Thermistor.Divider, Excitation: p.Thermistor.Excitation}
		}
		return must(must(ads1115.NewChip(tr)).Probe(o))
	}
	t.Fatalf("no driver for %q", p.Chip)
	return nil
}

// onI2C is a kitchen with every chip on I2C in one cabinet, and its drivers.
func onI2C(t *testing.T, script ...Event) (*Kitchen, []Probe, []sensor.Probe) {
	t.Helper()
	at := Place{Station: "box"}
	probes := []Probe{
		{Name: "9600", Chip: "mcp9600", Bus: "I2C1 0x67", Type: its90.K, At: at},
		{Name: "9601", Chip: "mcp9601", Bus: "I2C1 0x60", Type: its90.T, At: at},
		{Name: "9808", Chip: "mcp9808", Bus: "I2C1 0x19", At: at},
		{Name: "amp", Chip: "ads1115", Bus: "I2C1 0x48", Channel: 0, Amplifier: &Amplifier{1.25, 3.3}, At: at},
		{Name: "meat", Chip: "ads1115", Bus: "I2C1 0x48", Channel: 1, Thermistor: meatProbe(false), At: at},
		{Name: "top", Chip: "ads1115", Bus: "I2C1 0x48", Channel: 2, Thermistor: meatProbe(true), At: at},
		{Name: "w1", Chip: "ds18b20", Bus: "I2C3 0x18", Serial: 0x75b2a3c, At: at},
		{Name: "w2", Chip: "ds18b20", Bus: "I2C3 0x18", Serial: 0x75b2a3d, At: at},
	}
	k := must(New(Plan{Room: 24, Stations: []Station{HoldingCabinet("box", 65)}, Probes: probes, Script: script}))
	adc := must(ads1115.NewChip(must(k.I2C("I2C1", 0x48))))
	bridge := must(ds18b20.NewBridge(must(k.I2C("I2C3", 0x18))))
	thermistor := func(top bool) ads1115.FrontEnd {
		m := meatProbe(top)
		return &ads1115.Thermistor{Curve: m.Curve, Divider: m.Divider, MeasuredOn: ads1115.A3}
	}
	return k, probes, []sensor.Probe{
		must(mcp9600.New(must(k.I2C("I2C1", 0x67)), mcp9600.Opts{Type: its90.K})),
		must(mcp9600.New(must(k.I2C("I2C1", 0x60)), mcp9600.Opts{Type: its90.T, OpenDetect: true})),
		must(mcp9808.New(must(k.I2C("I2C1", 0x19)))),
		must(adc.Probe(ads1115.Opts{Channel: ads1115.A0, Supply: 3.3, FrontEnd: ads1115.AD8495{Reference: 1.25, Supply: 3.3}})),
		must(adc.Probe(ads1115.Opts{Channel: ads1115.A1, Supply: 3.3, FrontEnd: thermistor(false)})),
		must(adc.Probe(ads1115.Opts{Channel: ads1115.A2, Supply: 3.3, FrontEnd: thermistor(true)})),
		must(bridge.Probe("28-0000075b2a3c")),
		must(bridge.Probe("28-0000075b2a3d")),
	}
}

// TestI2CDriversReadTheTruth: after the readings that set the chips up, each gives back what the tip is at within
// its own steps.
func TestI2CDriversReadTheTruth(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k, probes, drivers := onI2C(t)
		for at := -8.0; at <= 120; at += 3.7 {
			for second := range 4 {
				for _, p := range probes {
					k.probes[p.Name].tip = at
				}
				k.stations["box"].air = at
				k.Advance(time.Second)
				for i, d := range drivers {
					r, err := d.Read(t.Context())
					if second < 3 {
						continue
					}
					if err != nil {
						t.Errorf("%v °C: %v", at, err)
						continue
					}
					// A DS18B20 gives the conversion before, which the simulator ends as it is read.
					tolerance := map[string]float64{"9600": 0.05, "9601": 0.05, "9808": 0.035, "amp": 0.05, "meat": 0.08, "top": 0.08, "w1": 0.035, "w2": 0.035}[probes[i].Name]
					near(t, probes[i].Name, r.Temp.Celsius(), truth(k.Probe(probes[i].Name)).Tip, tolerance)
				}
			}
		}
	})
}

// TestI2CFaultsThroughDrivers: what is wrong comes out as the fault that the chip can tell, and goes when it is
// mended.
func TestI2CFaultsThroughDrivers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const none = sensor.None
		for _, c := range []struct {
			is   chip.Wiring
			want []sensor.Fault // in the order of the probes
		}{
			// An MCP9600 does not tell an open or grounded thermocouple, and an MCP9808 has no leads.
			{chip.Open, []sensor.Fault{none, sensor.Open, none, sensor.Open, sensor.Open, sensor.Open, sensor.Open, sensor.Open}},
			{chip.ToGround, []sensor.Fault{none, sensor.ShortGND, none, sensor.ShortGND, sensor.ShortGND, sensor.Open, sensor.ShortGND, sensor.ShortGND}},
			{chip.ToSupply, []sensor.Fault{sensor.Range, sensor.ShortGND, none, sensor.Open, sensor.Open, sensor.ShortVCC, sensor.Open, sensor.Open}},
		} {
			k, probes, drivers := onI2C(t)
			for second := range 40 {
				for _, p := range probes {
					switch second {
					case 10:
						k.probes[p.Name].wiring = c.is
					case 20:
						k.probes[p.Name].wiring = chip.Intact
					}
				}
				k.Advance(time.Second)
				for i, d := range drivers {
					r, _ := d.Read(t.Context())
					want := none
					if second >= 10 && second < 20 {
						want = c.want[i]
					}
					if second >= 4 && second < 20 && second != 10 || second > 24 {
						if r.Fault != want {
							t.Errorf("%v, second %d: %s gives %v, not %q", c.is, second, probes[i].Name, r, want)
						}
					}
				}
			}
		}
	})
}

// TestI2CDeadLinesAndPower: a line that carries nothing is a fault of every probe on the chip and of no other, and
// a chip that lost its supply is never believed before it has been set up.
func TestI2CDeadLinesAndPower(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k, probes, drivers := onI2C(t,
			Event{At: 9500 * time.Millisecond, Do: Line{"top", AllLow}}, Event{At: 19500 * time.Millisecond, Do: Line{"meat", Alive}},
			Event{At: 9500 * time.Millisecond, Do: Line{"w2", AllHigh}}, Event{At: 19500 * time.Millisecond, Do: Line{"w2", Alive}},
			Event{At: 9500 * time.Millisecond, Do: Line{"9808", AllLow}}, Event{At: 19500 * time.Millisecond, Do: Line{"9808", Alive}},
			Event{At: 9500 * time.Millisecond, Do: Line{"9601", AllHigh}}, Event{At: 19500 * time.Millisecond, Do: Line{"9601", Alive}},
			Event{At: 29500 * time.Millisecond, Do: PowerCycle{"9600"}}, Event{At: 29500 * time.Millisecond, Do: PowerCycle{"9808"}},
			Event{At: 29500 * time.Millisecond, Do: PowerCycle{"amp"}}, Event{At: 29500 * time.Millisecond, Do: PowerCycle{"w1"}})
		for second := 1; second <= 40; second++ {
			k.Advance(time.Second)
			for i, d := range drivers {
				r, err := d.Read(t.Context())
				if r.Valid() != (err == nil) {
					t.Fatalf("%v, %v", r, err)
				}
				if r.Valid() && math.Abs(r.Temp.Celsius()-truth(k.Station("box")).Air) > 0.5 {
					t.Errorf("second %d: %s gives %v in air of %v", second, probes[i].Name, r.Temp, truth(k.Station("box")).Air)
				}
				dead := probes[i].Name != "9600" && second >= 10 && second < 20
				if dead && r.Fault != sensor.BusFault {
					t.Errorf("second %d: %s gives %v, %v", second, probes[i].Name, r, err)
				}
				if !dead && second > 4 && (second < 20 || second > 24 && second < 30 || second > 34) && !r.Valid() {
					t.Errorf("second %d: %v", second, err)
				}
			}
		}
	})
}

func TestI2CPlans(t *testing.T) {
	at := Probe{Name: "a", Chip: "ads1115", Bus: "I2C1 0x48", Amplifier: &Amplifier{1.25, 5}}
	for name, probes := range map[string][]Probe{
		"no front end":      {{Name: "a", Chip: "ads1115", Bus: "I2C1 0x48"}},
		"an input twice":    {at, {Name: "b", Chip: "ads1115", Bus: "I2C1 0x48", Amplifier: &Amplifier{1.25, 5}}},
		"no such input":     {{Name: "b", Chip: "ads1115", Bus: "I2C1 0x48", Channel: 4, Amplifier: &Amplifier{1.25, 5}}},
		"two kinds":         {at, {Name: "b", Chip: "ds18b20", Bus: "I2C1 0x48", Serial: 1}},
		"an address twice":  {{Name: "a", Chip: "mcp9808", Bus: "I2C1 0x18"}, {Name: "b", Chip: "mcp9808", Bus: "I2C1 0x18"}},
		"no serial":         {{Name: "a", Chip: "ds18b20", Bus: "I2C1 0x18"}},
		"a serial twice":    {{Name: "a", Chip: "ds18b20", Bus: "I2C1 0x18", Serial: 1}, {Name: "b", Chip: "ds18b20", Bus: "I2C1 0x18", Serial: 1}},
		"no type":           {{Name: "a", Chip: "mcp9600", Bus: "I2C1 0x60"}},
		"the other's input": {{Name: "a", Chip: "ads1115", Bus: "I2C1 0x48", Thermistor: meatProbe(false)}, {Name: "b", Chip: "ads1115", Bus: "I2C1 0x48", Channel: 3, Amplifier: &Amplifier{}}},
	} {
		if _, err := New(Plan{Room: 24, Probes: probes}); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	k := must(New(Plan{Room: 24, Probes: []Probe{at}}))
	if _, err := k.I2C("I2C1", 0x49); !errors.Is(err, sensor.ErrNoDevice) {
		t.Error(err)
	}
	if tr := must(k.I2C("I2C1", 0x48)); tr.String() != "I2C1 0x48" || tr.Tx(t.Context(), nil, nil) == nil {
		t.Errorf("%v takes an empty transaction", tr)
	}
}
