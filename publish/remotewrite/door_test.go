package remotewrite

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/base64"
	"encoding/pem"
	"io"
	"log"
	"log/slog"
	"math/big"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	dto "github.com/prometheus/client_model/go"

	"holdbell/sensor"
)

func noFamilies() ([]*dto.MetricFamily, error) { return nil, nil }

// one is a request's worth.
func one() []sample {
	return []sample{{newSeries(label{"__name__", Up}, label{"probe", "core"}), 1000, 1}}
}

func door(t *testing.T, change func(*Options)) *Writer {
	t.Helper()
	o := Options{Record: &shelf{id: "l"}, Newest: func() uint64 { return 0 }, Recent: new(Recent), Gather: noFamilies, Version: "1",
		Now: func() sensor.Instant { return sensor.Instant{} }, Log: slog.New(slog.DiscardHandler)}
	change(&o)
	w, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

func written(t *testing.T, name string, text []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, text, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// authority signs certificates for a test.
type authority struct {
	key  *ecdsa.PrivateKey
	cert *x509.Certificate
	pem  []byte
}

func newAuthority(t *testing.T) *authority {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test authority"}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign}
	der, err := x509.CreateCertificate(rand.Reader, c, c, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	if c, err = x509.ParseCertificate(der); err != nil {
		t.Fatal(err)
	}
	return &authority{key, c, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})}
}

// sign gives a certificate and its key, in PEM form.
func (a *authority) sign(t *testing.T, host string, until time.Time) (cert, key []byte) {
	t.Helper()
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{SerialNumber: big.NewInt(2), NotBefore: time.Now().Add(-2 * time.Hour), NotAfter: until, DNSNames: []string{host}, IPAddresses: []net.IP{net.ParseIP(host)},
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth}}
	if c.IPAddresses[0] == nil {
		c.IPAddresses = nil
	} else {
		c.DNSNames = nil
	}
	der, err := x509.CreateCertificate(rand.Reader, c, a.cert, &k.PublicKey, a.key)
	if err != nil {
		t.Fatal(err)
	}
	raw, err := x509.MarshalPKCS8PrivateKey(k)
	if err != nil {
		t.Fatal(err)
	}
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: raw})
}

// tlsServer takes everything, with this certificate.
func tlsServer(t *testing.T, cert, key []byte, client *authority) string {
	t.Helper()
	pair, err := tls.X509KeyPair(cert, key)
	if err != nil {
		t.Fatal(err)
	}
	s := httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { w.WriteHeader(http.StatusNoContent) }))
	s.TLS = &tls.Config{Certificates: []tls.Certificate{pair}}
	s.Config.ErrorLog = log.New(io.Discard, "", 0)
	if client != nil {
		s.TLS.ClientCAs, s.TLS.ClientAuth = x509.NewCertPool(), tls.RequireAndVerifyClientCert
		s.TLS.ClientCAs.AddCert(client.cert)
	}
	s.StartTLS()
	t.Cleanup(s.Close)
	return s.URL
}

