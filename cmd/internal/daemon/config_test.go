package daemon

import (
	"encoding/json"
	"path/filepath"
	"strings"
	"testing"

	paho "github.com/eclipse/paho.mqtt.golang"

	"holdbell/configs"
	"holdbell/publish/page"
	"holdbell/rules"
)

// TestTheHashShows: the configuration in force stands in the metrics, on the page, in the state and at the broker; a new
// one is taken up by all of them, and one that is refused by none.
func TestTheHashShows(t *testing.T) {
	const inside = "  mqtt: { broker: embedded, listen: \"127.0.0.1:0\" }\n"
	source := newLine(noon(), 2, true).play(400, 150)
	first := parsed(t, onPort("127.0.0.1:0")+inside)
	r := begin(t, first, filepath.Join(t.TempDir(), "l.db"), always(source))
	r.ear.until(t, "armed", func(ev *rules.Event) bool { return ev.Kind == rules.StationArmed })
	url := <-r.pages

	shows := func(cfg *configs.Config) {
		t.Helper()
		metrics := "holdbell_config_info{hash=\"" + cfg.Hash + "\"} 1\n"
		eventually(t, "the metric "+metrics, func() bool {
			source.play(1, 150)
			return strings.Contains(body(t, url+"/metrics"), metrics)
		})
		var st page.StateReport
		if err := json.Unmarshal([]byte(body(t, url+"/state")), &st); err != nil || st.Config != cfg.Hash {
			t.Errorf("the state has %q, %v, want %q", st.Config, err, cfg.Hash)
		}
		if !strings.Contains(body(t, url+"/board"), cfg.Hash+", taken up ") {
			t.Errorf("the page does not have %s:\n%s", cfg.Hash, body(t, url+"/board"))
		}
	}
	at := <-r.brokers
	told := listen(t, at, "holdbell/+/status/config")
	shows(first)
	if got := <-told; got.Hash != first.Hash || got.Since == nil {
		t.Errorf("the broker has %+v, want the hash %s", got, first.Hash)
	}

	// What is refused changes nothing.
	refused := parsed(t, onPort("127.0.0.1:0")+inside+"ledger: { path: /elsewhere/ledger.db }\n")
	r.Reload(refused)
	source.play(1, 150)
	r.log.until(t, "the old one stays")
	shows(first)

	second := parsed(t, strings.Replace(onPort("127.0.0.1:0")+inside, "150F", "151F", 1))
	if second.Hash == first.Hash || refused.Hash == first.Hash {
		t.Fatal("two configurations have one hash")
	}
	r.Reload(second)
	source.play(1, 150)
	r.log.until(t, "config="+second.Hash)
	url, at = <-r.pages, <-r.brokers
	shows(second)
	if got := <-listen(t, at, "holdbell/+/status/config"); got.Hash != second.Hash {
		t.Errorf("the broker has %+v, want the hash %s", got, second.Hash)
	}
	r.end()
}

// inForce is the message of status/config.
type inForce struct {
	Hash    string
	Since   *string
	Version string
}

// listen gives what a broker has and gets of a topic.
func listen(t *testing.T, at, topic string) <-chan inForce {
	t.Helper()
	told := make(chan inForce, 16)
	mc := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + at).SetClientID("listener"))
	if token := mc.Connect(); token.Wait() && token.Error() != nil {
		t.Fatal(token.Error())
	}
	t.Cleanup(func() { mc.Disconnect(0) })
	token := mc.Subscribe(topic, 1, func(_ paho.Client, m paho.Message) {
		var got inForce
		if err := json.Unmarshal(m.Payload(), &got); err != nil {
			t.Errorf("%s: %v", m.Payload(), err)
		}
		told <- got
	})
	if token.Wait() && token.Error() != nil {
		t.Fatal(token.Error())
	}
	return told
}
