package daemon

import (
	"context"
	"crypto/tls"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"golang.org/x/crypto/bcrypt"

	"holdbell/configs"
	"holdbell/publish"
	"holdbell/publish/page"
)

const kitchenToken = "canary-token-51c8-long-enough"

func written(t *testing.T, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// users writes a web_config with one user, at the least cost that bcrypt has.
func users(t *testing.T, name, password string, cost int) string {
	t.Helper()
	hash, err := bcrypt.GenerateFromPassword([]byte(password), cost)
	if err != nil {
		t.Fatal(err)
	}
	return written(t, "web.yaml", fmt.Sprintf("basic_auth_users:\n  %s: %s\n", name, hash))
}

func quietDoor(h configs.HTTP, at string) *door {
	d := newDoor(h, slog.New(slog.DiscardHandler))
	d.opened(&net.TCPAddr{IP: net.ParseIP(at), Port: 9834})
	return d
}

// asked is a request as it comes from a browser.
func asked(from, host string, header ...string) *http.Request {
	r := httptest.NewRequest(http.MethodGet, "/", nil)
	r.RemoteAddr, r.Host = from, host
	for i := 0; i < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	return r
}

func basic(user, password string) string {
	r := http.Request{Header: http.Header{}}
	r.SetBasicAuth(user, password)
	return r.Header.Get("Authorization")
}

func TestWhoMayMark(t *testing.T) {
	token := written(t, "token", kitchenToken+"\n")
	web := users(t, "cook", "pw", bcrypt.MinCost)
	const board, near, far = "127.0.0.1:40000", "localhost:9834", "192.0.2.7:40000"
	for _, c := range []struct {
		name string
		http configs.HTTP
		at   string
		r    *http.Request
		may  bool
		by   string
		why  string
	}{
		{"the board's own browser", configs.HTTP{}, "127.0.0.1", asked(board, near), true, "", ""},
		{"another name for this machine", configs.HTTP{}, "127.0.0.1", asked(board, "rebound.example"), false, "", "at localhost"},
		{"somebody passes it on", configs.HTTP{}, "127.0.0.1", asked(board, near, "X-Forwarded-For", "192.0.2.7"), false, "", "A proxy"},
		{"open to the network", configs.HTTP{}, "0.0.0.0", asked(far, "board:9834"), false, "", "marks_token_file"},
		{"open to the network, from the board", configs.HTTP{}, "0.0.0.0", asked(board, near), false, "", "marks_token_file"},
		{"open, a name that nobody checked", configs.HTTP{}, "::", asked(far, "board", "Authorization", basic("cook", "pw")), false, "", "web_config"},
		{"a login", configs.HTTP{WebConfig: web}, "0.0.0.0", asked(far, "board", "Authorization", basic("cook", "pw")), true, "cook", ""},
		{"a login's file without this user", configs.HTTP{WebConfig: web}, "0.0.0.0", asked(far, "board", "Authorization", basic("other", "pw")), false, "", "web_config"},
		{"a login's file that is gone", configs.HTTP{WebConfig: web + "x"}, "0.0.0.0", asked(far, "board", "Authorization", basic("cook", "pw")), false, "", "web_config"},
		{"a file with TLS alone", configs.HTTP{WebConfig: written(t, "w", "tls_server_config: {}\n")}, "0.0.0.0", asked(far, "board", "Authorization", basic("cook", "pw")), false, "", "web_config"},
		{"a token", configs.HTTP{MarksTokenFile: token}, "0.0.0.0", asked(far, "board", "Authorization", "Bearer "+kitchenToken), true, "", ""},
		{"no token", configs.HTTP{MarksTokenFile: token}, "0.0.0.0", asked(far, "board"), false, "", "signed in"},
		{"a wrong token", configs.HTTP{MarksTokenFile: token}, "0.0.0.0", asked(far, "board", "Authorization", "Bearer "+kitchenToken+"x"), false, "", "signed in"},
		{"the token as a cookie", configs.HTTP{MarksTokenFile: token}, "0.0.0.0", asked(far, "board", "Cookie", marksCookie+"="+kitchenToken), false, "", "signed in"},
		{"the cookie", configs.HTTP{MarksTokenFile: token}, "0.0.0.0", asked(far, "board", "Cookie", marksCookie+"="+proofOf(kitchenToken)), true, "", ""},
		{"an empty cookie", configs.HTTP{MarksTokenFile: token}, "0.0.0.0", asked(far, "board", "Cookie", marksCookie+"="), false, "", "signed in"},
		{"a token is wanted at home too", configs.HTTP{MarksTokenFile: token}, "127.0.0.1", asked(board, near), false, "", "signed in"},
		{"no token's file", configs.HTTP{MarksTokenFile: token + "x"}, "0.0.0.0", asked(far, "board", "Authorization", "Bearer "), false, "", "no such file"},
		{"an empty token", configs.HTTP{MarksTokenFile: written(t, "t", "\n")}, "0.0.0.0", asked(far, "board", "Authorization", "Bearer "), false, "", "is empty"},
		{"a short token", configs.HTTP{MarksTokenFile: written(t, "t", "short")}, "0.0.0.0", asked(far, "board", "Authorization", "Bearer short"), false, "", "at least 16"},
	} {
		v := quietDoor(c.http, c.at).visitor(c.r)
		if v.MayMark != c.may || v.By != c.by || !strings.Contains(v.Why, c.why) || (v.Why == "") != c.may {
			t.Errorf("%s: %+v, want %v by %q because %q", c.name, v, c.may, c.by, c.why)
		}
		if strings.Contains(v.Why, kitchenToken) {
			t.Errorf("%s: the reason tells the token", c.name)
		}
	}
	unopened := newDoor(configs.HTTP{}, slog.New(slog.DiscardHandler))
	if unopened.visitor(asked(board, near)).MayMark {
		t.Error("marks are taken before it is known where the port is")
	}
}

// A new token ends the old one and its cookies, without a restart.
func TestANewTokenEndsTheOldOne(t *testing.T) {
	file := written(t, "token", kitchenToken)
	d := quietDoor(configs.HTTP{MarksTokenFile: file}, "0.0.0.0")
	r := asked("192.0.2.7:1", "board", "Cookie", marksCookie+"="+proofOf(kitchenToken))
	if !d.visitor(r).MayMark {
		t.Fatal("the cookie of the token is not taken")
	}
	if err := os.WriteFile(file, []byte("another-token-long-enough"), 0o600); err != nil {
		t.Fatal(err)
	}
	if d.visitor(r).MayMark {
		t.Error("the cookie of a token that is no more is taken")
	}
}

func TestTheCookieOfATokenTyped(t *testing.T) {
	d := quietDoor(configs.HTTP{MarksTokenFile: written(t, "token", kitchenToken)}, "0.0.0.0")
	for _, secure := range []bool{false, true} {
		r := asked("192.0.2.7:1", "board")
		if secure {
			r.TLS = &tls.ConnectionState{}
		}
		w := httptest.NewRecorder()
		if err := d.signIn(w, r, kitchenToken); err != nil {
			t.Fatal(err)
		}
		c := w.Result().Cookies()[0]
		if !c.HttpOnly || c.SameSite != http.SameSiteStrictMode || c.Secure != secure || c.Path != "/" || c.Value != proofOf(kitchenToken) || c.MaxAge <= 0 {
			t.Errorf("the cookie %+v", c)
		}
		if strings.Contains(w.Header().Get("Set-Cookie"), kitchenToken) {
			t.Error("the cookie holds the token")
		}
	}
	w := httptest.NewRecorder()
	err := d.signIn(w, asked("192.0.2.7:1", "board"), "wrong")
	if no, ok := err.(*page.RefusedError); !ok || no.Status != http.StatusUnauthorized || w.Header().Get("Set-Cookie") != "" {
		t.Errorf("a wrong token: %v %v", err, w.Header())
	}
}

// A page elsewhere whose name was made to point here gets nothing, on a port for this machine alone.
func TestNamesThatPointHere(t *testing.T) {
	web := users(t, "cook", "pw", bcrypt.MinCost)
	for _, c := range []struct {
		at, host, said string
		ok             bool
	}{
		{"127.0.0.1", "localhost:9834", "", true},
		{"127.0.0.1", "LOCALHOST.", "", true},
		{"127.0.0.1", "board.localhost:9834", "", true},
		{"127.0.0.1", "127.0.0.1:9834", "", true},
		{"::1", "[::1]:9834", "", true},
		{"::1", "[::1]", "", true},
		{"127.0.0.1", "rebound.example:9834", "", false},
		{"127.0.0.1", "localhost.rebound.example", "", false},
		{"127.0.0.1", "notlocalhost", "", false},
		{"127.0.0.1", "192.0.2.1:9834", "", false},
		{"127.0.0.1", "", "", false},
		{"127.0.0.1", "kitchen.example", basic("cook", "pw"), true},
		{"0.0.0.0", "kitchen.example", "", true},
	} {
		d := quietDoor(configs.HTTP{WebConfig: web}, c.at)
		w := httptest.NewRecorder()
		d.guard(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { io.WriteString(w, "temperatures") })).
			ServeHTTP(w, asked("127.0.0.1:4", c.host, "Authorization", c.said))
		if got := w.Code == http.StatusOK; got != c.ok || w.Header().Get("X-Content-Type-Options") != "nosniff" {
			t.Errorf("%s at %s: %d %s", c.host, c.at, w.Code, w.Body)
		}
		if !c.ok && (w.Code != http.StatusMisdirectedRequest || !strings.Contains(w.Body.String(), "localhost")) {
			t.Errorf("%s at %s is told %d %s", c.host, c.at, w.Code, w.Body)
		}
	}
}

