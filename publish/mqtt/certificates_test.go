package mqtt

import (
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"holdbell/publish/publishtest"
	"holdbell/rules"
	"holdbell/sensor"
)

// authorityOf is an authority made by the script that is shipped.
type authorityOf struct {
	t   *testing.T
	dir string
}

func newScripted(t *testing.T) *authorityOf {
	if _, err := exec.LookPath("openssl"); err != nil {
		if os.Getenv("HOLDBELL_REQUIRE") == "1" {
			t.Fatal("the program openssl is missing; install Debian's package openssl")
		}
		t.Skip("the program openssl is missing; install Debian's package openssl")
	}
	a := &authorityOf{t, filepath.Join(t.TempDir(), "authority")}
	a.does("ca")
	return a
}

// try runs the script; environment is such as "NOT_AFTER=…".
func (a *authorityOf) try(environment string, arguments ...string) (string, error) {
	cmd := exec.Command("../../configs/certificates.sh", arguments...)
	cmd.Env = append(os.Environ(), "DIR="+a.dir, environment)
	out, err := cmd.CombinedOutput()
	return string(out), err
}

func (a *authorityOf) does(arguments ...string) string {
	a.t.Helper()
	out, err := a.try("", arguments...)
	if err != nil {
		a.t.Fatalf("certificates.sh %v: %v\n%s", arguments, err, out)
	}
	return out
}

// broker makes a broker's, under the name that the configuration has.
func (a *authorityOf) broker(names ...string) {
	a.t.Helper()
	a.does(append([]string{"broker"}, names...)...)
	for _, kind := range []string{".pem", ".key"} {
		must(a.t, os.Symlink(a.file(names[0]+kind), a.file("broker"+kind)))
	}
}

func (a *authorityOf) file(name string) string { return filepath.Join(a.dir, name) }

// as gives options with a certificate.
func (a *authorityOf) as(o Options, file string) Options {
	o.CAFile, o.CertFile, o.KeyFile = a.file("ca.pem"), a.file(file+".pem"), a.file(file+".key")
	return o
}

// centre starts mosquitto with the configuration that is shipped, and gives its process.
func centre(t *testing.T, a *authorityOf) (*host, func() int) {
	h := mosquitto(t, "") // skips where there is none
	h.stop()
	h.addr = freePort(t)
	me, err := user.Current()
	must(t, err)
	text, err := os.ReadFile("../../configs/mosquitto/centre.conf")
	must(t, err)
	dir := t.TempDir()
	acl, err := filepath.Abs("../../configs/mosquitto/holdbell.acl")
	must(t, err)
	conf := filepath.Join(dir, "centre.conf")
	_, port, _ := strings.Cut(h.addr, ":")
	must(t, os.WriteFile(conf, []byte("user "+me.Username+"\n"+strings.NewReplacer("listener 8883", "listener "+port+" 127.0.0.1",
		"/etc/mosquitto/certs/", a.dir+"/", "/etc/mosquitto/holdbell.acl", acl, "/var/lib/mosquitto/", dir+"/").Replace(string(text))), 0o600))
	var cmd *exec.Cmd
	h.start = func() { cmd = mosquittoWith(t, conf, h.addr) }
	h.stop = func() { cmd.Process.Kill(); cmd.Wait() }
	h.start()
	t.Cleanup(func() { h.stop() })
	return h, func() int { return cmd.Process.Pid }
}

func mosquittoWith(t *testing.T, conf, addr string) *exec.Cmd {
	path, err := exec.LookPath("mosquitto")
	if err != nil {
		path = "/usr/sbin/mosquitto"
	}
	cmd := exec.Command(path, "-c", conf)
	must(t, cmd.Start())
	awaitPort(t, addr)
	return cmd
}