func TestTLS(t *testing.T) {
	ours, theirs := newAuthority(t), newAuthority(t)
	in := time.Now().Add(time.Hour)
	good, goodKey := ours.sign(t, "127.0.0.1", in)
	old, oldKey := ours.sign(t, "127.0.0.1", time.Now().Add(-time.Minute))
	other, otherKey := ours.sign(t, "elsewhere.example", in)
	board, boardKey := theirs.sign(t, "board", in)
	plain := httptest.NewServer(http.NotFoundHandler())
	t.Cleanup(plain.Close)
	ca := written(t, "ca.pem", ours.pem)
	for name, c := range map[string]struct {
		url    string
		change func(*Options)
		why    string // empty: taken
	}{
		"known authority":   {tlsServer(t, good, goodKey, nil), func(o *Options) { o.CAFile = ca }, ""},
		"unknown authority": {tlsServer(t, good, goodKey, nil), func(o *Options) {}, "ca_file"},
		"expired":           {tlsServer(t, old, oldKey, nil), func(o *Options) { o.CAFile = ca }, "has expired"},
		"another host":      {tlsServer(t, other, otherKey, nil), func(o *Options) { o.CAFile = ca }, "for another host"},
		"wants ours, has it": {tlsServer(t, good, goodKey, theirs), func(o *Options) {
			o.CAFile, o.CertFile, o.KeyFile = ca, written(t, "c.pem", board), written(t, "k.pem", boardKey)
		}, ""},
		"wants ours":     {tlsServer(t, good, goodKey, theirs), func(o *Options) { o.CAFile = ca }, "cert_file, key_file"},
		"no TLS there":   {strings.Replace(plain.URL, "http:", "https:", 1), func(o *Options) {}, "does not speak TLS"},
		"no certificate": {tlsServer(t, good, goodKey, nil), func(o *Options) { o.CAFile = written(t, "ca.pem", []byte("none")) }, "no certificate in PEM form"},
		"no file":        {tlsServer(t, good, goodKey, nil), func(o *Options) { o.CAFile = "/nowhere/ca.pem" }, "authority's file"},
		"half a key":     {tlsServer(t, good, goodKey, nil), func(o *Options) { o.CertFile, o.KeyFile = ca, written(t, "k.pem", boardKey) }, "client's certificate"},
		"nobody there":   {"http://127.0.0.1:1", func(o *Options) {}, "nothing listens"},
		"no such host":   {"http://no-such-host.invalid", func(o *Options) {}, "name is not found"},
	} {
		t.Run(name, func(t *testing.T) {
			w := door(t, func(o *Options) { o.URL = c.url; c.change(o) })
			a := w.post(t.Context(), V1, one())
			if c.why == "" && a.verdict != taken || c.why != "" && (a.verdict != later || !strings.Contains(a.why, c.why)) {
				t.Errorf("%+v", a)
			}
		})
	}
	t.Run("renewed", func(t *testing.T) {
		file := written(t, "ca.pem", theirs.pem)
		w := door(t, func(o *Options) { o.URL, o.CAFile = tlsServer(t, good, goodKey, nil), file })
		if a := w.post(t.Context(), V1, one()); a.verdict != later {
			t.Errorf("%+v", a)
		}
		if err := os.WriteFile(file, ours.pem, 0o600); err != nil {
			t.Fatal(err)
		}
		if a := w.post(t.Context(), V1, one()); a.verdict != taken {
			t.Errorf("after the file was mended: %+v", a)
		}
	})
}

// A login goes to the receiver alone, and into no text.
func TestLogins(t *testing.T) {
	const secret = "canary-5521"
	stranger := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { t.Error("a stranger was called") }))
	t.Cleanup(stranger.Close)
	var header string
	far := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		header = r.Header.Get("Authorization")
		switch user, password, _ := r.BasicAuth(); {
		case r.URL.Path == "/elsewhere":
			http.Redirect(w, r, stranger.URL, http.StatusTemporaryRedirect)
		case user == "kitchen" && password == secret, header == "Bearer "+secret:
			w.WriteHeader(http.StatusNoContent)
		default:
			http.Error(w, "I do not know "+secret+" "+header, http.StatusUnauthorized)
		}
	}))
	t.Cleanup(far.Close)
	file := written(t, "secret", []byte(secret+"\n"))
	for name, c := range map[string]struct {
		change func(*Options)
		why    string
	}{
		"basic":      {func(o *Options) { o.Username, o.PasswordFile = "kitchen", file }, ""},
		"bearer":     {func(o *Options) { o.BearerFile = file }, ""},
		"wrong user": {func(o *Options) { o.Username, o.PasswordFile = "cellar", file }, "refuses the login"},
		"none":       {func(o *Options) {}, "refuses the login"},
		"no file":    {func(o *Options) { o.BearerFile = "/nowhere/token" }, "bearer file"},
		"two lines":  {func(o *Options) { o.BearerFile = written(t, "secret", []byte(secret+"\nmore")) }, "the token alone"},
		"elsewhere":  {func(o *Options) { o.BearerFile = file; o.URL += "/elsewhere" }, "not followed"},
	} {
		t.Run(name, func(t *testing.T) {
			w := door(t, func(o *Options) { o.URL = far.URL; c.change(o) })
			a := w.post(t.Context(), V1, one())
			if c.why == "" && a.verdict != taken || c.why != "" && (a.verdict != later || !strings.Contains(a.why, c.why)) {
				t.Errorf("%+v", a)
			}
			if name == "wrong user" && !strings.Contains(a.why, "I do not know … Basic …") {
				t.Errorf("the answer is not quoted: %q", a.why)
			}
			if name != "none" && (strings.Contains(a.why, secret) || strings.Contains(a.why, base64.StdEncoding.EncodeToString([]byte("cellar:"+secret)))) {
				t.Errorf("the secret stands in %q", a.why)
			}
		})
	}
}

