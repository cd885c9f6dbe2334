package mqtt

import (
	"bytes"
	"encoding/json"
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"holdbell/publish/publishtest"
	"holdbell/rules"
	"holdbell/sensor"
)

func TestTimesWhileTheClockIsNotBelieved(t *testing.T) {
	now := clock()
	at := now.Add(-90 * time.Second)
	past := at
	past.Wall, past.Believed = time.Unix(0, 0).UTC(), false
	lost := now
	lost.Believed = false
	other := past
	other.Boot = sensor.BootID{1}
	for name, tc := range map[string]struct {
		at, now sensor.Instant
		want    string
	}{
		"believed":                     {at, now, `{"at":"2026-03-01T11:58:30Z","celsius":null,"fault":"open","seq":1}`},
		"believed then, not now":       {at, lost, `{"at":"2026-03-01T11:58:30Z","celsius":null,"fault":"open","seq":1}`},
		"believed since":               {past, now, `{"at":"2026-03-01T11:58:30Z","celsius":null,"fault":"open","seq":1}`},
		"never believed":               {past, lost, `{"at":null,"celsius":null,"fault":"open","seq":1,"age_s":90}`},
		"never believed, another boot": {other, now, `{"at":null,"celsius":null,"fault":"open","seq":1}`},
		"never":                        {sensor.Instant{}, now, `{"at":null,"celsius":null,"fault":"open","seq":1}`},
	} {
		got, err := json.Marshal(newProbeMessage(sensor.Bad(sensor.Open), when(tc.at, tc.now), 1))
		if err != nil || string(got) != tc.want {
			t.Errorf("%s: %s (%v), want %s", name, got, err, tc.want)
		}
	}
}

func TestAnEventsMessage(t *testing.T) {
	ev := publishtest.Events(1)[0]
	ev.Mark, ev.By, ev.Unrecorded = "a1", "Ada", true
	got, err := json.Marshal(newEventMessage("0123", &ev, clock()))
	must(t, err)
	want := `{"ledger":"0123","seq":1,"kind":"alarm-raised","at":"2026-03-01T11:00:00Z","since":"2026-03-01T10:59:59Z","alarm":"below-hot-limit",` +
		`"station":"warmer","lot":"brisket","probe":"warmer-core","priority":"critical","state":"unacknowledged","celsius":57.222,` +
		`"basis":"FDA Food Code 2022 3-501.16(A)(1)","mark":"a1","by":"Ada","text":"Example 1: the brisket in the warmer is at its hot limit.","unrecorded":true}`
	if string(got) != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}

// Any state and any event is valid JSON whose numbers are all finite; what a reading holds comes back.
func TestPayloadsAreJSONWithoutNaN(t *testing.T) {
	o := options()
	o.Brokers = []string{"tcp://127.0.0.1:1883"}
	c, err := New(o)
	must(t, err)
	durations := rapid.Map(rapid.Int64(), func(n int64) time.Duration { return time.Duration(n) })
	rapid.Check(t, func(t *rapid.T) {
		at := sensor.Instant{Mono: durations.Draw(t, "mono"), Believed: rapid.Bool().Draw(t, "believed"),
			Wall: time.Unix(rapid.Int64Range(0, 1<<33).Draw(t, "wall"), 0)}
		temp := sensor.Temp(rapid.Int32Range(int32(sensor.MinTemp), int32(sensor.MaxTemp)).Draw(t, "temp"))
		text := rapid.String().Draw(t, "text")
		st := shift(1)
		st.At, st.Alarms[0].Since, st.Alarms[0].Text, st.Lots[0].Text = at, at, text, text
		st.Lots[0].DangerZone, st.Lots[0].Unknown, st.Lots[0].Temp = durations.Draw(t, "danger"), durations.Draw(t, "unknown"), &temp
		st.Probes[0].Reading = sensor.Reading{Temp: temp}
		if f := sensor.Fault(rapid.Uint8Range(0, uint8(sensor.NumFaults)+1).Draw(t, "fault")); f != sensor.None {
			st.Probes[0].Reading = sensor.Bad(f)
		}
		items := c.items(st)
		if len(items) != 4 {
			t.Fatalf("%d topics, want 4", len(items))
		}
		ev := rules.Event{Seq: 1, At: at, Since: at, Temp: &temp, Text: text}
		event, err := json.Marshal(newEventMessage("l", &ev, clock()))
		if err != nil {
			t.Fatal(err)
		}
		payloads := [][]byte{event}
		for _, it := range items {
			payloads = append(payloads, it.payload)
		}
		for _, p := range payloads {
			d := json.NewDecoder(bytes.NewReader(p))
			var v map[string]any
			if err := d.Decode(&v); err != nil {
				t.Fatalf("%s: %v", p, err)
			}
			for k, x := range v {
				if f, ok := x.(float64); ok && (math.IsNaN(f) || math.IsInf(f, 0)) {
					t.Fatalf("%s is %v in %s", k, f, p)
				}
			}
			if c, there := v["celsius"]; there && c != nil && c != temp.Celsius() {
				t.Fatalf("celsius is %v, want %v", c, temp.Celsius())
			}
		}
	})
}

