package configs

import (
	"fmt"
	"math"
	"os"
	"reflect"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"holdbell/rules"
	"holdbell/sensor"
	"holdbell/sensor/condition"
)

func TestTemperatures(t *testing.T) {
	for _, c := range []struct {
		text string
		want sensor.Temp
	}{
		{"150F", 65_556}, {"135F", 57_222}, {"41F", 5_000}, {"65.5C", 65_500}, {"-40F", -40_000}, {"-40C", -40_000}, {"+0C", 0}, {"32F", 0},
	} {
		if got, wrong, _ := parseTemp(c.text); wrong != "" || got != c.want {
			t.Errorf("%s: %d %s, want %d", c.text, got, wrong, c.want)
		}
	}
	for _, text := range []string{"", "C", "150", "150K", "150f", "1e2F", "0x10F", "1_0C", ".5C", "5.C", "--1C", "NaNC", "infF", "1,5C", "1001C", "9999999C", "150F ", "150FF"} {
		if got, wrong, fix := parseTemp(text); wrong == "" || fix == "" {
			t.Errorf("%q was read as %v", text, got)
		}
	}
}

func TestDifferences(t *testing.T) {
	for _, c := range []struct {
		text string
		want sensor.Temp
	}{
		{"1F", 556}, {"-0.4C", -400}, {"1.8F", 1000}, {"0F", 0}, {"-9F", -5000}, {"50C", 50_000},
	} {
		if got, wrong, _ := parseDifference(c.text); wrong != "" || got != c.want {
			t.Errorf("%s: %d %s, want %d", c.text, got, wrong, c.want)
		}
	}
	if got, wrong, _ := parseSlew("20C/s"); wrong != "" || got != condition.Default().MaxSlew {
		t.Errorf("20C/s: %v %s", got, wrong)
	}
	for _, text := range []string{"1", "51C", "-91F", "C/s", "1C/h"} {
		if got, wrong, _ := parseDifference(text); wrong == "" {
			t.Errorf("%q was read as %v", text, got)
		}
	}
}

// TestFahrenheitAgrees holds that a whole degree Fahrenheit in a configuration is the very limit that the
// published codes hold, and a difference the distance of two of them to a thousandth.
func TestFahrenheitAgrees(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := rapid.IntRange(-360, 1700).Draw(t, "f")
		got, wrong, _ := parseTemp(fmt.Sprintf("%dF", f))
		if wrong != "" || got != sensor.FahrenheitLimit(f) {
			t.Fatalf("%dF is %d %s, want %d", f, got, wrong, sensor.FahrenheitLimit(f))
		}
		d := rapid.IntRange(-90, 90).Draw(t, "d")
		diff, wrong, _ := parseDifference(fmt.Sprintf("%dF", d))
		between := sensor.FahrenheitLimit(f+d) - sensor.FahrenheitLimit(f)
		if wrong != "" || math.Abs(float64(diff-between)) > 1 {
			t.Fatalf("a difference of %dF is %d %s, the distance %d", d, diff, wrong, between)
		}
	})
}

func TestEdits(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want int
	}{{"", "", 0}, {"a", "", 1}, {"", "abc", 3}, {"kitten", "sitting", 3}, {"perod", "period", 1}} {
		if got := edits(c.a, c.b); got != c.want {
			t.Errorf("%q to %q: %d, want %d", c.a, c.b, got, c.want)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		a, b := rapid.StringN(0, 12, 40).Draw(t, "a"), rapid.StringN(0, 12, 40).Draw(t, "b")
		if edits(a, b) != edits(b, a) || (edits(a, b) == 0) != (a == b) {
			t.Fatalf("edits is no distance for %q and %q", a, b)
		}
	})
}

