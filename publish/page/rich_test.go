package page

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// noon is when the tests' kitchens are looked at.
var noon = sensor.Instant{Wall: time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC), Mono: 9 * time.Hour, Believed: true}

func ago(d time.Duration) sensor.Instant { return noon.Add(-d) }

func at(f float64) *sensor.Temp {
	t, ok := sensor.FromFahrenheit(f)
	if !ok {
		panic("no temperature")
	}
	return &t
}

const (
	hotBasis  = "FDA Food Code 2022 3-501.16(A)(1)"
	coolBasis = "FDA Food Code 2022 3-501.14(A)"
	timeBasis = "FDA Food Code 2022 3-501.19(B)"
)

// rich is an invented kitchen on a bad day: every verdict, fault and alarm state, and names that
// are hard on a page.
func rich() *rules.State {
	st := &rules.State{Site: "harbour-kitchen", Units: rules.Fahrenheit, At: ago(time.Second), Seq: 57, Sweeps: 32400}
	st.Lots = []rules.LotState{
		{Lot: "brisket", Food: "beef", Station: "warmer", Stage: rules.HotHolding, Begun: ago(3 * time.Hour), Probes: []string{"warmer-core"},
			Temp: at(152.4), Probe: "warmer-core", Verdict: rules.OK, Basis: hotBasis, Text: "brisket in warmer at 152.4 °F is held hot.",
			DangerLimit: 4 * time.Hour, LastCheck: ago(20 * time.Minute), CookSeen: true,
			Cook:   &rules.CookState{Stage: rules.CookDone, Text: "It is proven cooked: its lowest reading at or above 145 °F for 15 s (FDA Food Code 2022 3-401.11(A)(1))."},
			Growth: &rules.GrowthState{CPerfringens: 0.61, CPerfringensLow: 0.08, BCereus: 0.22}},
		{Lot: "pulled pork", Food: "pork", Station: "warmer", Stage: rules.HotHolding, Begun: ago(5 * time.Hour), Probes: []string{"pan-2", "pan-3"},
			Temp: at(121), Probe: "pan-2", Verdict: rules.Act, Action: "Reheat it to 165 °F for 15 s within 1 h 18 min, or discard it.",
			Deadline: noon.Add(78 * time.Minute), Basis: hotBasis, DangerZone: 170 * time.Minute, Charged: 162 * time.Minute, DangerLimit: 4 * time.Hour, BelowHotLimit: 42 * time.Minute, ComeUp: 8 * time.Minute,
			Proposal: "pulled pork in warmer falls steadily, 12.6 °F in 20 min, though the cabinet is hot. If it is being cooled on purpose, mark move to blast; if not, look at its probe and the door.",
			Text:     "pulled pork in warmer at 121 °F has been under 135 °F for 42 min. Reheat it to 165 °F for 15 s within 1 h 18 min, or discard it. No hand check was made since it was loaded."},
		{Lot: "wings", Food: "poultry", Station: "pass", Stage: rules.HotHolding, Begun: ago(6 * time.Hour), Probes: []string{"pass-core"},
			Verdict: rules.Discard, Action: "Discard it.", Basis: "common practice", Charged: 4 * time.Hour, DangerZone: 4 * time.Hour, DangerLimit: 4 * time.Hour, Unknown: 35 * time.Minute, UnknownSince: ago(35 * time.Minute),
			Text: "wings in pass has spent 4 h between 41 °F and 135 °F. Discard it. No hand check was made since it was loaded."},
		{Lot: "stock", Food: "other", Station: "blast", Stage: rules.Cooling, Begun: ago(2 * time.Hour), Probes: []string{"blast-core"}, Temp: at(88.2), Probe: "blast-core",
			Verdict: rules.Act, Action: "Cool it to 70 °F within 34 min.", Deadline: noon.Add(34 * time.Minute), Basis: coolBasis, DangerLimit: 4 * time.Hour, DangerZone: 86 * time.Minute, Charged: 86 * time.Minute,
			Text: "stock in blast at 88.2 °F is cooling. Cool it to 70 °F within 34 min. No hand check was made since it was loaded.", Cooling: &rules.CoolingState{Started: ago(86 * time.Minute), Stage1: -1, Stage2: -1, Result: rules.Running,
				Late: true, Finish: &rules.LegState{Forecast: &rules.ForecastState{At: ago(-4 * time.Hour)}}}},
		{Lot: "gravy", Food: "other", Station: "range", Stage: rules.Reheating, Begun: ago(50 * time.Minute), Temp: at(140), Probe: "range-core", Probes: []string{"range-core"},
			Verdict: rules.Act, Action: "Reheat it to 165 °F for 15 s within 1 h 10 min.", Deadline: noon.Add(70 * time.Minute), Basis: "FDA Food Code 2022 3-403.11(A)", DangerLimit: 4 * time.Hour,
			Text: "gravy in range at 140 °F is being reheated. Reheat it to 165 °F for 15 s within 1 h 10 min. No hand check was made since it was loaded.", Reheating: &rules.ReheatingState{Started: ago(50 * time.Minute), Reached: -1, Result: rules.Running}},
		{Lot: "buffet eggs", Food: "other", Station: "counter", Stage: rules.TimeControl, Begun: ago(3 * time.Hour), Verdict: rules.Act, Action: "Serve, cook or discard it within 55 min.",
			Deadline: noon.Add(55 * time.Minute), TimeControlEnds: noon.Add(55 * time.Minute), Basis: timeBasis, DangerLimit: 4 * time.Hour,
			Text: "buffet eggs in counter is under time control. Serve, cook or discard it within 55 min. No hand check was made since it was loaded."},
		{Lot: "<script>alert(\"x\")</script>", Station: "walk-in", Stage: rules.ColdHolding, Begun: ago(26 * time.Hour), Probes: []string{"walkin-air"}, Temp: at(38.1), Probe: "walkin-air",
			Verdict: rules.OK, Basis: "FDA Food Code 2022 3-501.16(A)(2)", DangerLimit: 4 * time.Hour, Text: "<script>alert(\"x\")</script> in walk-in at 38.1 °F is held cold."},
		{Lot: strings.Repeat("🍗", 300), Food: "poultry", Station: "pit", Stage: rules.Cooking, Begun: ago(90 * time.Minute), Probes: []string{"pit-core"}, Temp: at(118.5), Probe: "pit-core",
			Verdict: rules.OK, Basis: "FSIS guidance", ComeUp: 90 * time.Minute, ComeUpDanger: 40 * time.Minute, DangerLimit: 4 * time.Hour, Text: strings.Repeat("🍗", 300) + " in pit at 118.5 °F is cooking.", CookSeen: true},
		{Lot: "warmer", Station: "warmer", Stage: rules.HotHolding, Standing: true, Ended: true, Begun: ago(20 * time.Hour), Verdict: rules.Act, UnknownLength: true, Basis: hotBasis,
			Action: "Check every piece by hand before it is served; the time that was not watched may be too long.", DangerLimit: 4 * time.Hour,
			Text: "warmer was not watched while the power was off. Check every piece by hand before it is served; the time that was not watched may be too long. No hand check was made since it was loaded."},
		{Lot: "ribs", Food: "pork", Station: "pit", Stage: rules.Cooking, Ended: true, Begun: ago(10 * time.Hour), Verdict: rules.OK, Basis: hotBasis, Text: "ribs in pit is held hot.", DangerLimit: 4 * time.Hour},
	}
	band := func(low, high float64) *rules.Band { return &rules.Band{Low: *at(low), High: *at(high)} }
	st.Stations = []rules.StationState{
		{Name: "warmer", Purpose: rules.HotHolding, Armed: true, Air: "warmer-air", Food: []string{"warmer-core", "pan-2", "pan-3"}, Setpoint: at(150), Band: band(140, 165), AirTemp: at(128.7), DoorOpen: ago(2 * time.Minute)},
		{Name: "pass", Purpose: rules.HotHolding, Food: []string{"pass-core"}},
		{Name: "pit", Purpose: rules.Cooking, Armed: true, Air: "pit-air", Food: []string{"pit-core"}, Setpoint: at(275), Band: band(250, 300), AirTemp: at(281.3),
			Kept:     &rules.AirFigures{Known: 6 * time.Hour, Unknown: 12 * time.Minute, InBand: 354 * time.Minute, AboveBand: 6 * time.Minute, Mean: *at(276.4), Spread: 4_500},
			Recovery: new(4 * time.Minute),
			Reminders: []rules.ReminderState{{Say: "turn the racks", Every: time.Hour, Next: ago(4 * time.Minute), Due: true},
				{Say: "feed the fire", Every: 45 * time.Minute, Next: noon.Add(17 * time.Minute)}}},
		{Name: "walk-in", Purpose: rules.ColdHolding, Armed: true, Air: "walkin-air", Band: band(33, 41), AirTemp: at(38.1), OutOfService: true},
		{Name: "blast", Purpose: rules.Cooling, Air: "blast-air", Food: []string{"blast-core"}, Band: band(34, 41)},
	}
	alarms := []rules.AlarmState{
		{Alarm: rules.BelowHotLimit, Station: "warmer", Lot: "pulled pork", Probe: "pan-2", Priority: rules.Critical, Status: rules.Unacknowledged, Active: true, Since: ago(42 * time.Minute), Worst: at(119.8),
			Text: "pulled pork in warmer at 121 °F has been under 135 °F for 42 min. Reheat it to 165 °F for 15 s within 1 h 18 min, or discard it."},
		{Alarm: rules.DangerTime, Station: "pass", Lot: "wings", Priority: rules.Critical, Status: rules.Acknowledged, Active: true, ValueUnknown: true, Since: ago(65 * time.Minute), Acknowledged: ago(10 * time.Minute), AckBy: "night shift",
			Text: "wings in pass has spent 4 h between 41 °F and 135 °F. Discard it."},
		{Alarm: rules.OutOfBand, Station: "pit", Probe: "pit-air", Priority: rules.Warning, Status: rules.Returned, Since: ago(30 * time.Minute), Cleared: ago(4 * time.Minute), Worst: at(312), Text: "pit air is back in its band."},
		{Alarm: rules.ProbeStuck, Station: "walk-in", Probe: "walkin-air", Priority: rules.Advice, Status: rules.OutOfService, Active: true, Since: ago(26 * time.Hour), Text: "Probe walkin-air at walk-in has read exactly 38.1 °F for 1 h while it should have moved. Check it against a hand thermometer."},
		{Alarm: rules.ProbeFault, Station: "pass", Probe: "pass-core", Priority: rules.Warning, Status: rules.Shelved, Active: true, Since: ago(35 * time.Minute), Until: noon.Add(25 * time.Minute), Text: "Probe pass-core at pass gives no reading: open. Check the plug and the wire; replace the probe if it stays open."},
		{Alarm: rules.RecordTrouble, Station: "board", Priority: rules.Warning, Status: rules.Unacknowledged, Active: true, Since: ago(3 * time.Minute), Text: "The record cannot be written. The watch goes on; look at the board's card and free space."},
	}
	for i := range alarms {
		alarms[i].Seq, alarms[i].Raised = uint64(40+i), alarms[i].Since
	}
	st.Alarms = alarms
	good := func(name, station, role string, f float64) rules.ProbeState {
		return rules.ProbeState{Name: name, Station: station, Role: role, Reading: sensor.Reading{Temp: *at(f)}, Raw: sensor.Reading{Temp: *at(f)}, LastValid: st.At, Valid: 100, Min: *at(f - 2), Max: *at(f + 1), Sum: 100 * at(f).Celsius()}
	}
	st.Probes = []rules.ProbeState{good("warmer-air", "warmer", "air", 128.7), good("warmer-core", "warmer", "food", 152.4), good("pan-2", "warmer", "food", 121), good("walkin-air", "walk-in", "air", 38.1)}
	for f := sensor.Open; f < sensor.NumFaults; f++ {
		p := rules.ProbeState{Name: fmt.Sprintf("faulty-%d", f), Reading: sensor.Bad(f), Raw: sensor.Bad(f), LastValid: ago(time.Duration(f) * 11 * time.Minute)}
		p.Faults[f] = 12
		if f == sensor.Open {
			p.Name, p.Station, p.Role = "pass-core", "pass", "food"
		}
		if f == sensor.Range {
			p.LastValid = sensor.Instant{}
		}
		st.Probes = append(st.Probes, p)
	}
	return st
}

