package mqtt

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"maps"
	"math/rand/v2"
	"strings"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"holdbell/rules"
)

const (
	// rebirthSpread is how long a board waits at most, by chance, before it answers a home dashboard that has
	// just started: all devices of a house would answer at once.
	rebirthSpread = 5 * time.Second
	// deadAfter refreshes without a message, a dashboard takes a value for gone.
	deadAfter = 3
	// maxText is the longest state that a home dashboard takes, in characters (from memory).
	maxText = 255
)

// discovery is the message by which a home-automation dashboard that follows the MQTT discovery convention
// of Home Assistant (device form, integrations/mqtt of its documentation) sets up what it shows of a board.
type discovery struct {
	Device     device               `json:"device"`
	Origin     origin               `json:"origin"`
	Components map[string]component `json:"components"`
}

type device struct {
	Identifiers []string `json:"identifiers"`
	Name        string   `json:"name"`
	Version     string   `json:"sw_version,omitempty"`
}

type origin struct {
	Name    string `json:"name"`
	Version string `json:"sw_version,omitempty"`
}

// component is one thing that is shown. One that is to go is sent with its platform alone first.
type component struct {
	Platform          string         `json:"platform"`
	UniqueID          string         `json:"unique_id,omitempty"`
	Name              string         `json:"name,omitempty"`
	DeviceClass       string         `json:"device_class,omitempty"`
	StateClass        string         `json:"state_class,omitempty"`
	Unit              string         `json:"unit_of_measurement,omitempty"`
	Category          string         `json:"entity_category,omitempty"`
	Options           []string       `json:"options,omitempty"`
	Precision         *int           `json:"suggested_display_precision,omitempty"`
	StateTopic        string         `json:"state_topic,omitempty"`
	Template          string         `json:"value_template,omitempty"`
	On                string         `json:"payload_on,omitempty"`
	Off               string         `json:"payload_off,omitempty"`
	ExpireAfter       int            `json:"expire_after,omitempty"` // seconds
	Availability      []availability `json:"availability,omitempty"`
	AvailabilityModes string         `json:"availability_mode,omitempty"`
}

type availability struct {
	Topic    string `json:"topic"`
	Template string `json:"value_template,omitempty"`
}

// describe gives the discovery message for a state: a temperature and a fault word for each probe; verdict,
// alarm and sentence for each station. Lots come and go, and stand behind their station.
func (c *Client) describe(st *rules.State) discovery {
	board := "holdbell_" + slug(st.Site)
	d := discovery{
		Device:     device{Identifiers: []string{board}, Name: "holdbell " + st.Site, Version: c.o.Version},
		Origin:     origin{Name: "holdbell", Version: c.o.Version},
		Components: map[string]component{},
	}
	put := func(kind, name, what string, co component, more ...availability) {
		id := kind + "_" + slug(name) + "_" + what
		co.UniqueID = board + "_" + id
		co.Availability = append([]availability{{Topic: c.topics.status()}}, more...)
		co.AvailabilityModes = "all"
		d.Components[id] = co
	}
	tenth := 1
	for i := range st.Probes {
		p := &st.Probes[i]
		topic := c.topics.probe(p.Name)
		// The number alone would stay on the screen when its probe has failed: it is not available then.
		put("probe", p.Name, "temperature", component{Platform: "sensor", Name: p.Name, DeviceClass: "temperature",
			StateClass: "measurement", Unit: "°C", Precision: &tenth, StateTopic: topic,
			Template: "{{ value_json.celsius }}", ExpireAfter: c.expire(probeRefresh)},
			availability{Topic: topic, Template: "{{ 'offline' if value_json.celsius is none else 'online' }}"})
		put("probe", p.Name, "fault", component{Platform: "sensor", Name: p.Name + " fault", Category: "diagnostic",
			StateTopic: topic, Template: "{{ value_json.fault or 'none' }}", ExpireAfter: c.expire(probeRefresh)})
	}
	for i := range st.Stations {
		s := &st.Stations[i]
		topic := c.topics.station(s.Name)
		dead := c.expire(lotRefresh)
		put("station", s.Name, "verdict", component{Platform: "sensor", Name: s.Name + " verdict", DeviceClass: "enum",
			Options:    []string{"none", string(rules.OK), string(rules.Act), string(rules.Discard)},
			StateTopic: topic, Template: "{{ value_json.verdict or 'none' }}", ExpireAfter: dead})
		put("station", s.Name, "alarm", component{Platform: "binary_sensor", Name: s.Name + " alarm", DeviceClass: "problem",
			StateTopic: topic, Template: "{{ 'ON' if value_json.alarms > 0 else 'OFF' }}", On: "ON", Off: "OFF", ExpireAfter: dead})
		put("station", s.Name, "text", component{Platform: "sensor", Name: s.Name,
			StateTopic: topic, Template: fmt.Sprintf("{{ value_json.text[:%d] }}", maxText), ExpireAfter: dead})
	}
	return d
}

