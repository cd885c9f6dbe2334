package main

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"flag"
	"io"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"holdbell/cmd/internal/daemon"
	"holdbell/publish/ledger"
	"holdbell/rules"
	"holdbell/sensor"
	"holdbell/sensor/its90"
	"holdbell/sensor/kitchen"
	"holdbell/sensor/kitchen/chip"
	"holdbell/sensor/kitchen/heat"
	"holdbell/sensor/recording"
)

var makeDay = flag.Bool("day", false, "make testdata/day/recording.csv anew with the simulator; read the goldens' differences afterwards")

// dayBegins is when the recorded day begins: five in the morning.
var dayBegins = sensor.Instant{Wall: time.Date(2026, 6, 6, 5, 0, 0, 0, time.UTC), Believed: true}

// clock is a moment of the day's story by the kitchen's clock; past 24 h it is the next day.
func clock(h, m int) time.Duration {
	return time.Duration(h-5)*time.Hour + time.Duration(m)*time.Minute
}

func celsius(f float64) float64 { return (f - 32) / 1.8 }

// dayPlan is the kitchen of testdata/day and what happens in it; marks.csv holds what its people told.
func dayPlan() kitchen.Plan {
	chill, oven := kitchen.Chiller("chill", 1.5), kitchen.HoldingCabinet("oven", celsius(350))
	chill.Film, chill.Heater.Watts = 30, -1500 // a fan, and a machine made for warm pans
	oven.Start, oven.Heater.Watts, oven.Heater.CutOut, oven.Film = 24, 5000, 0, 25
	warmer, counter := kitchen.HoldingCabinet("warmer", celsius(150)), kitchen.HoldingCabinet("counter", celsius(155))
	const off = 5.0 // °C: a cabinet whose thermostat is turned down
	warmer.Start, warmer.Heater.Setpoint = 24, off
	counter.Start, counter.Heater.Setpoint = 24, off
	pan := heat.Slab(0.045, 0.12)
	plan := kitchen.Plan{
		Seed: 6, Room: 24,
		Stations: []kitchen.Station{kitchen.SmokePit("pit", celsius(275)), warmer, counter, chill, kitchen.Chiller("walkin", 3), oven},
		Foods: []kitchen.Food{
			{Name: "shoulder-1", Start: 4, Shape: heat.Box(0.21, 0.15, 0.08), Made: heat.RawPorkShoulder()},
			{Name: "shoulder-2", Start: 4, Shape: heat.Box(0.24, 0.16, 0.09), Made: heat.RawPorkShoulder()},
			{Name: "ribs", Start: 4, Shape: heat.Box(0.14, 0.11, 0.034), Made: heat.RawPorkShoulder()},
			{Name: "leftover", Start: celsius(146), Shape: pan, Made: heat.CookedBrisket()},
		},
	}
	room := kitchen.Place{}
	air := func(station string) kitchen.Place { return kitchen.Place{Station: station} }
	for _, p := range []struct {
		name, bus string
		at        kitchen.Place
	}{
		{"pit-air", "SPI0.0", air("pit")}, {"warmer-air", "SPI0.1", air("warmer")}, {"counter-air", "SPI1.0", air("counter")},
		{"chill-air", "SPI1.1", air("chill")}, {"walkin-air", "SPI1.2", air("walkin")}, {"oven-air", "SPI2.0", air("oven")},
		{"lead-1", "SPI2.1", room}, {"lead-2", "SPI2.2", room}, {"lead-3", "SPI3.0", room},
	} {
		plan.Probes = append(plan.Probes, kitchen.Probe{Name: p.name, Chip: "max31855", Bus: p.bus, Type: its90.K, At: p.at,
			Lag: 15 * time.Second, Noise: 0.05})
	}
	in := func(food string) kitchen.Place { return kitchen.Place{Food: food} }
	at := func(h, m int, do ...kitchen.Action) {
		for _, d := range do {
			plan.Script = append(plan.Script, kitchen.Event{At: clock(h, m), Do: d})
		}
	}
	at(5, 10, kitchen.Load{Food: "shoulder-1", Station: "pit"}, kitchen.Put{Probe: "lead-1", At: in("shoulder-1")})
	at(5, 12, kitchen.Load{Food: "shoulder-2", Station: "pit"}, kitchen.Put{Probe: "lead-2", At: in("shoulder-2")})
	for h, m := 5, 45; h < 12; m += 50 {
		if m >= 60 {
			h, m = h+1, m-60
		}
		at(h, m, kitchen.Door{Station: "pit", Open: true}, kitchen.Feed{Station: "pit", Kg: 1.2})
		at(h, m+1, kitchen.Door{Station: "pit"})
	}
	at(9, 20, kitchen.Wrap{Food: "shoulder-1"}, kitchen.Wrap{Food: "shoulder-2"})
	at(9, 30, kitchen.Load{Food: "ribs", Station: "pit"}, kitchen.Put{Probe: "lead-3", At: in("ribs")})
	at(10, 30, kitchen.Lead{Probe: "lead-2", Is: chip.Open})
	at(10, 34, kitchen.Lead{Probe: "lead-2", Is: chip.Intact})
	at(12, 20, kitchen.Setpoint{Station: "counter", Celsius: celsius(155)})
	at(12, 28, kitchen.Setpoint{Station: "warmer", Celsius: celsius(150)})
	at(12, 30, kitchen.Load{Food: "ribs", Station: "counter"})
	at(12, 40, kitchen.Load{Food: "shoulder-1", Station: "warmer"})
	at(13, 5, kitchen.Load{Food: "shoulder-2", Station: "warmer"})
	// The counter's breaker trips in the afternoon lull, and is found by the bell.
	at(14, 10, kitchen.Breaker{Station: "counter", Tripped: true})
	at(14, 46, kitchen.Load{Food: "ribs", Station: "oven"})
	at(15, 6, kitchen.Breaker{Station: "counter"})
	at(15, 8, kitchen.Load{Food: "ribs", Station: "counter"})
	at(17, 0, kitchen.Door{Station: "warmer", Open: true})
	at(17, 3, kitchen.Door{Station: "warmer"})
	at(19, 20, kitchen.Remove{Food: "shoulder-1"}, kitchen.Remove{Food: "ribs"}, kitchen.Put{Probe: "lead-1", At: room})
	at(19, 30, kitchen.Put{Probe: "lead-3", At: in("leftover")}, kitchen.Load{Food: "leftover", Station: "chill"})
	at(19, 21, kitchen.Setpoint{Station: "counter", Celsius: off})
	at(20, 30, kitchen.Setpoint{Station: "warmer", Celsius: off}, kitchen.Remove{Food: "shoulder-2"}, kitchen.Put{Probe: "lead-2", At: room})
	at(24, 40, kitchen.Load{Food: "leftover", Station: "walkin"})
	at(35, 0, kitchen.Load{Food: "leftover", Station: "oven"}, kitchen.Wrap{Food: "leftover"})
	at(35, 58, kitchen.Setpoint{Station: "counter", Celsius: celsius(155)})
	at(36, 10, kitchen.Load{Food: "leftover", Station: "counter"})
	at(37, 30, kitchen.Remove{Food: "leftover"})
	return plan
}