func TestSignatures(t *testing.T) {
	for name, want := range map[string]string{"cook": "cook", " cook\n": "cook", "a\x00b\u202e": "ab", "\xff": "", strings.Repeat("é", 80): strings.Repeat("é", 64)} {
		if got := signature(name); got != want {
			t.Errorf("%q signs as %q, want %q", name, got, want)
		}
	}
}

func TestTriesSlowDown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		tries := newTries()
		for range freeTries {
			if w := tries.wait("a"); w != 0 {
				t.Fatalf("a person who mistypes waits %v", w)
			}
			tries.wrong("a")
		}
		var waits []time.Duration
		for range 8 {
			tries.wrong("a")
			waits = append(waits, tries.wait("a"))
		}
		if got := fmt.Sprint(waits); got != "[1s 2s 4s 8s 16s 32s 1m0s 1m0s]" {
			t.Errorf("pauses %s", got)
		}
		if tries.wait("b") != 0 {
			t.Error("one address pays for another")
		}
		time.Sleep(time.Minute) // the bubble's time
		if w := tries.wait("a"); w != 0 {
			t.Errorf("after its pause it waits %v", w)
		}
		tries.right("a")
		tries.wrong("a")
		if w := tries.wait("a"); w != 0 {
			t.Errorf("a right login does not clear the books: %v", w)
		}
		for i := range 3 * mostRemember {
			tries.wrong(fmt.Sprint(i))
		}
		if n := len(tries.from); n > mostRemember {
			t.Errorf("%d addresses are remembered", n)
		}
	})
}

