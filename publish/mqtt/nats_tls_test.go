package mqtt

import (
	"strings"
	"testing"

	paho "github.com/eclipse/paho.mqtt.golang"

	"holdbell/publish/publishtest"
	"holdbell/publish/publishtest/nats"
)

// TestNATSWithCertificates: with the tls block that mqtt.conf has as a comment, a certificate names the board. One that is taken
// off the list is cut off by a reload.
func TestNATSWithCertificates(t *testing.T) {
	a := newScripted(t)
	a.broker("127.0.0.1")
	for _, name := range []string{"demo-kitchen", "demo.kitchen_2", "stranger"} {
		a.does("board", name)
	}
	a.does("reader", "dashboard")
	blocks := 0
	c := nats.Start(t, natsConfigs, []string{"demo-kitchen", "demo.kitchen_2"}, func(file, text string) string {
		if file != "mqtt.conf" {
			return text
		}
		_, block, found := strings.Cut(text, "#tls {")
		if !found {
			t.Fatal("mqtt.conf has no tls block")
		}
		blocks++
		return strings.ReplaceAll(text[:len(text)-len("#tls {")-len(block)]+"tls {"+strings.ReplaceAll(block, "\n#", "\n"), "/etc/nats", a.dir)
	})
	if blocks != 1 {
		t.Fatalf("%d files were changed", blocks)
	}
	reader := func(node int) *paho.ClientOptions {
		return tlsReader(t, a, &host{addr: c.Addr(node)}, "dashboard")
	}
	c.Settle(func(at string) *paho.ClientOptions { return tlsReader(t, a, &host{addr: at}, "dashboard") })
	s := spyAs(t, reader(2), "holdbell/#")
	start := func(site, certificate string) *Client {
		o := a.as(options(), certificate)
		o.Site, o.Brokers = site, c.Brokers("ssl")
		b, _ := run(t, o)
		b.Show(shift(1))
		return b
	}
	var doomed *Client
	for _, name := range []string{"demo-kitchen", "demo.kitchen_2"} {
		b := start(name, name)
		doomed = b
		must(t, b.Deliver(t.Context(), "l", publishtest.Events(1)[0]))
		s.has(b.topics.status(), "online")
		s.begins(b.topics.event(), "{")
	}
	// Its certificate is of ours, and no line of the list has its name.
	trouble(t, start("stranger", "stranger"), LoginRefused, "the broker refused this board's login")
	o := options()
	o.Site, o.Brokers, o.CAFile = "demo-kitchen", c.Brokers("ssl"), a.file("ca.pem")
	o.ClientID = "none"
	none, _ := run(t, o)
	trouble(t, none, BoardCertificate, "wants a certificate of this board")
	other := rawClient(t, tlsReader(t, a, &host{addr: c.Addr(1)}, "demo.kitchen_2"))
	done(t, other.Publish(site+"status", 1, true, "forbidden"))
	done(t, other.Publish("holdbell/demo.kitchen_2/event", 1, false, "the last"))
	s.has("holdbell/demo.kitchen_2/event", "the last")
	if p, _ := newest(s.messages(), site+"status"); p != "online" {
		t.Errorf("the status is %q after another board's certificate tried to write it", p)
	}
	// Off the list.
	c.Reload(t, natsConfigs, []string{"demo-kitchen"})
	trouble(t, doomed, LoginRefused, "the broker refused this board's login")
}