// TestOverrides holds that every key of the contract arrives where it belongs.
func TestOverrides(t *testing.T) {
	c := mustParse(t, `
site: a
units: celsius
period: 500ms
gap_allowance: 3m
calibration_every: 4380h
rules:
  food_code: uk
  hand_accuracy: 1F
  alarms: { below-hot-limit: { raise_delay: 20s, clear_delay: 2m, hysteresis: 1F, repeat: 0s, priority: warning } }
probes:
  - { name: core, chip: max31855, bus: SPI10.2, type: T, ignore_faults: [short_gnd, short_vcc], max_slew: 0C, accuracy: 1F }
  - { name: air, chip: max31856, bus: SPI0.0, type: K, mains_hz: 50, averaging: 16, offset: 1F, max_slew: 36F/s, calibration_every: 0s }
stations:
  - { name: a, purpose: cold-holding, food: [core], probes_apart: 9F, alarms: { probe-fault: { repeat: 7m } } }
  - { name: b, purpose: hot-holding, air: air, probes_apart: off }
publish:
  http: { listen: ":9000", web_config: /etc/w.yaml, address: "https://kitchen.example/" }
  mqtt: { broker: embedded, users: [ { name: k, password_file: /etc/p } ], commands: true, prefix: house/kitchen, discovery: homeassistant }
  phone: [ { url_file: /etc/u, after: 20m, quiet: { from: "22:30", to: "06:00", zone: UTC } } ]
ledger: { path: /data/l.db, keep_full: 48h, max_size: 64MiB, min_free: 2GiB }
log: { level: debug }
`)
	if c.Keep != (Keep{Full: 48 * time.Hour, MaxSize: 64 << 20, MinFree: 2 << 30}) {
		t.Errorf("keep %+v", c.Keep)
	}
	if s, err := c.Setup(); err != nil || s.HandAccuracy != 556 {
		t.Errorf("hand accuracy %v, %v", s.HandAccuracy, err)
	}
	if s, _ := c.Setup(); s.Probes[0].CalibrateEvery != 4380*time.Hour || s.Probes[1].CalibrateEvery != 0 {
		t.Errorf("calibrations of %v and %v", s.Probes[0].CalibrateEvery, s.Probes[1].CalibrateEvery)
	}
	if s, _ := c.Setup(); *s.Stations[0].ProbesApart != 5000 || *s.Stations[1].ProbesApart >= 0 {
		t.Errorf("probes apart by %v and %v", *s.Stations[0].ProbesApart, *s.Stations[1].ProbesApart)
	}
	a := c.Alarms[rules.BelowHotLimit]
	if *a.RaiseDelay != 20*time.Second || *a.ClearDelay != 2*time.Minute || *a.Hysteresis != 556 || *a.Repeat != 0 || *a.Priority != rules.Warning {
		t.Errorf("alarm %+v", a)
	}
	if own := c.Stations[0].Alarms[rules.ProbeFault]; *own.Repeat != 7*time.Minute || own.RaiseDelay != nil {
		t.Errorf("the station's alarm %+v", own)
	}
	if p := c.Probes[0]; len(p.IgnoreFaults) != 2 || p.MaxSlew != 0 || p.Accuracy != 556 || p.Bus != "SPI10.2" {
		t.Errorf("probe %+v", p)
	}
	if p := c.Probes[1]; p.Averaging != 16 || p.MainsHz != 50 || p.Offset != 556 || p.MaxSlew != 20_000 {
		t.Errorf("probe %+v", p)
	}
	if m := c.MQTT; m.Listen != DefaultMQTTListen || !m.Commands || m.Users[0] != (User{"k", "/etc/p"}) || m.Prefix != "house/kitchen" || m.Discovery != "homeassistant" {
		t.Errorf("mqtt %+v", m)
	}
	if p := c.Phones[0]; p.After != 20*time.Minute || *p.Quiet != (rules.Shift{From: 22*time.Hour + 30*time.Minute, To: 6 * time.Hour, Zone: time.UTC}) {
		t.Errorf("phone %+v", p)
	}
	if c.HTTP != (HTTP{Listen: ":9000", WebConfig: "/etc/w.yaml", Address: "https://kitchen.example"}) || c.Phones[0].From != rules.Warning || c.Ledger != "/data/l.db" || c.LogLevel.String() != "DEBUG" ||
		c.Code.Name != "uk" || c.Period != 500*time.Millisecond {
		t.Errorf("config %+v", c)
	}
	mustSetup(t, c)
}