func TestNewNamesTheFix(t *testing.T) {
	for text, change := range map[string]func(*Options){
		"username and password_file": func(o *Options) { o.URL = "https://a:b@receiver.example" },
		"no address":                 func(o *Options) { o.URL = "receiver.example" },
		"keep one":                   func(o *Options) { o.URL, o.PasswordFile, o.BearerFile = "http://a", "/a", "/b" },
		"write 1.0, 2.0 or auto":     func(o *Options) { o.URL, o.Protocol = "http://a", "3.0" },
		"set Record":                 func(o *Options) { o.URL, o.Record = "http://a", nil },
	} {
		o := Options{Record: &shelf{}, Newest: func() uint64 { return 0 }, Recent: new(Recent), Gather: noFamilies, Now: func() sensor.Instant { return sensor.Instant{} }}
		change(&o)
		if _, err := New(o); err == nil || !strings.Contains(err.Error(), text) || strings.Contains(err.Error(), "a:b") {
			t.Errorf("%v, want %s", err, text)
		}
	}
}

// A receiver that holds a request up holds up no longer than the bound.
func TestASilentReceiver(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	w := door(t, func(o *Options) { o.URL = "http://" + l.Addr().String() })
	ctx, cancel := context.WithCancel(t.Context())
	cancel() // a stop leaves it a second
	if a := w.post(ctx, V1, one()); a.verdict != later {
		t.Errorf("%+v", a)
	}
}

// FuzzAnswer: whatever a receiver answers, it is judged, said in one short line, and never asks for too long a wait.
func FuzzAnswer(f *testing.F) {
	f.Add(400, "out of order sample\n", "", "")
	f.Add(429, "", "100", "")
	f.Add(500, "\xff\x00 too old \u202e", "Wed, 21 Oct 2065 07:28:00 GMT", "12")
	f.Add(204, strings.Repeat("a", 5000), "-1", "2")
	f.Fuzz(func(t *testing.T, status int, body, retry, written string) {
		if status < 200 || status > 999 {
			t.Skip()
		}
		h := http.Header{}
		h.Set("Retry-After", retry)
		h.Set("X-Prometheus-Remote-Write-Samples-Written", written)
		text := quote(body, "canary-5521")
		if strings.ContainsAny(text, "\n\r\x00\x1b\u202e") || utf8.RuneCountInString(text) > maxQuote+1 || !utf8.ValidString(text) || strings.Contains(text, "canary-5521") {
			t.Errorf("%q", text)
		}
		for _, p := range []Protocol{V1, V2} {
			a := judge(p, 2, status, h, text)
			if a.after < 0 || a.after > maxRetryAfter || (a.verdict == taken) != (a.why == "") || bytes.ContainsAny([]byte(a.why), "\n") {
				t.Errorf("%+v", a)
			}
			if a.verdict == taken && (status > 299 || p == V2 && written != "2" && written != "+2" && strings.TrimLeft(written, "+0") != "2") {
				t.Errorf("%d counts as taken", status)
			}
		}
	})
}
