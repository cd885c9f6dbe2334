package daemon

import (
	"bufio"
	"bytes"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"holdbell/publish/page"
	"holdbell/rules"
)

// secret begins every secret of these tests, so that one search finds them all.
const secret = "canary-"

// tells reports whether text holds a secret, plain or as it travels.
func tells(text string, secrets ...string) bool {
	forms := []string{secret, "canary%2D", "canary%2d"}
	for _, s := range secrets {
		forms = append(forms, base64.StdEncoding.EncodeToString([]byte(s)), base64.StdEncoding.EncodeToString([]byte("cook:"+s)))
	}
	for _, f := range forms {
		if strings.Contains(text, f) {
			return true
		}
	}
	return false
}

// farEnd is an end of the network that fails in its own way, for HTTP, mail and MQTT alike.
type farEnd struct {
	http, mqtt string // addresses with their scheme
	mail       string // host and port
}

// reciting gives what says the same bytes to whoever connects, and hangs up.
func reciting(t *testing.T, said string) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	go func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				defer conn.Close()
				// What goes wrong here is what the test is about; the other end tells of it.
				_, _ = io.WriteString(conn, said)
				_, _ = conn.Read(make([]byte, 1024))
			}()
		}
	}()
	return l.Addr().String()
}

// farEnds are the ways in which the network fails.
func farEnds(t *testing.T) map[string]farEnd {
	t.Helper()
	quiet := slog.NewLogLogger(slog.DiscardHandler, slog.LevelError)
	serve := func(start func(*httptest.Server), code int) string {
		s := httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			// What a careless far end says back must not be told either.
			w.Header().Set("Location", "http://127.0.0.1:1"+r.URL.Path+"/elsewhere")
			w.Header().Set("WWW-Authenticate", "Basic realm="+r.URL.Path)
			http.Error(w, "no: "+r.URL.String(), code)
		}))
		s.Config.ErrorLog = quiet
		start(s)
		t.Cleanup(s.Close)
		return s.URL
	}
	closed, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	closed.Close()
	gone := closed.Addr().String()
	// RFC 5321, 3.1: 554 instead of a greeting.
	mail := reciting(t, "554 "+secret+"echo\r\n")
	// MQTT 3.1.1, 3.2.2.3: 5 is not authorized, 4 a bad user name or password.
	tls := serve((*httptest.Server).StartTLS, http.StatusOK)
	return map[string]farEnd{
		"unreachable": {"http://" + gone, "tcp://" + gone, gone},
		"refused":     {serve((*httptest.Server).Start, http.StatusUnauthorized), "tcp://" + reciting(t, "\x20\x02\x00\x05"), mail},
		"redirected":  {serve((*httptest.Server).Start, http.StatusTemporaryRedirect), "tcp://" + reciting(t, "\x20\x02\x00\x04"), mail},
		"TLS":         {tls, "ssl://" + strings.TrimPrefix(tls, "https://"), mail},
		"gibberish":   {"http://" + reciting(t, "canary-echo\r\n\r\n"), "tcp://" + reciting(t, "canary-echo\r\n\r\n"), mail},
	}
}

// said gathers everything that a daemon says to anybody.
func (r *rig) said(url string) string {
	r.t.Helper()
	var all strings.Builder
	views := []string{"/", "/station?name=warmer", "/lot?name=warmer", "/alarms", "/board", "/record", "/figures", "/mark", "/sign-in", "/state", "/healthz", "/metrics",
		"/chart.json?station=warmer&hours=1", "/compare", "/compare.json", "/compare/print", "/record/print", "/manifest.webmanifest", "/no/such/page"}
	for _, view := range []string{"rail", "station", "lot", "alarms", "board"} {
		views = append(views, "/live?view="+view+"&name=warmer")
	}
	for _, path := range views {
		for _, header := range []string{"", "Bearer " + secret + "guessed-long-enough", "Basic " + base64.StdEncoding.EncodeToString([]byte("cook:"+secret+"guess"))} {
			code, text := r.asked(url+path, header)
			fmt.Fprintf(&all, "%s %s\n", path, text)
			if header == "" && code >= http.StatusInternalServerError && path != "/healthz" {
				r.t.Errorf("%s gives %d", path, code)
			}
		}
	}
	_, err := page.NewClient(r.socket).Mark(r.t.Context(), rules.MarkFields{Mark: "nonsense"})
	fmt.Fprintln(&all, err)
	r.log.mu.Lock()
	defer r.log.mu.Unlock()
	all.Write(r.log.b.Bytes())
	return all.String()
}