// TestChips holds what each chip can be told.
func TestChips(t *testing.T) {
	c := mustParse(t, `
rules: { food_code: us-fda-2022 }
probes:
  - { name: a, chip: max31855, bus: SPI0.0, type: N, offset: 0C }
  - { name: b, chip: max31856, bus: SPI0.1, type: B, mains_hz: 50, averaging: 8, open_detect: 5k-to-40k-slow, cold_junction_offset: -0.5C, offset: 0C }
  - { name: c, chip: max31865, bus: SPI1.0, rtd: pt100, wires: 3, reference: 430, mains_hz: 60, offset: 0C }
  - { name: d, chip: max31865, bus: SPI1.1, rtd: pt1000, wires: 4, reference: 4020.5, mains_hz: 60, offset: 0C }
  - { name: e, chip: max6675, bus: SPI1.2, offset: 0C }
  - { name: f, chip: max6675, bus: SPI2.0, type: K, offset: 0C }
stations: [ { name: s, purpose: cooking, food: [a, b, c, d, e, f] } ]
`)
	for i, want := range []Probe{
		{Chip: "max31855", Bus: "SPI0.0", Type: "N"},
		{Chip: "max31856", Bus: "SPI0.1", Type: "B", MainsHz: 50, Averaging: 8, OpenDetect: Open40kSlow, ColdJunctionOffset: -500},
		{Chip: "max31865", Bus: "SPI1.0", RTD: Pt100, Wires: 3, Reference: 430, MainsHz: 60},
		{Chip: "max31865", Bus: "SPI1.1", RTD: Pt1000, Wires: 4, Reference: 4020.5, MainsHz: 60},
		{Chip: "max6675", Bus: "SPI1.2", Type: "K"},
		{Chip: "max6675", Bus: "SPI2.0", Type: "K"},
	} {
		want.Name, want.MaxSlew, want.Calibrated = string(rune('a'+i)), condition.FoodCore.MaxSlew(), true
		if got := c.Probes[i]; !reflect.DeepEqual(got, want) {
			t.Errorf("got  %+v\nwant %+v", got, want)
		}
	}
	if len(c.Warnings) != 0 {
		t.Errorf("%v", c.Warnings)
	}
}

// TestAccuracy holds what the rules are told of a probe: what somebody found, else what thermometer and chip claim, and
// nothing of a probe that was calibrated by nobody knows how much.
func TestAccuracy(t *testing.T) {
	c := mustParse(t, `
rules: { food_code: us-fda-2022 }
probes:
  - { name: a, chip: max31855, bus: SPI0.0, type: K }
  - { name: b, chip: max31855, bus: SPI0.1, type: K, class: iec-1 }
  - { name: c, chip: max31865, bus: SPI1.0, rtd: pt100, wires: 4, reference: 430, mains_hz: 60, class: a }
  - { name: d, chip: max31865, bus: SPI1.1, rtd: pt100, wires: 2, reference: 430, mains_hz: 60, class: a }
  - { name: e, chip: max31855, bus: SPI1.2, type: K, accuracy: 0.7C }
  - { name: f, chip: max31855, bus: SPI2.0, type: K, offset: 0.2C }
  - { name: g, chip: max31855, bus: SPI2.1, type: K, offset: 0.2C, accuracy: 0.5C }
  - { name: h }
stations: [ { name: s, purpose: cooking, food: [a, b, c, d, e, f, g, h] } ]
`)
	s := mustSetup(t, c)
	for i, want := range []sensor.Temp{4500, 3500, 1300, 0, 700, 0, 500, 0} {
		if got := s.Probes[i].Accuracy; got != want {
			t.Errorf("probe %s: %v, want %v", s.Probes[i].Name, got, want)
		}
	}
	said := fmt.Sprint(c.Warnings)
	for _, want := range []string{"probe a is not calibrated: its thermometer and chip can claim ±4.5 °C", "can claim ±3.5 °C", "can claim ±1.3 °C",
		"probe d is not calibrated, and its thermometer and chip can claim no accuracy"} {
		if !strings.Contains(said, want) {
			t.Errorf("%v\nsays nothing of %q", said, want)
		}
	}
	if len(c.Warnings) != 4 {
		t.Errorf("%d warnings", len(c.Warnings))
	}
}