// dayEnds is after the last of the leftovers was served.
var dayEnds = clock(37, 34)

// A row is kept when a reading has moved by this much since the last row that was kept, or longest has passed:
// what lies between is a straight line to the rules. A thermostat's swing in the air is told coarsely.
const (
	movedFood = 0.6 // °C
	movedAir  = 4.0 // °C
	longest   = 2 * time.Minute
	period    = 10 * time.Second
)

func recordDay(t *testing.T, path string) {
	t.Helper()
	cfg, err := loadConfig("testdata/day/kitchen.yaml")
	if err != nil {
		t.Fatal(err)
	}
	k, err := kitchen.New(dayPlan())
	if err != nil {
		t.Fatal(err)
	}
	probes, err := daemon.Probes(cfg, daemon.Places{Buses: k})
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	drivers := make([]sensor.Probe, len(probes))
	for i := range probes {
		names, drivers[i] = append(names, cfg.Probes[i].Name), probes[i].Probe
	}
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	out, err := recording.NewWriter(f, names, false)
	if err != nil {
		t.Fatal(err)
	}
	source := k.Source(drivers, period, dayBegins)
	var kept sensor.Sweep
	for k.Now() < dayEnds {
		s, err := source.Next(context.Background())
		if err != nil {
			t.Fatal(err)
		}
		if since, _ := s.At.Sub(kept.At); !kept.At.IsZero() && since < longest && !differs(names, kept.Readings, s.Readings) {
			continue
		}
		kept = sensor.Sweep{At: s.At, Readings: append([]sensor.Reading(nil), s.Readings...)}
		if err := out.Write(kept); err != nil {
			t.Fatal(err)
		}
	}
	if err := out.Flush(); err != nil {
		t.Fatal(err)
	}
}

