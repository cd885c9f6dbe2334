package page

import (
	"encoding/json"
	"testing"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

func TestHealth(t *testing.T) {
	state := func() *rules.State { return rich() }
	for _, c := range []struct {
		name   string
		st     *rules.State
		now    sensor.Instant
		period time.Duration
		code   int
		status string
	}{
		{"no sweep", nil, noon, time.Second, 503, "starting"},
		{"fresh", state(), noon, time.Second, 200, "watching"},
		{"at five seconds", state(), noon.Add(4 * time.Second), time.Second, 200, "watching"},
		{"past them", state(), noon.Add(4*time.Second + 1), time.Second, 503, "stale"},
		{"slow sweeps", state(), noon.Add(49 * time.Second), 10 * time.Second, 200, "watching"},
		{"slow and late", state(), noon.Add(49*time.Second + 1), 10 * time.Second, 503, "stale"},
		{"another boot", state(), sensor.Instant{Wall: noon.Wall, Boot: sensor.BootID{1}}, time.Second, 503, "stale"},
		// A clock that jumps a year makes nothing stale: ages are monotonic.
		{"clock jump", state(), sensor.Instant{Wall: noon.Wall.AddDate(1, 0, 0), Mono: noon.Mono, Believed: true}, time.Second, 200, "watching"},
	} {
		p := kitchen(t, c.st, c.now, nil)
		p.opt.Period = c.period
		code, body := get(t, p, "/healthz")
		var h health
		if err := json.Unmarshal([]byte(body), &h); err != nil || code != c.code || h.Status != c.status {
			t.Errorf("%s: %d %s, want %d %s", c.name, code, body, c.code, c.status)
		}
		if c.name == "fresh" && (h.Probes != 13 || h.ProbesValid != 4 || h.Lots != 8 || h.Alarms != 5 || h.SweepAge == nil || *h.SweepAge != 1) {
			t.Errorf("fresh: %s", body)
		}
	}
}

// Each step of conditioning is in the state: as given, corrected, and why it was not passed.
func TestStateSteps(t *testing.T) {
	st := &rules.State{Supply: rules.SupplyIsLow, Probes: []rules.ProbeState{
		{Name: "good", Raw: sensor.Reading{Temp: 65_000}, Corrected: sensor.Reading{Temp: 64_500}, Reading: sensor.Reading{Temp: 64_500}},
		{Name: "doubted", Raw: sensor.Reading{Temp: 90_000}, Corrected: sensor.Reading{Temp: 89_500}, Reading: sensor.Bad(sensor.Spike), Rejected: "It jumped."},
		{Name: "open", Raw: sensor.Bad(sensor.Open), Corrected: sensor.Bad(sensor.Open), Reading: sensor.Bad(sensor.Open)},
	}}
	r := Report(st, sensor.Instant{}, time.Minute)
	good, doubted, open := r.Probes["good"], r.Probes["doubted"], r.Probes["open"]
	if *good.Raw != 65 || *good.Corrected != 64.5 || *good.Celsius != 64.5 || good.Rejected != "" {
		t.Errorf("a good reading: %+v", good)
	}
	if *doubted.Raw != 90 || *doubted.Corrected != 89.5 || doubted.Celsius != nil || *doubted.Fault != "spike" || doubted.Rejected != "It jumped." {
		t.Errorf("a doubted one: %+v", doubted)
	}
	if open.Raw != nil || open.Corrected != nil || open.Celsius != nil || *open.Fault != "open" || r.Supply != "low" {
		t.Errorf("an open one: %+v, supply %q", open, r.Supply)
	}
	c := clock{}
	if v := probeOf(&st.Probes[0], rules.Celsius, c); v.Reading != "64.5 °C, corrected from 65 °C" {
		t.Errorf("the page says %q", v.Reading)
	}
	if v := probeOf(&st.Probes[1], rules.Celsius, c); v.Reading != "Spike" || v.Fault != "It jumped." {
		t.Errorf("the page says %q: %q", v.Reading, v.Fault)
	}
}

func TestState(t *testing.T) {
	if code, _ := get(t, kitchen(t, nil, noon, nil), "/state"); code != 503 {
		t.Errorf("before the first sweep: %d", code)
	}
	_, body := get(t, kitchen(t, rich(), noon, nil), "/state")
	var r struct {
		At     *string
		Age    float64 `json:"age_seconds"`
		Stale  bool
		Probes map[string]struct {
			Celsius, Mean *float64
			Min           *float64 `json:"min_celsius"`
			Fault         *string
			Faults        map[string]int
			Last          *float64 `json:"last_valid_age_seconds"`
		}
		Lots []struct {
			Lot, Verdict, Basis string
			Deadline            *string
			Danger              float64 `json:"danger_zone_seconds"`
			Cooling             *struct{ Result string }
		}
		Alarms []struct {
			Alarm, State, Station, Raised string
			Acknowledged, Cleared         *string
			Worst                         *float64 `json:"worst_celsius"`
			Unknown                       bool     `json:"value_unknown"`
		}
		Stations []struct {
			Station, Purpose string
			Band             *float64 `json:"band_low_celsius"`
			Kept             *struct {
				Mean *float64 `json:"mean_celsius"`
				In   float64  `json:"in_band_seconds"`
			}
			Door      *string  `json:"door_open_since"`
			Recovery  *float64 `json:"recovery_seconds"`
			Reminders []struct {
				Say  string
				Due  bool
				Next *string
			}
		}
	}
	if err := json.Unmarshal([]byte(body), &r); err != nil {
		t.Fatal(err)
	}
	if r.At == nil || *r.At != "2026-03-01T11:59:59Z" || r.Age != 1 || r.Stale {
		t.Errorf("at %v, age %v, stale %v", r.At, r.Age, r.Stale)
	}
	if p := r.Probes["warmer-core"]; p.Celsius == nil || *p.Celsius != at(152.4).Celsius() || p.Fault != nil || *p.Min != at(150.4).Celsius() {
		t.Errorf("warmer-core: %+v", p)
	}
	if p := r.Probes["pass-core"]; p.Celsius != nil || p.Fault == nil || *p.Fault != "open" || p.Faults["open"] != 12 || *p.Last != 660 {
		t.Errorf("pass-core: %+v", p)
	}
	if p := r.Probes["faulty-5"]; p.Last != nil {
		t.Errorf("a probe that never read has a last reading: %+v", p)
	}
	if l := r.Lots[1]; l.Lot != "pulled pork" || l.Verdict != "act" || l.Deadline == nil || *l.Deadline != "2026-03-01T13:18:00Z" || l.Danger != 10200 {
		t.Errorf("pulled pork: %+v", l)
	}
	if l := r.Lots[3]; l.Cooling == nil || l.Cooling.Result != "running" {
		t.Errorf("stock: %+v", l)
	}
	if a := r.Alarms[1]; a.Alarm != "danger-time" || a.State != "acknowledged" || a.Acknowledged == nil || a.Cleared != nil || !a.Unknown || a.Worst != nil {
		t.Errorf("danger-time: %+v", a)
	}
	if s := r.Stations[0]; s.Station != "warmer" || s.Purpose != "hot-holding" || *s.Band != at(140).Celsius() {
		t.Errorf("warmer: %+v", s)
	}
	if s := r.Stations[0]; s.Door == nil || *s.Door != "2026-03-01T11:58:00Z" || s.Recovery != nil || s.Kept != nil {
		t.Errorf("warmer's door: %+v", s)
	}
	if s := r.Stations[2]; s.Door != nil || s.Recovery == nil || *s.Recovery != 240 || s.Kept == nil || s.Kept.Mean == nil ||
		*s.Kept.Mean != at(276.4).Celsius() || s.Kept.In != 354*60 || len(s.Reminders) != 2 || !s.Reminders[0].Due || s.Reminders[1].Next == nil {
		t.Errorf("how the pit is kept: %+v", s)
	}

	st := rich()
	st.At.Believed = false
	if _, body := get(t, kitchen(t, st, unbelieved(noon), nil), "/state"); json.Unmarshal([]byte(body), &r) != nil || r.At != nil {
		t.Errorf("a time that is not believed is told: %v", *r.At)
	}
}
