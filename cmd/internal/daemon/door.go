package daemon

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"os"
	"strings"
	"sync/atomic"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/prometheus/exporter-toolkit/web"
	"go.yaml.in/yaml/v2"

	"holdbell/configs"
	"holdbell/publish"
	"holdbell/publish/page"
)

const (
	marksCookie   = "holdbell-marks"
	marksCookieIs = 30 * 24 * time.Hour
	// leastToken makes guessing hopeless, over the network and from a stolen cookie: 16 characters of base64
	// hold 96 bits.
	leastToken = 16
	longestBy  = 64 // characters of a mark's signature
)

// door decides who may mark by the page's port, and by what name.
type door struct {
	webConfig string // path of a file of exporter-toolkit; empty for none
	tokenFile string // as configured; empty for none
	name      string // host at which phones reach the page; empty for none
	loopback  atomic.Bool
	tries     *tries
	rare      *publish.Rare
}

func newDoor(h configs.HTTP, log *slog.Logger) *door {
	d := &door{webConfig: h.WebConfig, tokenFile: h.MarksTokenFile, tries: newTries(), rare: publish.NewRare(log)}
	if u, err := url.Parse(h.Address); err == nil {
		d.name = strings.ToLower(u.Hostname())
	}
	return d
}

// opened notes where the port is. Until then nobody may mark.
func (d *door) opened(at net.Addr) {
	tcp, ok := at.(*net.TCPAddr)
	d.loopback.Store(ok && tcp.IP.IsLoopback())
}

// What somebody is told who may not mark.
const (
	openPage = "Marks are off: this page can be reached from the network and asks nobody who they are. To turn them on, " +
		"add marks_token_file: or a web_config: with a login under publish: http: in the configuration. On the board itself holdbell mark works."
	needsToken = "Marks are off until this browser has signed in with the kitchen's token. A program sends it as Authorization: Bearer TOKEN."
	notHere    = "Marks are taken here from this board's own browser alone, at localhost. A proxy in front of it needs marks_token_file: " +
		"or a web_config: with a login under publish: http: in the configuration."
)

// visitor tells who sends r.
func (d *door) visitor(r *http.Request) page.Visitor {
	if page.OverControl(r) {
		return page.Visitor{MayMark: true}
	}
	if name, ok := d.login(r); ok {
		return page.Visitor{MayMark: true, By: name}
	}
	if d.tokenFile != "" {
		token, err := d.token()
		switch {
		case err != nil:
			return page.Visitor{Why: "Marks are off: " + err.Error() + "."}
		case bearer(r) != "" && same(bearer(r), token), same(cookie(r), proofOf(token)):
			return page.Visitor{MayMark: true}
		}
		return page.Visitor{Why: needsToken, SignIn: true}
	}
	switch {
	case !d.loopback.Load():
		return page.Visitor{Why: openPage}
	case page.LocalOnly(r) && !proxied(r):
		return page.Visitor{MayMark: true}
	}
	return page.Visitor{Why: notHere}
}

// login gives the name that exporter-toolkit has let in: every request that comes this far has passed its
// check, where the file names users or asks for a certificate.
func (d *door) login(r *http.Request) (name string, ok bool) {
	if r.TLS != nil && len(r.TLS.VerifiedChains) > 0 {
		return signature(r.TLS.VerifiedChains[0][0].Subject.CommonName), true
	}
	user, _, said := r.BasicAuth()
	if d.webConfig == "" || !said {
		return "", false
	}
	file, err := publish.SecretPath(d.webConfig)
	if err != nil {
		return "", false
	}
	text, err := os.ReadFile(file)
	if err != nil {
		return "", false
	}
	var c web.Config
	if yaml.Unmarshal(text, &c) != nil {
		return "", false
	}
	_, ok = c.Users[user]
	return signature(user), ok
}

// signature makes of a login's name what may sign a mark.
func signature(name string) string {
	name = strings.Map(func(c rune) rune {
		if !unicode.IsPrint(c) || c == utf8.RuneError {
			return -1
		}
		return c
	}, name)
	if r := []rune(name); len(r) > longestBy {
		name = string(r[:longestBy])
	}
	return strings.TrimSpace(name)
}

// token reads the token anew each time, so that another one needs no restart.
func (d *door) token() (string, error) {
	token, err := publish.ReadSecret(d.tokenFile)
	switch {
	case err != nil:
		err = fmt.Errorf("the marks_token_file cannot be used: %w", err)
	case len(token) < leastToken || strings.ContainsFunc(token, func(c rune) bool { return c <= ' ' || c > '~' }):
		err = fmt.Errorf("the marks_token_file %s has to hold at least %d plain characters without spaces; openssl rand -base64 24 makes some", d.tokenFile, leastToken)
	default:
		return token, nil
	}
	d.rare.Warn("marks over the network are off", "err", err)
	return "", err
}

