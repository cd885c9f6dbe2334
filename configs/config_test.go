package configs

import (
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"holdbell/rules"
	"holdbell/rules/foodcode"
	"holdbell/sensor"
	"holdbell/sensor/condition"
)

// contract is the example of the interface description, with the one probe that its last station names
// added to the list.
const contract = `site: demo-kitchen            # label of everything published
units: fahrenheit             # for people; machines get celsius
period: 1s                    # a sweep
gap_allowance: 5m
rules: { food_code: us-fda-2022 }   # us-fda-2022, uk, eu, au-nz, codex, or custom with every limit written out
probes:
  - { name: warmer-air,  chip: max31856, bus: SPI0.1, type: K, mains_hz: 60, offset: -0.4C }
  - { name: warmer-core, chip: max31855, bus: SPI0.0, type: K }
  - { name: walkin-air,  file: /sys/bus/iio/devices/iio:device0 }
  - { name: pit-air }
stations:
  - { name: warmer, purpose: hot-holding, air: warmer-air, food: [warmer-core], setpoint: 150F, band: [140F, 165F] }
  - { name: pit,    purpose: cooking, air: pit-air, setpoint: 275F, band: [250F, 300F] }
publish:
  http: { listen: "127.0.0.1:9834" }          # page, /metrics, /healthz; a web_config file for TLS and login
  mqtt: { broker: "tcp://127.0.0.1:1883", prefix: holdbell }     # or { broker: embedded, listen: 127.0.0.1:1883 }
  phone: [ { url_file: /etc/holdbell/phone.url, from: warning } ]
ledger: { path: /var/lib/holdbell/ledger.db }
`

// least is the smallest configuration: what a replay needs.
const least = `rules: { food_code: us-fda-2022 }
probes: [ { name: core } ]
stations: [ { name: warmer, purpose: hot-holding, food: [core] } ]
`

