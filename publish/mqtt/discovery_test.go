package mqtt

import (
	"bytes"
	"encoding/json"
	"flag"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"pgregory.net/rapid"

	"holdbell/rules"
	"holdbell/sensor"
)

var update = flag.Bool("update", false, "write the golden discovery message anew")

const configTopic = "home/device/holdbell_demo-kitchen/config"

// atHome are options of a client that a home dashboard listens to.
func atHome() Options {
	o := options()
	o.Discovery, o.Version, o.Period = "home", "1.2.3", time.Second
	return o
}

func TestDiscoveryGolden(t *testing.T) {
	o := atHome()
	o.Brokers = []string{"tcp://127.0.0.1:1883"}
	c, err := New(o)
	must(t, err)
	st := shift(3)
	st.Probes = append(st.Probes, rules.ProbeState{Name: "Größe/2", Reading: sensor.Bad(sensor.Open)})
	var got bytes.Buffer
	b, err := json.Marshal(c.describe(st))
	must(t, err)
	must(t, json.Indent(&got, b, "", "  "))
	got.WriteByte('\n')
	file := filepath.Join("testdata", "discovery.json")
	if *update {
		must(t, os.WriteFile(file, got.Bytes(), 0o644))
	}
	want, err := os.ReadFile(file)
	must(t, err)
	if got.String() != string(want) {
		t.Errorf("the discovery message differs from %s; run with -update and read the difference\n%s", file, got.String())
	}
}

// Every topic that the message names is one that the client publishes to.
func TestDiscoveryNamesRealTopics(t *testing.T) {
	o := atHome()
	o.Brokers = []string{"tcp://127.0.0.1:1883"}
	c, err := New(o)
	must(t, err)
	st := shift(1)
	real := map[string]bool{c.topics.status(): true}
	for _, it := range c.items(st) {
		real[it.topic] = true
	}
	d := c.describe(st)
	if len(d.Components) == 0 {
		t.Fatal("nothing is described")
	}
	for id, co := range d.Components {
		if !real[co.StateTopic] {
			t.Errorf("%s reads %s, which nobody publishes", id, co.StateTopic)
		}
		for _, a := range co.Availability {
			if !real[a.Topic] {
				t.Errorf("%s waits for %s, which nobody publishes", id, a.Topic)
			}
		}
	}
}

// The characters that Home Assistant's documentation allows in a discovery topic and an id.
func TestSlug(t *testing.T) {
	allowed := regexp.MustCompile(`^[a-zA-Z0-9_-]{1,160}$`)
	rapid.Check(t, func(t *rapid.T) {
		a, b := rapid.String().Draw(t, "a"), rapid.String().Draw(t, "b")
		if a == "" {
			a = "x"
		}
		if !allowed.MatchString(slug(a)) {
			t.Fatalf("slug(%q) is %q", a, slug(a))
		}
		if a != b && slug(a) == slug(b) {
			t.Fatalf("%q and %q are both %q", a, b, slug(a))
		}
	})
}