// tlsReader is a reader with a certificate.
func tlsReader(t *testing.T, a *authorityOf, h *host, file string) *paho.ClientOptions {
	o := a.as(options(), file)
	o.Brokers = []string{"ssl://" + h.addr}
	c, err := New(o)
	must(t, err)
	conf, err := c.tls("127.0.0.1")
	must(t, err)
	return paho.NewClientOptions().AddBroker("ssl://" + h.addr).SetTLSConfig(conf)
}

// shutOut waits until the broker lets nobody with this certificate in any more: it reads the list again when it comes to it.
func shutOut(t *testing.T, o *paho.ClientOptions) {
	t.Helper()
	for until := time.Now().Add(guardTime); ; {
		mc := paho.NewClient(o.SetAutoReconnect(false).SetClientID("knocks").SetConnectTimeout(guardTime))
		tok := mc.Connect()
		if tok.WaitTimeout(guardTime) && tok.Error() != nil {
			return
		}
		mc.Disconnect(0)
		if time.Now().After(until) {
			t.Fatal("the broker never takes the list of revoked certificates up")
		}
	}
}

// trouble waits until a client says what is wrong.
func trouble(t *testing.T, c *Client, want Trouble, text string) {
	t.Helper()
	for until := time.Now().Add(guardTime); ; {
		s := c.Status()
		if s.Trouble == want && strings.Contains(s.Text, text) {
			return
		}
		if time.Now().After(until) {
			t.Fatalf("the status is %+v, want %s and %q", s, want, text)
		}
		pause(t.Context(), 10*time.Millisecond)
	}
}

// TestBoardsWithCertificates: at Debian's mosquitto with the shipped configuration, access list and script.
func TestBoardsWithCertificates(t *testing.T) {
	a := newScripted(t)
	a.broker("127.0.0.1", "localhost")
	for _, name := range []string{"demo-kitchen", "other", "doomed"} {
		a.does("board", name)
	}
	a.does("reader", "dashboard")
	h, pid := centre(t, a)
	s := spyAs(t, tlsReader(t, a, h, "dashboard"), "holdbell/#")
	start := func(site, file string) *Client {
		o := a.as(options(), file)
		o.Site, o.Brokers = site, []string{"ssl://" + h.addr}
		c, _ := run(t, o)
		c.Show(shift(1))
		return c
	}

	b := start("demo-kitchen", "demo-kitchen")
	must(t, b.Deliver(t.Context(), "l", publishtest.Events(1)[0]))
	s.has(site+"status", "online")
	s.begins(site+"alarm/warmer/below-hot-limit/brisket", "{")
	if st := b.Status(); st.Trouble != "" || time.Until(st.BoardEnds) < 390*24*time.Hour || time.Until(st.BrokerEnds) < 390*24*time.Hour {
		t.Errorf("the status is %+v", st)
	}
	other := rawClient(t, tlsReader(t, a, h, "other"))
	for _, topic := range []string{site + "status", site + "event", site + "probe/warmer-core", "holdbell/other/command/mark", "elsewhere"} {
		done(t, other.Publish(topic, 1, true, "forbidden"))
	}
	done(t, other.Publish("holdbell/other/event", 1, false, "the last"))
	s.has("holdbell/other/event", "the last")
	for _, m := range s.messages() {
		if m.payload == "forbidden" {
			t.Errorf("a board could publish to %s", m.topic)
		}
	}

	// Who has none, an expired one or another authority's stays out, and its board says why.
	out, err := a.try("NOT_AFTER=20260101000000Z", "board", "late")
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	trouble(t, start("late", "late"), BoardCertificate, "the broker refused this board's certificate: it expired on 2026-01-01 00:00 UTC")
	o := options()
	o.Site, o.Brokers, o.CAFile = "none", []string{"ssl://" + h.addr}, a.file("ca.pem")
	none, _ := run(t, o)
	trouble(t, none, BoardCertificate, "wants a certificate of this board")
	stranger := newScripted(t)
	stranger.does("board", "demo-kitchen")
	o = stranger.as(options(), "demo-kitchen")
	o.Brokers, o.CAFile = []string{"ssl://" + h.addr}, a.file("ca.pem")
	foreign, _ := run(t, o)
	trouble(t, foreign, BoardCertificate, "the broker refused this board's certificate")

	// Revoked: refused once the broker has read the list again. What is connected stays so until
	// the broker is started again.
	doomed := start("doomed", "doomed")
	s.has("holdbell/doomed/status", "online")
	a.does("revoke", "doomed")
	must(t, syscall.Kill(pid(), syscall.SIGHUP))
	shutOut(t, tlsReader(t, a, h, "doomed"))
	again := start("doomed", "doomed")
	trouble(t, again, BoardCertificate, "it was revoked")
	if st := doomed.Status(); !st.Connected {
		t.Errorf("mosquitto ends who was connected, and the README says it does not: %+v", st)
	}
	h.stop()
	h.start()
	trouble(t, doomed, BoardCertificate, "it was revoked")

	// The broker's own is expired, of another authority, for another name.
	for _, tc := range []struct {
		name, environment, host, text string
	}{
		{"expired", "NOT_AFTER=20260201120000Z", "127.0.0.1", "the broker's certificate expired on 2026-02-01 12:00 UTC"},
		{"another name", "", "elsewhere.example", "the broker's certificate is for another name"},
	} {
		x := newScripted(t)
		if out, err := x.try(tc.environment, "broker", tc.host); err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		x.does("board", "demo-kitchen")
		must(t, os.Rename(x.file(tc.host+".pem"), x.file("broker.pem")))
		must(t, os.Rename(x.file(tc.host+".key"), x.file("broker.key")))
		at, _ := centre(t, x)
		o := x.as(options(), "demo-kitchen")
		o.Brokers = []string{"ssl://" + at.addr}
		c, _ := run(t, o)
		trouble(t, c, BrokerCertificate, tc.text)
		if tc.name == "expired" && c.Status().BrokerEnds.UTC().Format(time.DateOnly) != "2026-02-01" {
			t.Errorf("the broker's certificate ends at %v", c.Status().BrokerEnds)
		}
	}
	o = a.as(options(), "demo-kitchen")
	o.Brokers, o.CAFile = []string{"ssl://" + h.addr}, stranger.file("ca.pem")
	deceived, _ := run(t, o)
	trouble(t, deceived, BrokerCertificate, "of an authority that this board does not know")
}