func TestWarnings(t *testing.T) {
	const head = "rules: { food_code: us-fda-2022 }\n"
	for name, c := range map[string]struct{ text, want string }{
		"guard by claim": {"rules: { food_code: us-fda-2022, guard_band: true }\nprobes: [ { name: a, chip: max31855, bus: SPI0.0, type: K } ]\nstations: [ { name: s, purpose: cooking, food: [a] } ]\n",
			"kitchen.yaml:2:22: guard_band moves the limits of probe a by ±4.5 °C"},
		"uncalibrated":   {head + "probes: [ { name: a, chip: max31855, bus: SPI0.0, type: K } ]\nstations: [ { name: s, purpose: cooking, food: [a] } ]\n", "kitchen.yaml:2:22: probe a is not calibrated: its thermometer and chip can claim ±4.5 °C"},
		"inaccurate":     {head + "probes: [ { name: a, accuracy: 4F } ]\nstations: [ { name: s, purpose: cooking, food: [a] } ]\n", "kitchen.yaml:2:22: probe a is good for ±2.2 °C"},
		"unused":         {head + "probes: [ { name: a }, { name: b } ]\nstations: [ { name: s, purpose: cooking, food: [a] } ]\n", "kitchen.yaml:2:26: no station uses probe b"},
		"air alone":      {head + "probes: [ { name: a } ]\nstations: [ { name: s, purpose: hot-holding, air: a } ]\n", "station s judges food by its air alone"},
		"hot setpoint":   {head + "probes: [ { name: a } ]\nstations: [ { name: s, purpose: hot-holding, food: [a], setpoint: 134F } ]\n", "station s is set below the hot limit of 57.2 °C"},
		"cold setpoint":  {head + "probes: [ { name: a } ]\nstations: [ { name: s, purpose: cold-holding, food: [a], setpoint: 42F } ]\n", "station s is set above the cold limit of 5.0 °C"},
		"long gap":       {"gap_allowance: 20m\n" + least, "readings are interpolated over gaps of up to 20m0s"},
		"open page":      {least + "publish: { http: { listen: \":9834\" } }\n", "anyone on the network can open the page"},
		"clear password": {least + "publish: { remote_write: { url: \"http://b/w\", username: u, password_file: /p } }\n", "the login crosses the network in the clear"},
		"clear token":    {least + "publish: { remote_write: { url: \"http://192.168.1.9:9090/w\", bearer_file: /p } }\n", "the login crosses the network in the clear"},
		"clear login":    {least + "publish: { mqtt: { broker: \"tcp://b:1883\", username: u, password_file: /p } }\n", "the password crosses the network in the clear"},
		"nothing":        {head + "probes: []\nstations: []\n", "no station is configured"},
		"low limit": {"rules: { food_code: custom, hot_limit: 120F, cold_limit: 41F, danger_limit: 4h, cold_danger_limit: 4h, reheat: { target: 165F, hold: 15s }, cooling: [ { to: 41F, within: 6h } ] }\n" +
			"probes: [ { name: a } ]\nstations: [ { name: s, purpose: cooking, food: [a] } ]\n", "a hot limit of 48.9 °C lies below every published one"},
	} {
		t.Run(name, func(t *testing.T) {
			got := mustParse(t, c.text).Warnings
			if len(got) != 1 || !strings.Contains(got[0].String(), c.want) || got[0].Fix == "" || got[0].Line < 1 || got[0].Column < 1 {
				t.Errorf("got %v, want one with %q", got, c.want)
			}
		})
	}
	if w := mustParse(t, least).Warnings; len(w) != 0 {
		t.Errorf("warned without cause: %v", w)
	}
}