// signInIf gives signIn where a token is known.
func (d *door) signInIf() func(http.ResponseWriter, *http.Request, string) error {
	if d.tokenFile == "" {
		return nil
	}
	return d.signIn
}

// signIn answers a token that was typed. The cookie proves the token without holding it, and ends with it.
func (d *door) signIn(w http.ResponseWriter, r *http.Request, said string) error {
	from := sender(r)
	if wait := d.tries.wait(from); wait > 0 {
		d.rare.Warn(wrongLogin, "from", from)
		w.Header().Set("Retry-After", seconds(wait))
		return &page.RefusedError{Status: http.StatusTooManyRequests, Text: tooMany(wait)}
	}
	token, err := d.token()
	if err != nil {
		return err
	}
	if !same(said, token) {
		d.tries.wrong(from)
		d.rare.Warn(wrongLogin, "from", from)
		return &page.RefusedError{Status: http.StatusUnauthorized, Text: "That is not the token. Look at it once more; the board's marks_token_file holds it."}
	}
	d.tries.right(from)
	http.SetCookie(w, &http.Cookie{Name: marksCookie, Value: proofOf(token), Path: "/", MaxAge: int(marksCookieIs / time.Second),
		HttpOnly: true, Secure: r.TLS != nil, SameSite: http.SameSiteStrictMode})
	return nil
}

// proofOf is the cookie of who has typed the token.
func proofOf(token string) string {
	h := hmac.New(sha256.New, []byte(token))
	h.Write([]byte("holdbell: this browser may mark"))
	return hex.EncodeToString(h.Sum(nil))
}

// same compares secrets in a time that tells nothing, not even their lengths.
func same(a, b string) bool {
	x, y := sha256.Sum256([]byte(a)), sha256.Sum256([]byte(b))
	return hmac.Equal(x[:], y[:])
}

func cookie(r *http.Request) string {
	c, err := r.Cookie(marksCookie)
	if errors.Is(err, http.ErrNoCookie) {
		return ""
	}
	return c.Value
}

func bearer(r *http.Request) string {
	kind, token, _ := strings.Cut(r.Header.Get("Authorization"), " ")
	if !strings.EqualFold(kind, "Bearer") {
		return ""
	}
	return strings.TrimSpace(token)
}

// proxied reports whether a request says that somebody passed it on.
func proxied(r *http.Request) bool {
	for _, h := range []string{"Forwarded", "Via", "X-Forwarded-For", "X-Forwarded-Host", "X-Real-Ip"} {
		if r.Header.Get(h) != "" {
			return true
		}
	}
	return false
}

// guard is the way to everything behind the port: wrong tokens are slowed, and a page elsewhere whose name was
// made to point at this machine gets nothing.
func (d *door) guard(h http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("X-Content-Type-Options", "nosniff")
		if !d.rightName(r) {
			http.Error(w, wrongName, http.StatusMisdirectedRequest)
			return
		}
		said := bearer(r)
		if d.tokenFile == "" || said == "" {
			h.ServeHTTP(w, r)
			return
		}
		from := sender(r)
		if wait := d.tries.wait(from); wait > 0 {
			d.rare.Warn(wrongLogin, "from", from)
			w.Header().Set("Retry-After", seconds(wait))
			http.Error(w, tooMany(wait), http.StatusTooManyRequests)
			return
		}
		switch token, err := d.token(); {
		case err != nil:
			http.Error(w, "Nobody can be let in: "+err.Error()+".", http.StatusServiceUnavailable)
		case !same(said, token):
			d.tries.wrong(from)
			d.rare.Warn(wrongLogin, "from", from)
			w.Header().Set("WWW-Authenticate", "Bearer")
			http.Error(w, "That is not the token that the board's marks_token_file holds.", http.StatusUnauthorized)
		default:
			d.tries.right(from)
			h.ServeHTTP(w, r)
		}
	})
}

const wrongName = "This page listens on this machine alone and answers to the name localhost or a number such as 127.0.0.1. " +
	"A proxy in front of it has to send Host: localhost, or a login of its web_config."

// rightName reports whether a request was meant for this machine. Where the network may come in, any name
// may be the board's; where a login was checked, no other site can have sent it.
func (d *door) rightName(r *http.Request) bool {
	if !d.loopback.Load() {
		return true
	}
	host := r.Host
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	if ip := net.ParseIP(strings.Trim(host, "[]")); ip != nil {
		return ip.IsLoopback()
	}
	if host = strings.ToLower(strings.TrimSuffix(host, ".")); host == "localhost" || host == d.name && host != "" || strings.HasSuffix(host, ".localhost") {
		return true
	}
	_, ok := d.login(r)
	return ok
}