func differs(names []string, a, b []sensor.Reading) bool {
	for i := range a {
		moved := movedFood
		if strings.HasSuffix(names[i], "-air") {
			moved = movedAir
		}
		if a[i].Fault != b[i].Fault || math.Abs(a[i].Temp.Celsius()-b[i].Temp.Celsius()) >= moved {
			return true
		}
	}
	return false
}

// golden compares text with a file beside the day's recording; HOLDBELL_UPDATE=1 writes it anew.
func golden(t *testing.T, name, text string) {
	t.Helper()
	path := "testdata/day/" + name
	if os.Getenv("HOLDBELL_UPDATE") == "1" {
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if text != string(want) {
		t.Errorf("%s reads otherwise; HOLDBELL_UPDATE=1 writes it anew. Now:\n%s", path, text)
	}
}

const dayRecording = "testdata/day/recording.csv"

// The recorded day, from the pit over the warmer and service to leftovers that are chilled and reheated, is one
// page that a cook and an inspector both follow.
func TestDay(t *testing.T) {
	if *makeDay {
		recordDay(t, dayRecording)
	}
	st, err := os.Stat(dayRecording)
	if err != nil {
		t.Fatal(err)
	}
	if st.Size() > 300_000 {
		t.Errorf("%s has %d bytes; make it coarser", dayRecording, st.Size())
	}
	var out, errs strings.Builder
	args := []string{"replay", "--config", "testdata/day/kitchen.yaml", "--marks", "testdata/day/marks.csv", dayRecording}
	if got := holdbell(args, &out, &errs); got != exitOK || errs.Len() > 0 {
		t.Fatalf("exit status %d: %s", got, errs.String())
	}
	golden(t, "timeline.txt", out.String())
	const page = 100 // lines; a sheet in small print
	if n := strings.Count(out.String(), "\n"); n > page {
		t.Errorf("the day has %d lines, more than the %d of a page", n, page)
	}
}

// dayLedger makes the ledger that the daemon would have made of the recorded day; its id is all zeros, so that a
// text can be compared.
func dayLedger(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "ledger.db")
	l, err := ledger.Open(path, ledger.Options{})
	if err != nil {
		t.Fatal(err)
	}
	cfg, err := loadConfig("testdata/day/kitchen.yaml")
	if err != nil {
		t.Fatal(err)
	}
	setup, err := cfg.Setup()
	if err != nil {
		t.Fatal(err)
	}
	engine, err := rules.New(setup)
	if err != nil {
		t.Fatal(err)
	}
	var layout []string
	for _, p := range cfg.Probes {
		layout = append(layout, p.Name)
	}
	f, err := os.Open(dayRecording)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rec, err := recording.Open(f, dayRecording, layout)
	if err != nil {
		t.Fatal(err)
	}
	due, err := (&replay{marks: "testdata/day/marks.csv"}).readMarks(rec)
	if err != nil {
		t.Fatal(err)
	}
	b := ledger.Batch{Layout: layout, FirstSweep: 1}
	number := uint64(0)
	commit := func() {
		if err := l.Commit(context.Background(), b); err != nil {
			t.Fatal(err)
		}
		b = ledger.Batch{Layout: layout, FirstSweep: number + 1}
	}
	for {
		s, err := rec.Next(context.Background())
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		number++
		in := rules.Input{Sweep: s}
		n := upTo(due, s.At)
		in.Marks, due = due[:n], due[n:]
		b.Sweeps = append(b.Sweeps, sensor.Sweep{At: s.At, Readings: append([]sensor.Reading(nil), s.Readings...)})
		for _, m := range in.Marks {
			b.Marks = append(b.Marks, ledger.Marked{Sweep: number, Mark: m})
		}
		b.Events = append(b.Events, engine.Step(in)...)
		if number%60 == 0 {
			commit()
		}
	}
	commit()
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	db, err := sql.Open("sqlite", path)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	// An id of every run's own would stand in the golden file; the record lets nobody change it.
	var guard string
	if err := db.QueryRow(`SELECT sql FROM sqlite_master WHERE name = 'id_stands'`).Scan(&guard); err != nil {
		t.Fatal(err)
	}
	if _, err := db.Exec(`PRAGMA journal_mode = DELETE; DROP TRIGGER id_stands;
		UPDATE meta SET value = '00000000000000000000000000000000' WHERE key = 'id'; ` + guard); err != nil {
		t.Fatal(err)
	}
	return path
}