// TestTooMuch holds that what would be dear to read is refused, not read: the parser's time grows with
// the square of nesting and keys.
func TestTooMuch(t *testing.T) {
	bomb := "a: &a [x, x, x, x, x, x, x, x, x]\n"
	for c := 'b'; c < 'k'; c++ {
		bomb += fmt.Sprintf("%c: &%c [%s]\n", c, c, strings.TrimSuffix(strings.Repeat(fmt.Sprintf("*%c, ", c-1), 9), ", "))
	}
	for name, c := range map[string]struct{ text, want string }{
		"bytes":    {strings.Repeat("# long\n", 160_000), "bytes, more than 1048576"},
		"keys":     {strings.Repeat("a: b\n", 150_000), "more than 20000 words"},
		"brackets": {strings.Repeat("[", 19_000), "nested deeper"},
		"braces":   {strings.Repeat("{a: ", 6_000), "nested deeper"},
		"dashes":   {strings.Repeat("- ", 19_000), "nested deeper"},
		"aliases":  {bomb, "aliases"},
		"question": {strings.Repeat("? ", 19_000), "keys introduced by ?"},
		"nul":      {"site: a\x00b\n", "no text"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := Parse("kitchen.yaml", []byte(c.text))
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Fatalf("got %.200v", err)
			}
			checkProblems(t, err)
		})
	}
}

// TestOtherEditors: a byte order mark and carriage returns are what some editors save.
func TestOtherEditors(t *testing.T) {
	mustParse(t, "\xef\xbb\xbf"+strings.ReplaceAll(contract, "\n", "\r\n"))
	_, err := Parse("kitchen.yaml", []byte("\xef\xbb\xbf"+strings.ReplaceAll("site: a\nunits: b\n"+least, "\n", "\r\n")))
	if p := Problems(err); len(p) != 1 || p[0].Line != 2 || p[0].Column != 8 {
		t.Errorf("got %v", err)
	}
}