// TestCertificates: keys are nobody else's, nothing is written over, and what cannot be says what mends it.
func TestCertificates(t *testing.T) {
	a := newScripted(t)
	a.does("board", "kitchen")
	first, err := os.ReadFile(a.file("kitchen.key"))
	must(t, err)
	if out := a.does("board", "kitchen"); !strings.Contains(out, "kitchen-2.key") {
		t.Errorf("renewing says %q", out)
	}
	if again, err := os.ReadFile(a.file("kitchen.key")); err != nil || string(again) != string(first) {
		t.Errorf("the first key was written over (%v)", err)
	}
	keys, err := filepath.Glob(a.file("*.key"))
	must(t, err)
	if len(keys) != 3 {
		t.Errorf("the keys are %v", keys)
	}
	for _, key := range keys {
		if f, err := os.Stat(key); err != nil || f.Mode() != 0o600 {
			t.Errorf("%s has the mode %v (%v)", key, f.Mode(), err)
		}
	}
	if out := a.does("revoke", "kitchen"); strings.Count(out, "of kitchen") != 2 {
		t.Errorf("revoking says %q", out)
	}
	if out := a.does("list"); strings.Count(out, "revoked") != 2 {
		t.Errorf("the list is %q", out)
	}
	for want, arguments := range map[string][]string{
		"is not written over":        {"ca"},
		"name the site":              {"board", "a/b"},
		"is no host":                 {"broker", "a", "b c"},
		"no certificate of kitchen ": {"revoke", "kitchen"},
		"a board's, by the site":     {"nonsense"},
	} {
		if out, err := a.try("", arguments...); err == nil || !strings.Contains(out, want) {
			t.Errorf("%v says %q (%v)", arguments, out, err)
		}
	}
	a.dir += "-elsewhere"
	if out, err := a.try("", "board", "x"); err == nil || !strings.Contains(out, "make it with: certificates.sh ca") {
		t.Errorf("without an authority: %q (%v)", out, err)
	}
}