func TestAddresses(t *testing.T) {
	for from, want := range map[string]string{"192.0.2.7:4": "192.0.2.7", "[2001:db8::7]:4": "2001:db8::/64", "[2001:db8::8:9]:4": "2001:db8::/64",
		"[::ffff:192.0.2.7]:4": "192.0.2.7", "[fe80::1%eth0]:4": "fe80::/64", "@": "@"} {
		if got := addressOf(from); got != want {
			t.Errorf("%s counts as %s, want %s", from, got, want)
		}
	}
}

// served is a page's port at work.
type served struct {
	at  string
	log *lines
}

func serveAt(t *testing.T, h configs.HTTP, listen func() (net.Listener, error), handler func(*door) http.Handler) served {
	t.Helper()
	log := &lines{more: make(chan struct{}, 1)}
	l := slog.New(slog.NewTextHandler(log, nil))
	d := newDoor(h, l)
	ready := make(chan string, 1)
	s := &httpServer{listen: listen, door: d, handler: handler(d), webConfig: h.WebConfig, ready: func(a net.Addr) { ready <- a.String() }}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() {
		defer close(done)
		s.run(ctx, l)
	}()
	t.Cleanup(func() { cancel(); <-done })
	return served{<-ready, log}
}

func onLoopback() (net.Listener, error) { return net.Listen("tcp", "127.0.0.1:0") }

// who answers with what the door knows of a request.
func who(d *door) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		v := d.visitor(r)
		fmt.Fprintf(w, "%v %s", v.MayMark, v.By)
	})
}

func (s served) get(t *testing.T, header ...string) (int, string) {
	t.Helper()
	return get(t, "http://"+s.at+"/", header...)
}

// get gives what an address answers; header are names and values.
func get(t *testing.T, url string, header ...string) (int, string) {
	t.Helper()
	r, err := http.NewRequest(http.MethodGet, url, nil)
	if err != nil {
		t.Fatal(err)
	}
	for i := 0; i < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	resp, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp.StatusCode, string(body)
}

// The login of exporter-toolkit stands behind the gate, and the name that it let in signs.
func TestLoginThroughTheGate(t *testing.T) {
	s := serveAt(t, configs.HTTP{WebConfig: users(t, "cook", "pw", bcrypt.MinCost)}, onLoopback, who)
	for _, c := range []struct {
		said string
		code int
		want string
	}{
		{"", 401, ""}, {basic("cook", "wrong"), 401, ""}, {basic("nobody", "pw"), 401, ""},
		{basic("cook", "pw"), 200, "true cook"}, {basic("cook", "pw"), 200, "true cook"}, {"Bearer pw", 401, ""},
	} {
		if code, body := s.get(t, "Authorization", c.said); code != c.code || c.code == 200 && body != c.want {
			t.Errorf("%q: %d %s, want %d %s", c.said, code, body, c.code, c.want)
		}
	}
}