// richEvents are the latest events of that kitchen.
func richEvents() []rules.Event {
	return []rules.Event{
		{Seq: 51, Kind: rules.LotBegun, At: ago(26 * time.Hour), Station: "walk-in", Lot: "slaw", Text: "slaw begins in walk-in."},
		{Seq: 52, Kind: rules.MarkTaken, At: ago(20 * time.Minute), Lot: "brisket", By: "day shift", Text: "brisket was checked by hand at 151.2 °F."},
		{Seq: 53, Kind: rules.AlarmRaised, At: ago(3 * time.Minute), Alarm: rules.RecordTrouble, Station: "board", Text: "The record cannot be written.", Unrecorded: true},
	}
}

// kitchen is a page that shows st at now; marks go to mark, and any request may make one.
func kitchen(t testing.TB, st *rules.State, now sensor.Instant, mark func(context.Context, rules.Mark) (string, error)) *Page {
	t.Helper()
	ids := 0
	p, err := New(Options{Now: func() sensor.Instant { return now }, Zone: time.UTC, Mark: mark, Visitor: anyone,
		Board: func() []BoardFact {
			return []BoardFact{{"Broker", "not reachable for 4 min, 12 messages wait", true}, {"Free space", "11 GB", false}}
		}})
	if err != nil {
		t.Fatal(err)
	}
	p.newID = func() string { ids++; return fmt.Sprintf("id-%d", ids) }
	if st != nil {
		p.Show(st)
		for _, ev := range richEvents() {
			if err := p.Deliver(t.Context(), "ledger", ev); err != nil {
				t.Fatal(err)
			}
		}
	}
	return p
}
