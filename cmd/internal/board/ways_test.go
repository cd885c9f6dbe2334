package board

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"syscall"
	"testing"

	"holdbell/configs"
	"holdbell/publish/page"
	"holdbell/rules"
)

func TestPower(t *testing.T) {
	const mains = "kitchen.yaml=rules: { food_code: us-fda-2022 }\nboard: { mains: /sys/class/power_supply/AC }\nprobes: []\nstations: []\n"
	low := page.StateReport{Supply: rules.SupplyIsLow}
	for _, c := range []struct {
		name    string
		files   []string
		running *page.StateReport
		want    []string
	}{
		{"nobody says", nil, nil, []string{"ok supply: does not say", "ok mains: does not say"}},
		{"the daemon looked first", []string{"sys/class/hwmon/hwmon0/name=rpi_volt", "sys/class/hwmon/hwmon0/in0_lcrit_alarm=0"}, &low, []string{"wrong supply: lowest", "ok mains: "}},
		{"a named one that is not there", []string{mains}, nil, []string{"ok supply: ", "wrong mains: says nothing"}},
		{"a huge one", []string{mains, "sys/class/power_supply/AC/online=" + huge}, nil, []string{"ok supply: ", "wrong mains: says nothing"}},
		{"off", []string{mains, "sys/class/power_supply/AC/online=0"}, nil, []string{"ok supply: ", "wrong mains: is off"}},
	} {
		b := of(t, c.files...)
		b.running = c.running
		b.power()
		expect(t, c.name, b.found, c.want...)
	}
}

func TestDaemon(t *testing.T) {
	age, warm := 0.4, 65.5
	for _, c := range []struct {
		name  string
		state func(context.Context, string) ([]byte, error)
		want  string
		runs  bool
	}{
		{"none", func(context.Context, string) ([]byte, error) {
			return nil, fmt.Errorf("%w: %w", page.ErrUnreachable, syscall.ECONNREFUSED)
		}, "look daemon: nobody watches", false},
		{"shut", func(context.Context, string) ([]byte, error) {
			return nil, fmt.Errorf("%w: %w", page.ErrUnreachable, syscall.EACCES)
		}, "look daemon: may not ask", false},
		{"hangs", func(ctx context.Context, _ string) ([]byte, error) {
			<-ctx.Done()
			return nil, fmt.Errorf("%w: %w", page.ErrUnreachable, ctx.Err())
		}, "wrong daemon: does not answer within 2s", false},
		{"starting", func(context.Context, string) ([]byte, error) {
			return nil, &page.RefusedError{Status: 503, Text: "No sweep was made yet."}
		}, "look daemon: runs: No sweep", false},
		{"another failure", func(context.Context, string) ([]byte, error) { return nil, errors.New("odd") }, "wrong daemon: odd", false},
		{"nonsense", func(context.Context, string) ([]byte, error) { return []byte("<html>"), nil }, "wrong daemon: cannot be read", false},
		{"stale", says(page.StateReport{Age: &age, Stale: true}), "wrong daemon: does not watch", true},
		{"without an age", says(page.StateReport{}), "look daemon: cannot say", true},
		{"a silent probe", says(page.StateReport{Age: &age, Probes: map[string]page.ProbeReport{"a": {}, "b": {Celsius: &warm}}}), "wrong daemon: 1 of 2 probes", true},
		{"well", says(page.StateReport{Age: &age, Probes: map[string]page.ProbeReport{"b": {Celsius: &warm}}}), "ok daemon: watches 1 probes; its last sweep is 0.4 s old", true},
	} {
		b := of(t)
		b.state = c.state
		f, st := b.daemon(t.Context())
		expect(t, c.name, []Finding{f}, c.want)
		if (st != nil) != c.runs {
			t.Errorf("%s: a daemon that runs: %v", c.name, st != nil)
		}
	}
}