func BenchmarkParse(b *testing.B) {
	for _, name := range []string{"cabinet", "restaurant"} {
		b.Run(name, func(b *testing.B) {
			data, err := os.ReadFile("examples/" + name + ".yaml")
			if err != nil {
				b.Fatal(err)
			}
			b.SetBytes(int64(len(data)))
			for b.Loop() {
				if _, err := Parse(name, data); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// A thermistor tells how good it is when all its tolerances and a measured excitation stand; an AD8495 by its datasheet.
func TestClaimsBeforeAnADC(t *testing.T) {
	const probe = "probes:\n  - { name: core, chip: ads1115, bus: I2C1, address: 0x48, channel: 0, supply: 3.3V, %s }\n"
	const rest = "stations:\n  - { name: warmer, purpose: hot-holding, food: [core] }\nrules: { food_code: us-fda-2022 }\n"
	for text, want := range map[string]sensor.Temp{
		"frontend: ad8495, reference_voltage: 1.25V, amplifier_supply: 5V":                                                                                   8000,
		"thermistor: { r25: 100k, beta: 3950, r25_tolerance: 1%, beta_tolerance: 1%, series: 10k, series_tolerance: 1%, to: ground, excitation_channel: 3 }": 2500,
		"thermistor: { r25: 100k, beta: 3950, r25_tolerance: 1%, beta_tolerance: 1%, series: 10k, to: ground, excitation_channel: 3 }":                       0,
		"thermistor: { r25: 100k, beta: 3950, r25_tolerance: 1%, beta_tolerance: 1%, series: 10k, series_tolerance: 1%, to: ground, excitation: 3.3V }":      0,
		"thermistor: { steinhart_hart: [1.295361e-3, 2.343159e-4, 1.018703e-7], series: 10k, series_tolerance: 1%, to: ground, excitation_channel: 3 }":      0,
	} {
		c := mustParse(t, fmt.Sprintf(probe, text)+rest)
		if got := c.Probes[0].Claim(); got != want {
			t.Errorf("%s: %d, want %d", text, got, want)
		}
	}
	for bad, want := range map[string]string{
		"r25: 100k, beta: 3950, r25_tolerance: 0.01":                                  "write percent with their sign",
		"r25: 100k, beta: 3950, r25_tolerance: 50%":                                   "at most 20%",
		"steinhart_hart: [1.295361e-3, 2.343159e-4, 1.018703e-7], beta_tolerance: 1%": "steinhart_hart has no beta_tolerance",
	} {
		_, err := Parse("kitchen.yaml", fmt.Appendf(nil, probe+rest, "thermistor: { "+bad+", series: 10k, to: ground, excitation_channel: 3 }"))
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", bad, err, want)
		}
	}
}

// A heartbeat goes out once a minute and says nothing while something is wrong, unless told.
func TestHeartbeat(t *testing.T) {
	const text = "publish:\n  heartbeat: { url_file: %s }\n"
	for said, want := range map[string]Heartbeat{
		"/etc/holdbell/heartbeat.url":            {"/etc/holdbell/heartbeat.url", time.Minute, ""},
		"$CREDENTIALS_DIRECTORY/beat, every: 5m": {"$CREDENTIALS_DIRECTORY/beat", 5 * time.Minute, ""},
		"/b.url, every: 10s, fail: /v1/down":     {"/b.url", 10 * time.Second, "/v1/down"},
	} {
		if c := mustParse(t, least+fmt.Sprintf(text, said)); c.Heartbeat == nil || *c.Heartbeat != want {
			t.Errorf("%s: %+v, want %+v", said, c.Heartbeat, want)
		}
	}
	if c := mustParse(t, least); c.Heartbeat != nil {
		t.Errorf("a heartbeat that nobody asked for: %+v", c.Heartbeat)
	}
}

// Remote write is off unless asked for, speaks what every receiver knows, and is gentle.
func TestRemoteWrite(t *testing.T) {
	const text = "publish:\n  remote_write: { url: \"https://metrics.example/api/v1/write\"%s }\n"
	for said, want := range map[string]RemoteWrite{
		"": {Protocol: "1.0", Every: 15 * time.Second, BacklogRate: 2000, Jitter: 5 * time.Second},
		", username: kitchen, password_file: $CREDENTIALS_DIRECTORY/p, protocol: 1.0, every: 1m, backlog_rate: 100, jitter: 0s": {Username: "kitchen",
			PasswordFile: "$CREDENTIALS_DIRECTORY/p", Protocol: "1.0", Every: time.Minute, BacklogRate: 100},
		", bearer_file: /t, ca_file: /ca, cert_file: /c, key_file: /k, protocol: auto, jitter: 1m": {BearerFile: "/t", CAFile: "/ca", CertFile: "/c", KeyFile: "/k",
			Protocol: "auto", Every: 15 * time.Second, BacklogRate: 2000, Jitter: time.Minute},
	} {
		want.URL = "https://metrics.example/api/v1/write"
		if c := mustParse(t, least+fmt.Sprintf(text, said)); c.RemoteWrite == nil || *c.RemoteWrite != want {
			t.Errorf("%s: %+v, want %+v", said, c.RemoteWrite, want)
		}
	}
	if c := mustParse(t, least); c.RemoteWrite != nil {
		t.Errorf("a receiver that nobody asked for: %+v", c.RemoteWrite)
	}
}