// in runs a verb with the zone of a kitchen, as its own process does, and wants its exit status.
func inZone(t *testing.T, zone string, want int, args ...string) (out, errs string) {
	t.Helper()
	place, err := time.LoadLocation(zone)
	if err != nil {
		t.Fatal(err)
	}
	local := time.Local
	time.Local = place
	defer func() { time.Local = local }()
	var o, e strings.Builder
	if got := holdbell(args, &o, &e); got != want {
		t.Fatalf("%v: exit status %d, want %d: %s", args, got, want, e.String())
	}
	return o.String(), e.String()
}

func TestDayRecord(t *testing.T) {
	path := dayLedger(t)
	base := []string{"records", "--config", "testdata/day/kitchen.yaml", "--ledger", path}
	run := func(want int, more ...string) (string, string) {
		t.Helper()
		return inZone(t, "UTC", want, append(slices.Clone(base), more...)...)
	}
	text, _ := run(exitOK, "--from", "2026-06-06")
	// A ledger's id and its beginning are its own, so its hashes are, too.
	const masked = "0000-0000-0000-0000"
	text = regexp.MustCompile(`\b[0-9a-f]{4}(-[0-9a-f]{4}){3}\b`).ReplaceAllString(text, masked)
	if !strings.Contains(text, masked) {
		t.Error("the record tells no head")
	}
	golden(t, "record.txt", text)
	for i, line := range strings.Split(text, "\n") {
		if utf8.RuneCountInString(line) > 80 {
			t.Errorf("line %d of the record is wider than a terminal: %s", i+1, line)
		}
	}
	csv, _ := run(exitOK, "--from", "2026-06-06", "--format", "csv")
	golden(t, "record.csv", csv)
	side, _ := run(exitOK, "--compare", "shoulder-1", "shoulder-2")
	golden(t, "compare.txt", side)
}