func mustParse(t *testing.T, text string) *Config {
	t.Helper()
	c, err := Parse("kitchen.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func mustSetup(t *testing.T, c *Config) rules.Setup {
	t.Helper()
	s, err := c.Setup()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := rules.New(s); err != nil {
		t.Fatalf("the engine refuses it: %v", err)
	}
	return s
}

func TestContractExample(t *testing.T) {
	c := mustParse(t, contract)
	us, err := foodcode.Lookup(foodcode.USFDA2022)
	if err != nil {
		t.Fatal(err)
	}
	f := func(v int) *sensor.Temp { x := sensor.FahrenheitLimit(v); return &x }
	want := Config{
		Site: "demo-kitchen", Units: rules.Fahrenheit, Period: time.Second, GapAllowance: 5 * time.Minute, CalibrationEvery: 8760 * time.Hour, Code: us,
		Probes: []Probe{
			{Name: "warmer-air", Chip: "max31856", Bus: "SPI0.1", Type: "K", MainsHz: 60, Offset: -400, Calibrated: true, MaxSlew: 10_000},
			{Name: "warmer-core", Chip: "max31855", Bus: "SPI0.0", Type: "K", MaxSlew: 5_000},
			{Name: "walkin-air", File: "/sys/bus/iio/devices/iio:device0", MaxSlew: condition.Default().MaxSlew},
			{Name: "pit-air", MaxSlew: condition.Default().MaxSlew},
		},
		Stations: []Station{
			{Name: "warmer", Purpose: rules.HotHolding, Air: "warmer-air", Food: []string{"warmer-core"}, Setpoint: f(150), Band: &rules.Band{Low: *f(140), High: *f(165)}},
			{Name: "pit", Purpose: rules.Cooking, Air: "pit-air", Setpoint: f(275), Band: &rules.Band{Low: *f(250), High: *f(300)}},
		},
		HTTP:     HTTP{Listen: "127.0.0.1:9834"},
		MQTT:     &MQTT{Brokers: []string{"tcp://127.0.0.1:1883"}, Prefix: "holdbell"},
		Phones:   []Phone{{URLFile: "/etc/holdbell/phone.url", From: rules.Warning}},
		Ledger:   "/var/lib/holdbell/ledger.db",
		Keep:     Keep{Full: 336 * time.Hour, MaxSize: 2 << 30},
		Warnings: c.Warnings, Hash: c.Hash, shown: c.shown,
	}
	if !reflect.DeepEqual(*c, want) {
		t.Errorf("got  %+v\nwant %+v", *c, want)
	}
	s := mustSetup(t, c)
	if got, want := s.Stations[1].Air, 3; got != want {
		t.Errorf("the pit's air is probe %d, want %d", got, want)
	}
	if got, want := s.Probes[0].Condition, (condition.Settings{Calibration: condition.Offset(-400), MaxSlew: 10_000, Bridge: 5 * time.Second}); got != want {
		t.Errorf("condition %+v, want %+v", got, want)
	}
}

// TestContractWithoutItsProbe holds that a station which names a probe that is not there is told, and
// nothing else is.
func TestContractWithoutItsProbe(t *testing.T) {
	_, err := Parse("kitchen.yaml", []byte(strings.Replace(contract, "  - { name: pit-air }\n", "", 1)))
	p := Problems(err)
	if len(p) != 1 || p[0].Line != 12 || !strings.Contains(p[0].What, "pit-air") {
		t.Errorf("got %v", err)
	}
}

func TestLeastAndDefaults(t *testing.T) {
	c := mustParse(t, least)
	if c.Site != "kitchen" || c.Units != rules.Fahrenheit || c.Period != time.Second || c.GapAllowance != 5*time.Minute ||
		c.HTTP.Listen != "127.0.0.1:9834" || c.MQTT != nil || c.Ledger != "/var/lib/holdbell/ledger.db" || c.Keep != (Keep{Full: 14 * 24 * time.Hour, MaxSize: 2 << 30}) || c.LogLevel != 0 {
		t.Errorf("defaults: %+v", c)
	}
	s := mustSetup(t, c)
	if s.Stations[0].Air != -1 || !slices.Equal(s.Stations[0].Food, []int{0}) {
		t.Errorf("station %+v", s.Stations[0])
	}
}

func TestSetupRefusesAStrayReference(t *testing.T) {
	c := mustParse(t, least)
	c.Stations[0].Food = []string{"gone"}
	if _, err := c.Setup(); err == nil || !strings.Contains(err.Error(), "gone") {
		t.Errorf("got %v", err)
	}
}

func TestExamples(t *testing.T) {
	names := ExampleNames()
	if want := []string{"all-probes", "cabinet", "demo-fleet", "demo", "pit-and-warmer", "restaurant"}; !slices.Equal(names, want) {
		t.Fatalf("examples %v, want %v", names, want)
	}
	for _, name := range names {
		t.Run(name, func(t *testing.T) {
			data, err := Example(name)
			if err != nil {
				t.Fatal(err)
			}
			c, err := Parse(name+".yaml", data)
			if err != nil {
				t.Fatal(err)
			}
			for _, w := range c.Warnings {
				// The kitchen of every chip has the one that nobody ought to buy too.
				if name != "all-probes" || !strings.Contains(w.What, "an MCP9600 cannot tell a broken thermocouple") {
					t.Errorf("an example is warned of: %v", w)
				}
			}
			mustSetup(t, c)
			if !strings.HasPrefix(string(data), "# ") {
				t.Error("an example begins with a comment that says what it is")
			}
		})
	}
	if _, err := Example("none"); err == nil || !strings.Contains(err.Error(), "cabinet") {
		t.Errorf("got %v", err)
	}
}

func TestDemoKitchen(t *testing.T) {
	data, err := Example("demo")
	if err != nil {
		t.Fatal(err)
	}
	c := mustParse(t, string(data))
	var lines []string
	for _, p := range c.Probes {
		lines = append(lines, strings.Join([]string{p.Name, p.Chip, p.Bus, p.Type}, " "))
	}
	for _, s := range c.Stations {
		lines = append(lines, strings.Join([]string{s.Name, string(s.Purpose), s.Air, strings.Join(s.Food, "+")}, " "))
	}
	want := []string{"warmer-air max31856 SPI0.1 K", "warmer-core max31855 SPI0.0 K", "pit-air max31856 SPI1.0 K", "pit-core max31855 SPI1.1 K",
		"warmer hot-holding warmer-air warmer-core", "pit cooking pit-air pit-core"}
	if !slices.Equal(lines, want) {
		t.Errorf("got %q", lines)
	}
	if !c.MQTT.Inside() || c.MQTT.Listen != "127.0.0.1:0" || c.HTTP.Listen != "127.0.0.1:0" {
		t.Errorf("ports: %+v %+v", c.MQTT, c.HTTP)
	}
}

// TestCustomEqualsPublished holds that the written-out limits of the restaurant example are those of the
// published code that it names.
func TestCustomEqualsPublished(t *testing.T) {
	data, err := Example("restaurant")
	if err != nil {
		t.Fatal(err)
	}
	got := mustParse(t, string(data)).Code
	want, err := foodcode.Lookup(foodcode.USFDA2022)
	if err != nil {
		t.Fatal(err)
	}
	if got.HotBasis.Confidence != rules.Local || got.Cooling[0].Basis.Document != "FDA Food Code 2022 (as this kitchen's configuration has it)" {
		t.Errorf("bases: %+v", got.HotBasis)
	}
	blank := func(c *rules.Code) {
		c.Name, c.Title = "", ""
		if c.CoolingAmbient != nil {
			c.CoolingAmbient.Basis = rules.Citation{}
		}
		for _, b := range []*rules.Citation{&c.HotBasis, &c.ColdBasis, &c.DangerBasis, &c.ReturnBasis, &c.Reheat.Basis, &c.Reheat.PackagedBasis, &c.ComeUpBasis} {
			*b = rules.Citation{}
		}
		for i := range c.Cooling {
			c.Cooling[i].Basis = rules.Citation{}
		}
		for i := range c.TimeControl {
			c.TimeControl[i].Basis = rules.Citation{}
		}
		for i := range c.Cooking {
			c.Cooking[i].Basis = rules.Citation{}
		}
		c.Roast, c.RoastHotLimit, c.RoastHotBasis = nil, nil, rules.Citation{} // a kitchen writes no roast table out
	}
	blank(&got)
	blank(&want)
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got  %+v\nwant %+v", got, want)
	}
}

// TestSlewByKind: what nobody wrote comes from where the probe sits; of several places the one with the fastest change
// counts, and what somebody wrote counts in all.
func TestSlewByKind(t *testing.T) {
	c := mustParse(t, `rules: { food_code: us-fda-2022 }
probes: [ { name: pit }, { name: cabinet }, { name: core }, { name: spare }, { name: both }, { name: own, max_slew: 3C }, { name: off, max_slew: 0C } ]
stations:
  - { name: a, purpose: cooking, air: pit, food: [core] }
  - { name: b, purpose: hot-holding, air: cabinet, food: [core, both] }
  - { name: c, purpose: cold-holding, air: both, food: [own, off] }
`)
	for i, want := range []sensor.Temp{20_000, 10_000, 5_000, 20_000, 10_000, 3_000, 0} {
		if p := c.Probes[i]; p.MaxSlew != want {
			t.Errorf("%s: %v a second, want %v", p.Name, p.MaxSlew, want)
		}
	}
}