// asked gives an answer's status and all of it; of a page's live channel what it says first.
func (r *rig) asked(url, header string) (code int, text string) {
	r.t.Helper()
	req, err := http.NewRequest(http.MethodGet, url, nil)
	if err != nil {
		r.t.Fatal(err)
	}
	if header != "" {
		req.Header.Set("Authorization", header)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		r.t.Fatal(err)
	}
	defer resp.Body.Close()
	var body []byte
	if resp.Header.Get("Content-Type") == "text/event-stream" {
		if body, err = bufio.NewReader(resp.Body).ReadBytes('\n'); !bytes.HasPrefix(body, []byte("data: {")) {
			r.t.Errorf("%s says %.40q", url, body)
		}
	} else {
		body, err = io.ReadAll(resp.Body)
	}
	if err != nil {
		r.t.Fatal(err)
	}
	return resp.StatusCode, fmt.Sprintf("%s %v\n%s", resp.Status, resp.Header, body)
}

// complain shows the line in which a secret stands.
func complain(t *testing.T, text string, secrets ...string) {
	t.Helper()
	for line := range strings.Lines(text) {
		if tells(line, secrets...) {
			t.Errorf("a secret is told: %.300s", line)
		}
	}
}

// TestNoFailureTellsASecret: every output fails in every way there is, and nothing that the daemon says holds the
// address, password or token that it failed with.
func TestNoFailureTellsASecret(t *testing.T) {
	for name, far := range farEnds(t) {
		t.Run(name, func(t *testing.T) {
			host := far.http[strings.Index(far.http, "//")+2:]
			phones := []string{
				far.http + "/" + secret + "push?key=" + secret + "query",
				"json+" + strings.Replace(far.http, "//", "//cook:"+secret+"login@", 1) + "/" + secret + "hook",
				"generic://" + host + "/" + secret + "service?disabletls=yes&$token=" + secret + "field",
				"smtp://cook:" + secret + "mail@" + far.mail + "/?from=a@kitchen.example&to=b@kitchen.example",
			}
			password, remote, token := secret+"mqtt", secret+"remote", secret+"token-long-enough"
			text := kitchen + fmt.Sprintf("publish:\n  http: { listen: \"127.0.0.1:0\", marks_token_file: %q }\n", written(t, "token", token))
			text += fmt.Sprintf("  mqtt: { broker: %q, username: cook, password_file: %q }\n", far.mqtt, written(t, "mqtt", password))
			text += fmt.Sprintf("  remote_write: { url: %q, username: cook, password_file: %q, jitter: 0s }\n", far.http+"/api/v1/write", written(t, "remote", remote))
			text += fmt.Sprintf("  heartbeat: { url_file: %q, fail: /down }\n  phone:\n", written(t, "beat", far.http+"/"+secret+"beat"))
			for i, p := range phones {
				text += fmt.Sprintf("    - { url_file: %q, from: advice }\n", written(t, fmt.Sprint("phone", i), p))
			}
			cfg := parsed(t, text)
			cfg.Heartbeat.Every = 20 * time.Millisecond
			r := begin(t, cfg, filepath.Join(t.TempDir(), "l.db"), always(newLine(noon(), 2, true).play(400, 150).play(100, 120)))
			url := <-r.pages
			r.ear.until(t, "below the limit", raised(rules.BelowHotLimit))
			eventually(t, "every output has failed", func() bool {
				o := r.outputs.Load()
				failed := 0
				o.mu.Lock()
				for _, c := range o.couriers {
					if c.LastError() != nil && strings.HasPrefix(c.Name(), "phone:") {
						failed++
					}
				}
				o.mu.Unlock()
				return failed == len(phones) && o.client.Status().Trouble != "" && o.beat.Trouble() != "" && o.remote.Figures().Trouble != ""
			})
			all := r.said(url)
			for _, want := range []string{"Heartbeat", "events wait for phone:", "not connected", "does not hear the heartbeat", "nothing gets to the receiver"} {
				if !strings.Contains(all, want) {
					t.Errorf("nothing is said of the failure: %q", want)
				}
			}
			r.end()
			complain(t, all+r.logged(), append(phones, password, remote, token)...)
		})
	}
}

// logged is the log alone, once the page is gone.
func (r *rig) logged() string {
	r.log.mu.Lock()
	defer r.log.mu.Unlock()
	return r.log.b.String()
}

