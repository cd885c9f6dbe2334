package mqtt

import (
	"testing"
	"time"

	"holdbell/publish"
	"holdbell/sensor"
)

// configItem is the item of the configuration's topic, nil without one.
func configItem(c *Client) *item {
	for _, it := range c.items(shift(1)) {
		if it.topic == site+"status/config" {
			return &it
		}
	}
	return nil
}

// TestTheConfigurationsMessage: hash, since when and by which version. While the clock is not believed the age runs, and
// makes no message urgent.
func TestTheConfigurationsMessage(t *testing.T) {
	o := options()
	o.Brokers, o.Version = []string{"tcp://127.0.0.1:1883"}, "1.2.3"
	now := o.Now()
	o.Now = func() sensor.Instant { return now }
	c, err := New(o)
	must(t, err)
	if it := configItem(c); it != nil {
		t.Errorf("without a hash there is %s", it.payload)
	}
	o.Config = publish.Config{Hash: "0123456789abcdef", Base: "00ff", Since: now}
	c, err = New(o)
	must(t, err)
	want := `{"hash":"0123456789abcdef","base":"00ff","since":"` + now.Wall.UTC().Format(time.RFC3339) + `","version":"1.2.3"}`
	if got := string(configItem(c).payload); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	o.Config.Base = ""
	o.Config.Since.Believed, now.Believed = false, false
	c, err = New(o)
	must(t, err)
	first := configItem(c)
	now = now.Add(90 * time.Second)
	later := configItem(c)
	if got, want := string(later.payload), `{"hash":"0123456789abcdef","since":null,"since_age_s":90,"version":"1.2.3"}`; got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	if later.key != first.key || later.refresh != time.Minute {
		t.Errorf("the age makes the key %q of %q, and is published after %v", later.key, first.key, later.refresh)
	}
}

// TestTheConfigurationIsRetained, and another one takes its place at once.
func TestTheConfigurationIsRetained(t *testing.T) {
	brokers(t, func(t *testing.T, h *host) {
		for _, hash := range []string{"0123456789abcdef", "fedcba9876543210"} {
			o := h.own(options())
			o.Config = publish.Config{Hash: hash}
			c, stop := run(t, o)
			c.Show(shift(3))
			newSpy(t, h.addr).has(site+"status/config", `{"hash":"`+hash+`","since":null,"version":""}`)
			stop()
		}
		newSpy(t, h.addr).has(site+"status", "offline")
		newSpy(t, h.addr).has(site+"status/config", `{"hash":"fedcba9876543210","since":null,"version":""}`)
	})
}