// What only runs is published now and then, what is said at once.
func TestWhatCountsAsAChange(t *testing.T) {
	o := options()
	o.Brokers = []string{"tcp://127.0.0.1:1883"}
	c, err := New(o)
	must(t, err)
	key := func(change func(*rules.State), n int) string {
		st := shift(1)
		change(st)
		return c.items(st)[n].key
	}
	nothing := func(*rules.State) {}
	for name, tc := range map[string]struct {
		item   int
		change func(*rules.State)
		urgent bool
	}{
		"an alarm's state":     {0, func(st *rules.State) { st.Alarms[0].Status = rules.Acknowledged }, true},
		"an alarm's text":      {0, func(st *rules.State) { st.Alarms[0].Text = "worse" }, true},
		"the time of a sweep":  {3, func(st *rules.State) { st.At = st.At.Add(time.Second); st.Sweeps++ }, false},
		"a probe's reading":    {3, func(st *rules.State) { st.Probes[0].Reading.Temp++ }, true},
		"a probe's fault":      {3, func(st *rules.State) { st.Probes[0].Reading = sensor.Bad(sensor.Open) }, true},
		"a station's alarms":   {2, func(st *rules.State) { st.Alarms[0].Active = false }, true},
		"a station's text":     {2, func(st *rules.State) { st.Lots[0].Text = "longer" }, false},
		"a lot's verdict":      {1, func(st *rules.State) { st.Lots[0].Verdict = rules.Act }, true},
		"a lot's end":          {1, func(st *rules.State) { st.Lots[0].Ended = true }, true},
		"a lot's running time": {1, func(st *rules.State) { st.Lots[0].DangerZone += time.Second }, false},
	} {
		if urgent := key(nothing, tc.item) != key(tc.change, tc.item); urgent != tc.urgent {
			t.Errorf("%s: published at once is %v, want %v", name, urgent, tc.urgent)
		}
	}
}

func TestTwoAlarmsOfOneTopic(t *testing.T) {
	o := options()
	o.Brokers = []string{"tcp://127.0.0.1:1883"}
	c, err := New(o)
	must(t, err)
	st := shift(1)
	a := st.Alarms[0]
	a.Probe, a.Seq, a.Status, a.Active = "warmer-rear", 9, rules.Returned, false
	st.Alarms = append(st.Alarms, a)
	items := c.items(st)
	if len(items) != 4 || !bytes.Contains(items[0].payload, []byte(`"seq":7`)) {
		t.Errorf("of two alarms, %s is shown in %d topics", items[0].payload, len(items))
	}
}

func TestAnEndedLotGivesWayToTheOpenOne(t *testing.T) {
	o := options()
	o.Brokers = []string{"tcp://127.0.0.1:1883"}
	c, err := New(o)
	must(t, err)
	st := shift(1)
	old := st.Lots[0]
	old.Ended = true
	st.Lots = append(st.Lots, old)
	items := c.items(st)
	if len(items) != 4 || bytes.Contains(items[1].payload, []byte(`"ended":true`)) {
		t.Errorf("of two lots, %s is shown in %d topics", items[1].payload, len(items))
	}
}