// expire is deadAfter times the interval at which a topic speaks, in seconds.
func (c *Client) expire(refresh time.Duration) int {
	return int(deadAfter * max(refresh, c.o.Period) / time.Second)
}

// slug writes a name in the characters that a discovery topic may have. A name that has others is told from
// its like by a piece of its SHA-256.
func slug(name string) string {
	s := strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9', r == '-':
			return r
		}
		return '_'
	}, name)
	if s == name {
		return s
	}
	sum := sha256.Sum256([]byte(name))
	return s[:min(len(s), maxLevel/2)] + "_" + hex.EncodeToString(sum[:4])
}

// home is the dashboard's side of a connection.
type home struct {
	topic string // of our discovery message
	birth string // where the dashboard says that it has started
}

func newHome(prefix, site string) home {
	return home{prefix + "/device/holdbell_" + slug(site) + "/config", BirthTopic(prefix)}
}

// BirthTopic is where a home dashboard says that it has started; it has to be let in there.
func BirthTopic(discovery string) string { return discovery + "/status" }

// announce brings the discovery message to the broker where it differs from what stands there. A component
// that is no more is sent as removed first; leaving it out alone would keep it on the dashboard.
func (c *Client) announce(ctx context.Context, l *link, st *rules.State) error {
	if c.home.topic == "" || !l.hasLooked() {
		return nil
	}
	d := c.describe(st)
	payload, err := json.Marshal(d)
	if err != nil {
		return fmt.Errorf("the discovery message: %w", err)
	}
	was, again := l.described()
	if string(was) == string(payload) && !again {
		return nil
	}
	var old struct {
		Components map[string]struct {
			Platform string `json:"platform"`
		} `json:"components"`
	}
	// What stands there may be anybody's; what cannot be read asks for no farewell.
	if json.Unmarshal(was, &old) == nil {
		farewell := d
		farewell.Components = maps.Clone(d.Components)
		for id, co := range old.Components {
			if _, stays := d.Components[id]; !stays && co.Platform != "" {
				farewell.Components[id] = component{Platform: co.Platform}
			}
		}
		if len(farewell.Components) > len(d.Components) {
			gone, err := json.Marshal(farewell)
			if err != nil {
				return fmt.Errorf("the discovery message: %w", err)
			}
			if err := c.send(ctx, l, []item{{topic: c.home.topic, payload: gone}}); err != nil {
				return err
			}
		}
	}
	if err := c.send(ctx, l, []item{{topic: c.home.topic, payload: payload}}); err != nil {
		return err
	}
	l.describes(payload)
	return nil
}

// listen subscribes to the dashboard's birth. It is no loss when the broker refuses: the message is retained.
func (c *Client) listen(ctx context.Context, l *link) error {
	if c.home.topic == "" {
		return nil
	}
	err := l.subscribe(ctx, map[string]byte{c.home.birth: 0}, func(_ paho.Client, m paho.Message) {
		if !m.Retained() && string(m.Payload()) == "online" {
			time.AfterFunc(rand.N(max(c.pace.rebirth, 1)), func() { l.askAgain(); c.nudge() })
		}
	})
	if err != nil && l.stands() && ctx.Err() == nil {
		return nil
	}
	return err
}