// TestASiteAndItsCentre: a site's broker passes on to a centre what its board publishes, by the shipped configuration; what an
// outage of the centre held back comes after it, and a site that is cut off shows.
func TestASiteAndItsCentre(t *testing.T) {
	a := newScripted(t)
	a.broker("127.0.0.1")
	a.does("board", "demo-kitchen")
	a.does("reader", "dashboard")
	far, _ := centre(t, a)
	text, err := os.ReadFile("../../configs/mosquitto/site.conf")
	must(t, err)
	me, err := user.Current()
	must(t, err)
	dir, near := t.TempDir(), freePort(t)
	_, port, _ := strings.Cut(near, ":")
	conf := filepath.Join(dir, "site.conf")
	must(t, os.WriteFile(conf, []byte("user "+me.Username+"\n"+strings.NewReplacer("listener 1883", "listener "+port, "centre.example:8883", far.addr,
		"restart_timeout 5 60", "restart_timeout 1", "/etc/mosquitto/certs/", a.dir+"/", "/var/lib/mosquitto/", dir+"/", "SITE", "demo-kitchen").Replace(string(text))), 0o600))
	cmd := mosquittoWith(t, conf, near)
	t.Cleanup(func() { cmd.Process.Kill(); cmd.Wait() })
	reads := func() *spy { return spyAs(t, tlsReader(t, a, far, "dashboard"), "holdbell/#") }
	s := reads()
	o := options()
	o.Brokers = []string{"tcp://" + near}
	p := newProxy(t, near)
	b, _ := run(t, p.through(o))
	b.Show(shift(1))
	s.has(site+"status/bridge", "1")
	s.has(site+"status", "online")
	s.begins(alarmTopic, "{")
	s.begins(probeTopic, "{")
	// The board's will goes the same way.
	p.cut(true)
	s.has(site+"status", "offline")
	p.mend()
	s.has(site+"status", "online")
	// An outage of the centre.
	far.stop()
	events := publishtest.Events(50)
	for _, ev := range events {
		surely(t, b, ev)
	}
	warmer := func(seq uint64) *rules.State {
		st := shift(seq)
		st.Alarms = nil
		st.Probes[0].Reading.Temp += sensor.Temp(1000 * seq)
		return st
	}
	b.Show(warmer(2))
	far.start()
	s = reads()
	all := s.until("what the site held back", func(all []got) bool { order, _ := seqs(t, all, site+"event"); return len(order) == len(events) })
	order, twice := seqs(t, all, site+"event")
	for i, seq := range order {
		if seq != uint64(i+1) {
			t.Fatalf("the events came as %v", order)
		}
	}
	t.Logf("%d events after the outage, %d of them twice", len(order), twice)
	s.has(site+"status", "online")
	b.Show(warmer(3))
	s.begins(probeTopic, `{"at":"2026-03-01T11:00:03Z"`)
	if p, ok := newest(reads().messages(), alarmTopic); ok && p != "" {
		t.Errorf("the alarm that ended meanwhile stands at the centre: %s", p)
	}
	// The site is cut off: its word stands as it was, and the bridge says that nothing new comes.
	cmd.Process.Kill()
	cmd.Wait()
	s.has(site+"status/bridge", "0")
	if p, _ := newest(s.messages(), site+"status"); p != "online" {
		t.Errorf("the board's status is %q", p)
	}
	cmd = mosquittoWith(t, conf, near)
	s.has(site+"status/bridge", "1")
}