func TestDiscoveryAtABroker(t *testing.T) {
	brokers(t, func(t *testing.T, h *host) {
		c, stop := run(t, h.own(atHome()))
		st := shift(1)
		second := st.Probes[0]
		second.Name = "pit-air"
		st.Probes = append(st.Probes, second)
		c.Show(st)
		live := newSpy(t, h.addr)
		live.begins(configTopic, `{"device"`)

		// A dashboard that starts gets the message once more.
		count := func(all []got) int {
			n := 0
			for _, m := range all {
				if m.topic == configTopic {
					n++
				}
			}
			return n
		}
		before := count(live.messages())
		if h.own(options()).password == "" { // the embedded broker lets nobody else publish there
			mc := rawClient(t, paho.NewClientOptions().AddBroker("tcp://"+h.addr))
			done(t, mc.Publish("home/status", 0, false, "online"))
			live.until("the discovery message once more", func(all []got) bool { return count(all) > before })
		}

		// The next run has a probe less: it is sent as removed before it is left out.
		stop()
		c, _ = run(t, h.own(atHome()))
		gone := `"probe_pit-air_temperature":{"platform":"sensor"}`
		if h.own(options()).password == "" {
			before = count(live.messages())
			c.Show(shift(2))
			all := live.until("the shorter message", func(all []got) bool {
				p, _ := newest(all, configTopic)
				return count(all) > before && !strings.Contains(p, "pit-air")
			})
			var seen bool
			for _, m := range all {
				seen = seen || m.topic == configTopic && strings.Contains(m.payload, gone)
			}
			if !seen {
				t.Errorf("the probe that is gone was not sent as removed")
			}
		}
		c.Show(shift(3))
		late := newSpy(t, h.addr)
		late.begins(configTopic, `{"device"`)
		for _, m := range late.messages() {
			if m.topic == configTopic && !m.retained {
				t.Error("the discovery message is not retained")
			}
		}
	})
}

func TestStationMessage(t *testing.T) {
	at := clock()
	lot := func(name string, v rules.Verdict, deadline time.Duration, ended bool) rules.LotState {
		l := rules.LotState{Lot: name, Station: "warmer", Verdict: v, Text: name, Ended: ended}
		if deadline > 0 {
			l.Deadline = at.Add(deadline)
		}
		return l
	}
	for name, tc := range map[string]struct {
		lots   []rules.LotState
		alarms []rules.AlarmState
		want   string
	}{
		"empty": {want: `"lots":0,"verdict":null,"deadline":null,"alarms":0,"priority":null,"text":""}`},
		"the worst lot speaks": {
			lots: []rules.LotState{lot("a", rules.OK, 0, false), lot("b", rules.Act, time.Hour, false), lot("c", rules.Discard, 0, true)},
			want: `"lots":2,"verdict":"act","deadline":"2026-03-01T13:00:00Z","alarms":0,"priority":null,"text":"b"}`},
		"of equals the one that ends first": {
			lots: []rules.LotState{lot("a", rules.Act, 2*time.Hour, false), lot("b", rules.Act, time.Hour, false), lot("c", rules.Act, 0, false)},
			want: `"lots":3,"verdict":"act","deadline":"2026-03-01T13:00:00Z","alarms":0,"priority":null,"text":"b"}`},
		"an alarm speaks over a lot that is ok": {
			lots: []rules.LotState{lot("a", rules.OK, 0, false)},
			alarms: []rules.AlarmState{
				{Station: "warmer", Active: true, Status: rules.Unacknowledged, Priority: rules.Warning, Text: "door"},
				{Station: "warmer", Active: true, Status: rules.Acknowledged, Priority: rules.Critical, Text: "cold"},
				{Station: "warmer", Active: true, Status: rules.Shelved, Priority: rules.Critical, Text: "shelved"},
				{Station: "warmer", Active: false, Status: rules.Returned, Priority: rules.Critical, Text: "over"},
				{Station: "pit", Active: true, Status: rules.Unacknowledged, Priority: rules.Critical, Text: "elsewhere"}},
			want: `"lots":1,"verdict":"ok","deadline":null,"alarms":2,"priority":"warning","text":"door"}`},
	} {
		st := &rules.State{At: at, Lots: tc.lots, Alarms: tc.alarms, Stations: []rules.StationState{{Name: "warmer", Purpose: rules.HotHolding, Armed: true}}}
		b, err := json.Marshal(stationMessages(st, at)[0])
		must(t, err)
		want := `{"at":"2026-03-01T12:00:00Z","purpose":"hot-holding","armed":true,"out_of_service":false,"air_celsius":null,"limit_ahead_s":null,` + tc.want
		if string(b) != want {
			t.Errorf("%s: %s\nwant %s", name, b, want)
		}
	}
}