// `replay --json` has every key that interfaces.md names for it, each of the kind that it says.
func TestDayReportKeys(t *testing.T) {
	out, _ := inZone(t, "UTC", exitOK, "replay", "--json", "--config", "testdata/day/kitchen.yaml", "--marks", "testdata/day/marks.csv", dayRecording)
	var report any
	if err := json.Unmarshal([]byte(out), &report); err != nil {
		t.Fatal(err)
	}
	const text, number, yes, null = "text", "number", "bool", "null"
	keys := []struct {
		path  string // "*" is each entry of a list, or each name of an object
		kinds []string
	}{
		{"from", []string{text}}, {"to", []string{text}}, {"sweeps", []string{number}},
		{"probes.*.valid", []string{number}}, {"probes.lead-2.faults.open", []string{number}},
		{"probes.*.min_celsius", []string{number}}, {"probes.*.max_celsius", []string{number}}, {"probes.*.mean_celsius", []string{number}},
		{"lots.*.lot", []string{text}}, {"lots.*.food", []string{text}}, {"lots.*.station", []string{text}}, {"lots.*.stage", []string{text}},
		{"lots.*.verdict", []string{text}}, {"lots.*.action", []string{text}}, {"lots.*.deadline", []string{text, null}}, {"lots.*.basis", []string{text}},
		{"lots.*.danger_zone_seconds", []string{number}}, {"lots.*.below_hot_limit_seconds", []string{number}},
		{"lots.*.come_up_seconds", []string{number}}, {"lots.*.unknown_seconds", []string{number}},
		{"lots.*.cooling", []string{"object", null}}, {"lots.*.reheating", []string{"object", null}},
		{"lots.pulled.cooling.started", []string{text}}, {"lots.pulled.cooling.stage1_seconds", []string{number}},
		{"lots.pulled.cooling.stage2_seconds", []string{number}}, {"lots.pulled.cooling.result", []string{text}},
		{"lots.ribs.reheating.started", []string{text}}, {"lots.ribs.reheating.reached_seconds", []string{number}}, {"lots.ribs.reheating.result", []string{text}},
		{"lots.*.lethality.salmonella_log10", []string{number}}, {"lots.*.lethality.table_met", []string{yes}},
		{"lots.*.growth.c_perfringens_log10", []string{number}},
		{"lots.*.c100_minutes", []string{number}}, {"lots.*.cook.proven", []string{text}},
		{"lots.*.stays.*.station", []string{text}}, {"lots.*.stays.*.stage", []string{text}}, {"lots.*.stays.*.from", []string{text}},
		{"lots.*.stays.*.to", []string{text, null}}, {"lots.*.stays.*.seconds", []string{number}},
		{"lots.*.stays.*.min_celsius", []string{number, null}}, {"lots.*.stays.*.max_celsius", []string{number, null}},
		{"lots.*.stays.*.air_mean_celsius", []string{number, null}}, {"lots.*.stays.*.air_spread_celsius", []string{number, null}},
		{"alarms.*.seq", []string{number}}, {"alarms.*.alarm", []string{text}}, {"alarms.*.station", []string{text}}, {"alarms.*.lot", []string{text}},
		{"alarms.*.probe", []string{text}}, {"alarms.*.priority", []string{text}}, {"alarms.*.raised", []string{text}},
		{"alarms.*.acknowledged", []string{text, null}}, {"alarms.*.cleared", []string{text, null}}, {"alarms.*.worst_celsius", []string{number, null}},
	}
	for _, k := range keys {
		found := walkJSON(t, report, strings.Split(k.path, "."), k.path)
		if len(found) == 0 {
			t.Errorf("%s: nothing is there", k.path)
		}
		for _, v := range found {
			if kind := kindOfJSON(v); !slices.Contains(k.kinds, kind) {
				t.Errorf("%s is %v, %s, want %v", k.path, v, kind, k.kinds)
			}
		}
	}
}

// walkJSON gives the values at a path; a lot or an alarm is also found by its name.
func walkJSON(t *testing.T, v any, path []string, whole string) []any {
	t.Helper()
	if len(path) == 0 {
		return []any{v}
	}
	var all []any
	switch v := v.(type) {
	case map[string]any:
		if path[0] == "*" {
			for _, x := range v {
				all = append(all, walkJSON(t, x, path[1:], whole)...)
			}
			return all
		}
		x, ok := v[path[0]]
		if !ok {
			t.Errorf("%s: no key %s", whole, path[0])
			return nil
		}
		return walkJSON(t, x, path[1:], whole)
	case []any:
		for _, x := range v {
			m, _ := x.(map[string]any)
			if path[0] == "*" || m["lot"] == path[0] {
				all = append(all, walkJSON(t, x, path[1:], whole)...)
			}
		}
	}
	return all
}

func kindOfJSON(v any) string {
	switch v.(type) {
	case nil:
		return "null"
	case string:
		return "text"
	case float64:
		return "number"
	case bool:
		return "bool"
	case map[string]any:
		return "object"
	}
	return "list"
}
