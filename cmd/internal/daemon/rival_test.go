package daemon

import (
	"fmt"
	"log/slog"
	"path/filepath"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"

	"holdbell/rules"
)

// TestAnotherBoardWithOurSite: the page and the metrics say so, and what mends it.
func TestAnotherBoardWithOurSite(t *testing.T) {
	server := mochi.New(&mochi.Options{Logger: slog.New(slog.DiscardHandler)})
	tcp := listeners.NewTCP(listeners.Config{ID: "tcp", Address: "127.0.0.1:0"})
	for _, err := range []error{server.AddHook(new(welcome), nil), server.AddListener(tcp), server.Serve()} {
		if err != nil {
			t.Fatal(err)
		}
	}
	t.Cleanup(func() { server.Close() })
	text := onPort("127.0.0.1:0") + fmt.Sprintf("  mqtt: { broker: %q }\n", "tcp://"+tcp.Address())
	r := begin(t, parsed(t, text), filepath.Join(t.TempDir(), "l.db"), always(newLine(noon(), 2, true).play(400, 150)))
	url := <-r.pages
	r.ear.until(t, "armed", func(ev *rules.Event) bool { return ev.Kind == rules.StationArmed })
	says := func(path, want string) bool {
		_, body := r.asked(url+path, "")
		return strings.Contains(body, want)
	}
	eventually(t, "connected", func() bool { return says("/metrics", "\nholdbell_mqtt_connected 1") })
	if !says("/metrics", `holdbell_mqtt_trouble{trouble="another-board"} 0`) {
		t.Error("a board that is alone takes itself for another")
	}
	other := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + tcp.Address()).SetClientID("other"))
	for _, ask := range []func() paho.Token{other.Connect, func() paho.Token {
		return other.Publish("holdbell/"+r.outputs.Load().cfg.Site+"/status/board", 1, true, `{"run":"x","host":"pi-2"}`)
	}} {
		if token := ask(); !token.WaitTimeout(20*time.Second) || token.Error() != nil {
			t.Fatalf("the other board: %v", token.Error())
		}
	}
	defer other.Disconnect(0)
	eventually(t, "the page tells of the other board", func() bool { return says("/board", "another board (pi-2) speaks for this site") })
	if !says("/metrics", `holdbell_mqtt_trouble{trouble="another-board"} 1`) || !says("/board", "give each a site: of its own") {
		t.Error("the metrics do not say so, or the page not what mends it")
	}
}