func TestBroker(t *testing.T) {
	remote := &configs.MQTT{Brokers: []string{"ssl://broker.example:8883"}}
	inside := &configs.MQTT{Brokers: []string{configs.Embedded}, Listen: "127.0.0.1:1883"}
	for _, c := range []struct {
		name  string
		mqtt  *configs.MQTT
		runs  bool
		fails error
		want  string
	}{
		{"none", nil, false, nil, "ok broker: none is configured"},
		{"answers", remote, false, nil, "ok broker: broker.example:8883 answers"},
		{"refuses", remote, false, refused(), "wrong broker: broker.example:8883 does not answer: connection refused"},
		{"unknown", remote, true, &net.OpError{Op: "dial", Err: &net.DNSError{Err: "no such host", Name: "broker.example", IsNotFound: true}}, "wrong broker: no such host"},
		{"is silent", remote, true, &net.OpError{Op: "dial", Err: context.DeadlineExceeded}, "wrong broker: no answer within 2s"},
		{"no address", &configs.MQTT{Brokers: []string{"::"}}, false, nil, "wrong broker: cannot be read"},
		{"its own, to come", inside, false, refused(), "ok broker: the daemon will bring it"},
		{"its own port is taken", inside, false, nil, "wrong broker: another program has 127.0.0.1:1883"},
		{"its own runs", inside, true, nil, "ok broker: answers"},
		{"its own is down", inside, true, refused(), "wrong broker: the daemon's own does not answer"},
	} {
		b := of(t)
		b.config.MQTT = c.mqtt
		if c.runs {
			b.running = new(page.StateReport)
		}
		b.dial = func(_ context.Context, network, at string) (net.Conn, error) {
			if network != "tcp" || !strings.Contains(at, "883") {
				t.Errorf("%s: dialled %s %s", c.name, network, at)
			}
			if c.fails != nil {
				return nil, c.fails
			}
			conn, _ := net.Pipe()
			return conn, nil
		}
		b.broker(t.Context())
		expect(t, c.name, b.found, c.want)
	}
}

// TestBrokers: each of a cluster is named, and one that is down is told beside one that is up.
func TestBrokers(t *testing.T) {
	b := of(t)
	b.config.MQTT = &configs.MQTT{Brokers: []string{"tcp://one.example:1883", "tcp://two.example:2883"}}
	b.dial = func(_ context.Context, _, at string) (net.Conn, error) {
		if at == "one.example:1883" {
			return nil, refused()
		}
		conn, _ := net.Pipe()
		return conn, nil
	}
	b.broker(t.Context())
	expect(t, "two brokers", b.found, "wrong broker: one.example:1883 does not answer: connection refused", "ok broker: two.example:2883 answers")
}

func TestReceiver(t *testing.T) {
	for _, c := range []struct {
		name, url, at string
		fails         error
		want          []string
	}{
		{"none", "", "", nil, nil},
		{"answers", "https://metrics.example/api/v1/write", "metrics.example:443", nil, []string{"ok remote write: metrics.example:443 answers"}},
		{"an address of numbers", "http://[::1]/w", "[::1]:80", nil, []string{"ok remote write: [::1]:80 answers"}},
		{"refuses", "http://metrics.example:9090/api/v1/write", "metrics.example:9090", refused(), []string{"wrong remote write: metrics.example:9090 does not answer: connection refused"}},
		{"no address", "::", "", nil, []string{"wrong remote write: cannot be read"}},
	} {
		b := of(t)
		if c.url != "" {
			b.config.RemoteWrite = &configs.RemoteWrite{URL: c.url}
		}
		b.dial = func(_ context.Context, _, at string) (net.Conn, error) {
			if at != c.at {
				t.Errorf("%s: dialled %s", c.name, at)
			}
			if c.fails != nil {
				return nil, c.fails
			}
			conn, _ := net.Pipe()
			return conn, nil
		}
		b.receiver(t.Context())
		expect(t, c.name, b.found, c.want...)
	}
}

func TestPhones(t *testing.T) {
	t.Setenv("CREDENTIALS_DIRECTORY", "")
	const own = "OWNERS=url 1000 1000 0600\n"
	for _, c := range []struct {
		name, file string
		files      []string
		sent       error
		want       []string
	}{
		{"well", "/url", []string{own, "url=https://push.example/kitchen\n"}, nil, []string{"ok phone: owner 1000", "ok phone test: took the message"}},
		{"fails", "/url", []string{own, "url=https://push.example/kitchen\n"}, errors.New("401"), []string{"ok phone: ", "wrong phone test: 401"}},
		{"not there", "/url", nil, nil, []string{"wrong phone: is not there"}},
		{"a folder", "/dir", []string{"dir/x="}, nil, []string{"wrong phone: is no file"}},
		{"another's", "/url", []string{"OWNERS=url 7 7 0600\n", "url=https://push.example/kitchen\n"}, nil, []string{"wrong phone: cook may not read it", "ok phone test: "}},
		{"everybody's", "/url", []string{"OWNERS=url 1000 1000 0604\n", "url=https://push.example/kitchen\n"}, nil, []string{"wrong phone: everybody", "ok phone test: "}},
		{"empty", "/url", []string{own, "url="}, nil, []string{"wrong phone: it is empty"}},
		{"huge", "/url", []string{own, "url=" + huge}, nil, []string{"wrong phone: more than 4096 bytes"}},
		{"nonsense", "/url", []string{own, "url=call the owner\n"}, nil, []string{"wrong phone: holds more than an address"}},
		{"handed over", "$CREDENTIALS_DIRECTORY/cook.url", nil, nil, []string{"ok phone: hands it to the daemon"}},
	} {
		b := of(t, c.files...)
		b.user, b.test = b.self(), true
		b.config.Phones = []configs.Phone{{URLFile: c.file, From: rules.Warning}}
		sent := 0
		b.send = func(context.Context, *configs.Phone) error { sent++; return c.sent }
		b.phones(t.Context())
		expect(t, c.name, b.found, c.want...)
		if sent != len(c.want)-1 {
			t.Errorf("%s: %d messages sent", c.name, sent)
		}
		for _, f := range b.found {
			if strings.Contains(f.Found+f.Mend, "push.example") {
				t.Errorf("%s: the page tells the address: %s", c.name, f.Found)
			}
		}
	}
	b := of(t, own, "url=https://push.example/kitchen\n")
	b.user, b.config.Phones = b.self(), []configs.Phone{{URLFile: "/url", From: rules.Warning}}
	b.send = func(context.Context, *configs.Phone) error { t.Error("a message nobody asked for"); return nil }
	b.phones(t.Context())
	b = of(t)
	b.phones(t.Context())
	expect(t, "none", b.found, "look phone: rings nobody")
}

