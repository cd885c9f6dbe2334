package mqtt

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	paho "github.com/eclipse/paho.mqtt.golang"

	"holdbell/publish"
	"holdbell/publish/publishtest"
)

// shared starts mosquitto with the shipped access list, a login for each name, and one for the spy, who reads
// everything. Every password is the name behind "pw-".
func shared(t *testing.T, list string, names ...string) *host {
	t.Helper()
	text, err := os.ReadFile(list)
	must(t, err)
	dir := t.TempDir()
	acl, passwords := filepath.Join(dir, "acl"), filepath.Join(dir, "passwords")
	must(t, os.WriteFile(acl, append(text, "\nuser spy\ntopic readwrite #\n"...), 0o600))
	must(t, os.WriteFile(passwords, nil, 0o600))
	h := func() *host {
		for _, name := range append(names, "spy") {
			if out, err := exec.Command("mosquitto_passwd", "-b", passwords, name, "pw-"+name).CombinedOutput(); err != nil {
				if os.Getenv("HOLDBELL_REQUIRE") == "1" {
					t.Fatalf("mosquitto_passwd: %v\n%s", err, out)
				}
				t.Skipf("mosquitto_passwd: %v; install Debian's package mosquitto", err)
			}
		}
		return mosquitto(t, "allow_anonymous false\npassword_file "+passwords+"\nacl_file "+acl+"\n")
	}
	return h()
}

func asked(h *host, name string) *paho.ClientOptions {
	return paho.NewClientOptions().AddBroker("tcp://" + h.addr).SetUsername(name).SetPassword("pw-" + name).SetOrderMatters(true)
}

func as(t *testing.T, h *host, name string) paho.Client { return rawClient(t, asked(h, name)) }

// reader gives what a login receives of everything.
func reader(t *testing.T, h *host, name string) *spy { return spyAs(t, asked(h, name), "#") }

// TestTheShippedAccessList: at Debian's mosquitto a board does its whole work with it, and nothing beyond.
func TestTheShippedAccessList(t *testing.T) {
	h := shared(t, "../../configs/mosquitto/holdbell.acl", "demo-kitchen", "other", "dashboard", "handheld")
	o, marks := marking(options())
	o.Brokers, o.Username, o.PasswordFile, o.Discovery = []string{"tcp://" + h.addr}, "demo-kitchen", filepath.Join(t.TempDir(), "p"), "homeassistant"
	must(t, os.WriteFile(o.PasswordFile, []byte("pw-demo-kitchen\n"), 0o600))
	o.Head = func() Head { return Head{Ledger: "l", Links: 1, Hash: "ab"} }
	o.Config = publish.Config{Hash: "cd"}
	s := reader(t, h, "spy")
	dashboard := reader(t, h, "dashboard")
	handheld := reader(t, h, "handheld")
	c, stop := run(t, o)
	c.Show(shift(1))
	must(t, c.Deliver(t.Context(), "l", publishtest.Events(1)[0]))
	s.has(site+"status", "online")
	s.begins(site+"event", "{")
	for _, level := range []string{"probe/", "station/", "lot/", "alarm/", site + "head", site + "status/config", "homeassistant/device/"} {
		s.until("a topic with "+level, func(all []got) bool {
			for _, m := range all {
				if strings.Contains(m.topic, level) && m.payload != "" {
					return true
				}
			}
			return false
		})
	}
	dashboard.has(site+"status", "online")
	done(t, handheld.mc.Publish(site+"command/mark", 1, false, `{"mark":"note","note":"x","id":"a1"}`))
	handheld.has(site+"command/mark/answer", `{"id":"a1","ok":true,"text":"taken"}`)
	<-marks
	stop()
	s.has(site+"status", "offline")

	// What follows is forbidden; the last publish of each is not, and comes behind the others.
	for _, c := range []struct {
		name      string
		last      string
		forbidden []string
	}{
		{"demo-kitchen", site + "event", []string{site + "command/mark", "holdbell/other/status", "holdbell/other/command/mark", "holdbell/elsewhere", "elsewhere", "homeassistant/device/holdbell_other/config"}},
		{"other", "holdbell/other/event", []string{site + "status", site + "command/mark", site + "head", site + "alarm/warmer/below-hot-limit/-"}},
		{"dashboard", "homeassistant/status", []string{site + "command/mark", site + "status"}},
		{"handheld", site + "command/mark", []string{site + "status", site + "command/mark/answer"}},
	} {
		mc := as(t, h, c.name)
		for _, topic := range c.forbidden {
			done(t, mc.Publish(topic, 1, false, "forbidden to "+c.name))
		}
		done(t, mc.Publish(c.last, 1, false, "the last of "+c.name))
		s.has(c.last, "the last of "+c.name)
		for _, m := range s.messages() {
			if m.payload == "forbidden to "+c.name {
				t.Errorf("%s could publish to %s", c.name, m.topic)
			}
		}
	}
	// A board hears its own commands, and not another's.
	board := reader(t, h, "demo-kitchen")
	done(t, s.mc.Publish("holdbell/other/command/mark", 1, false, "not for you"))
	done(t, s.mc.Publish("holdbell/other/status", 1, false, "not for you"))
	done(t, s.mc.Publish(site+"command/mark", 1, false, "for you"))
	board.has(site+"command/mark", "for you")
	for _, m := range board.messages() {
		if m.payload == "not for you" {
			t.Errorf("a board could read %s", m.topic)
		}
	}
}