func TestARareWordIsSaidOnceAMinute(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var log strings.Builder
		rare := publish.NewRare(slog.New(slog.NewTextHandler(&log, nil)))
		for range 10_000 {
			rare.Warn(wrongLogin, "from", "192.0.2.7")
		}
		time.Sleep(10 * time.Minute) // the bubble's time
		synctest.Wait()
		if n := strings.Count(log.String(), "\n"); n != 2 || !strings.Contains(log.String(), "times=9999") {
			t.Errorf("%d lines:\n%s", n, log.String())
		}
		rare.Warn(wrongLogin)
		if n := strings.Count(log.String(), "\n"); n != 3 {
			t.Errorf("after a quiet time: %d lines", n)
		}
		time.Sleep(2 * time.Minute)
	})
}

func TestOneAddressDoesNotTakeEveryConnection(t *testing.T) {
	log := &lines{more: make(chan struct{}, 1)}
	c := newCrowd(nil, publish.NewRare(slog.New(slog.NewTextHandler(log, nil))))
	for i := range mostOfOne + 1 {
		if got := c.enter("192.0.2.7"); got != (i < mostOfOne) {
			t.Errorf("connection %d: %v", i+1, got)
		}
	}
	if !c.enter("192.0.2.8") {
		t.Error("another address is shut out")
	}
	c.leave("192.0.2.7")
	if !c.enter("192.0.2.7") {
		t.Error("a place that was given back is not free")
	}
	for range 3 * mostOfOne {
		if !c.enter("127.0.0.1") || !c.enter("::/64") {
			t.Fatal("this machine's own proxy is shut out")
		}
	}
}

// What the HTTP server turns away by itself is told in the log, once.
func TestRequestsThatAreNone(t *testing.T) {
	s := serveAt(t, configs.HTTP{}, onLoopback, who)
	say := func(text string) string {
		conn, err := net.Dial("tcp", s.at)
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close()
		if err := conn.SetDeadline(time.Now().Add(20 * time.Second)); err != nil {
			t.Fatal(err)
		}
		// The far end may hang up before it has read all of it.
		_, _ = io.WriteString(conn, text)
		got, _ := io.ReadAll(conn)
		return string(got)
	}
	for text, want := range map[string]string{
		"GET / HTTP/1.1\r\nHost: localhost\r\nX: " + strings.Repeat("x", 64<<10) + "\r\n\r\n": " 431 ",
		"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03 hello\r\n\r\n":                          " 400 ",
		"GET /" + strings.Repeat("y", 64<<10) + " HTTP/1.1\r\nHost: localhost\r\n\r\n":        " 431 ",
		"GET / HTTP/1.1\r\nContent-Length: -1\r\nHost: localhost\r\n\r\n":                     " 400 ",
		"GET / HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n":                      " 200 ",
	} {
		if got := say(text); got != "" && !strings.Contains(got[:min(len(got), 40)], want) {
			t.Errorf("%.30q is answered %.60q, want%s", text, got, want)
		}
	}
	s.log.until(t, "brought no whole request")
	if n := s.log.count("brought no whole request"); n != 1 {
		t.Errorf("said %d times in the first minute", n)
	}
	if code, _ := s.get(t); code != http.StatusOK {
		t.Errorf("after that: %d", code)
	}
}

func TestAFormWithTheToken(t *testing.T) {
	d := quietDoor(configs.HTTP{MarksTokenFile: written(t, "token", kitchenToken)}, "0.0.0.0")
	w := httptest.NewRecorder()
	for range freeTries + 1 {
		if err := d.signIn(w, asked("192.0.2.7:1", "board"), url.QueryEscape("guess")); err == nil {
			t.Fatal("a guess is taken")
		}
	}
	w = httptest.NewRecorder()
	err := d.signIn(w, asked("192.0.2.7:2", "board"), kitchenToken)
	if no, ok := err.(*page.RefusedError); !ok || no.Status != http.StatusTooManyRequests || w.Header().Get("Retry-After") != "1" {
		t.Errorf("after %d guesses: %v %v", freeTries+1, err, w.Header())
	}
	if err := d.signIn(httptest.NewRecorder(), asked("192.0.2.8:2", "board"), kitchenToken); err != nil {
		t.Errorf("another address pays for the guesses: %v", err)
	}
}