// TestNoFileTellsASecret: a file that holds the wrong thing is told without what it holds: whoever mixes two up has
// put a secret there.
func TestNoFileTellsASecret(t *testing.T) {
	wrong := written(t, "wrong", secret+"file two words\n")
	for name, publish := range map[string]string{
		"phone":        fmt.Sprintf("http: { listen: \"127.0.0.1:0\" }\n  phone: [ { url_file: %q, from: advice } ]\n", wrong),
		"heartbeat":    fmt.Sprintf("http: { listen: \"127.0.0.1:0\" }\n  heartbeat: { url_file: %q }\n", wrong),
		"certificate":  fmt.Sprintf("http: { listen: \"127.0.0.1:0\" }\n  mqtt: { broker: \"ssl://127.0.0.1:1\", ca_file: %q, cert_file: %q, key_file: %q }\n", wrong, wrong, wrong),
		"remote write": fmt.Sprintf("http: { listen: \"127.0.0.1:0\" }\n  remote_write: { url: \"http://127.0.0.1:1/api/v1/write\", bearer_file: %q, jitter: 0s }\n", wrong),
		"web_config":   fmt.Sprintf("http: { listen: \"127.0.0.1:0\", web_config: %q }\n", written(t, "web", "basic_auth_users: "+secret+"hash\n")),
		"web_config without a file": fmt.Sprintf("http: { listen: \"127.0.0.1:0\", web_config: %q }\n",
			written(t, "web", "basic_auth_users: { cook: "+secret+"hash }\ntls_server_config: { cert_file: /nowhere, key_file: /nowhere }\n")),
	} {
		t.Run(name, func(t *testing.T) {
			cfg := parsed(t, kitchen+"publish:\n  "+publish)
			if cfg.Heartbeat != nil {
				cfg.Heartbeat.Every = 20 * time.Millisecond
			}
			r := begin(t, cfg, filepath.Join(t.TempDir(), "l.db"), always(newLine(noon(), 2, true).play(400, 150).play(100, 120)))
			r.ear.until(t, "below the limit", raised(rules.BelowHotLimit))
			r.log.until(t, "err=")
			r.end()
			complain(t, r.logged())
		})
	}
}

// TestMQTTTellsNoSecret: a subscriber of the broker inside the daemon hears everything that goes out, and none of the
// passwords; nor does a wrong one that was tried stand anywhere.
func TestMQTTTellsNoSecret(t *testing.T) {
	password := secret + "user"
	gone := farEnds(t)["unreachable"].http
	text := kitchen + "publish:\n  http: { listen: \"127.0.0.1:0\" }\n" +
		fmt.Sprintf("  phone: [ { url_file: %q, from: advice } ]\n", written(t, "phone", gone+"/"+secret+"push")) +
		fmt.Sprintf("  mqtt: { broker: embedded, listen: \"127.0.0.1:0\", discovery: homeassistant, commands: true, users: [ { name: cook, password_file: %q } ] }\n", written(t, "p", password))
	source := newLine(noon(), 2, true).play(400, 150)
	r := begin(t, parsed(t, text), filepath.Join(t.TempDir(), "l.db"), always(source))
	url := <-r.pages
	at := ""
	eventually(t, "the broker is there", func() bool {
		_, at, _ = strings.Cut(r.logged(), "what=mqtt at=")
		at, _, _ = strings.Cut(at, "\n")
		return at != ""
	})
	client := func(id, password string) (paho.Client, error) {
		c := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + at).SetClientID(id).SetUsername("cook").SetPassword(password))
		token := c.Connect()
		if !token.WaitTimeout(20 * time.Second) {
			return c, errors.New("no answer")
		}
		return c, token.Error()
	}
	if _, err := client("wrong", secret+"wrong"); err == nil {
		t.Error("a wrong password was let in")
	}
	c, err := client("right", password)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Disconnect(100)
	var mu sync.Mutex
	var heard bytes.Buffer
	c.Subscribe("#", 1, func(_ paho.Client, m paho.Message) {
		mu.Lock()
		defer mu.Unlock()
		fmt.Fprintf(&heard, "%s %s\n", m.Topic(), m.Payload())
	}).WaitTimeout(20 * time.Second)
	source.play(100, 120)
	all := ""
	eventually(t, "the alarm and the record's head are heard", func() bool {
		mu.Lock()
		defer mu.Unlock()
		all = heard.String()
		return strings.Contains(all, "below-hot-limit") && strings.Contains(all, "/head {\"ledger\"") && strings.Contains(all, "homeassistant/")
	})
	all += r.said(url)
	r.end()
	complain(t, all+r.logged(), password)
}