func TestWhy(t *testing.T) {
	if got := why(&fs.PathError{Op: "stat", Path: "/x", Err: syscall.EIO}); got != "input/output error" {
		t.Error(got)
	}
}

// TestRing sends a real message to a target of its own.
func TestRing(t *testing.T) {
	heard := make(chan string, 1)
	far := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		if err != nil {
			t.Error(err)
		}
		heard <- r.URL.Path + " " + string(body)
	}))
	defer far.Close()
	b := of(t, "OWNERS=etc/url 1000 1000 0600\n", "etc/url="+far.URL+"/topic\n")
	b.user, b.test = b.self(), true
	b.config.Phones = []configs.Phone{{URLFile: "/etc/url", From: rules.Critical}}
	b.phones(t.Context())
	expect(t, "sent", b.found, "ok phone: ", "ok phone test: took the message")
	select {
	case got := <-heard:
		if !strings.HasPrefix(got, "/topic ") || !strings.Contains(got, "This is a test message") {
			t.Errorf("heard %q", got)
		}
	default:
		t.Error("nothing was heard")
	}
}

// TestThePageTellsNoSecret: files that hold an address, a password or something else that was put there by mistake, and
// test messages that fail, are told without what the files hold.
func TestThePageTellsNoSecret(t *testing.T) {
	const secret = "canary-"
	gone := httptest.NewServer(nil)
	gone.Close()
	refuses := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		http.Error(w, "no: "+r.URL.String(), http.StatusForbidden)
	}))
	defer refuses.Close()
	var files, owners []string
	config := "kitchen.yaml=rules: { food_code: us-fda-2022 }\nprobes: []\nstations: []\npublish:\n" +
		"  http: { listen: \"127.0.0.1:0\", marks_token_file: /etc/token, web_config: /etc/web.yaml }\n" +
		"  mqtt: { broker: \"tcp://127.0.0.1:1\", username: cook, password_file: /etc/mqtt }\n  heartbeat: { url_file: /etc/beat }\n  phone:\n"
	for i, address := range []string{
		gone.URL + "/" + secret + "push?key=" + secret + "query", refuses.URL + "/" + secret + "push",
		"json+" + strings.Replace(refuses.URL, "//", "//cook:"+secret+"login@", 1) + "/" + secret + "hook",
		"smtp://cook:" + secret + "mail@" + strings.TrimPrefix(gone.URL, "http://") + "/?from=a@kitchen.example&to=b@kitchen.example",
		secret + "two words", "nonsense://" + secret + "service",
	} {
		file := fmt.Sprint("etc/phone", i)
		files, owners = append(files, file+"="+address+"\n"), append(owners, file+" 1000 1000 0600\n")
		config += "    - { url_file: /" + file + ", from: critical }\n"
	}
	for _, file := range []string{"etc/token", "etc/web.yaml", "etc/mqtt", "etc/beat"} {
		files, owners = append(files, file+"="+secret+"held-by-a-file-long-enough\n"), append(owners, file+" 1000 1000 0600\n")
	}
	b := of(t, append(files, "OWNERS="+strings.Join(owners, ""), config)...)
	b.test = true
	found := examine(t.Context(), b)
	var page strings.Builder
	if _, err := Write(&page, found); err != nil {
		t.Fatal(err)
	}
	failed := 0
	for _, f := range found {
		if f.Word == Wrong && (f.About == "phone" || f.About == "phone test") {
			failed++
		}
	}
	if failed != 6 {
		t.Errorf("%d of 6 phones are wrong:\n%s", failed, page.String())
	}
	for line := range strings.Lines(page.String()) {
		if strings.Contains(line, secret) || strings.Contains(line, strings.ReplaceAll(secret, "-", "%2D")) {
			t.Errorf("a secret is told: %s", line)
		}
	}
}
