package daemon

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"math/big"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"golang.org/x/crypto/bcrypt"

	"holdbell/configs"
)

// certificate makes a self-signed one for the loopback, and gives its files and whoever trusts it.
func certificate(t *testing.T) (certFile, keyFile string, trust *x509.CertPool) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "board"}, IsCA: true, BasicConstraintsValid: true,
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		DNSNames: []string{"localhost"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}}
	der, err := x509.CreateCertificate(rand.Reader, c, c, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	private, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	text := func(kind string, b []byte) string {
		return string(pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: b}))
	}
	trust = x509.NewCertPool()
	trust.AppendCertsFromPEM([]byte(text("CERTIFICATE", der)))
	return written(t, "cert.pem", text("CERTIFICATE", der)), written(t, "key.pem", text("PRIVATE KEY", private)), trust
}

// TestTLSAndLogin: beyond the loopback, with TLS and a login by a web_config, who signs in may mark and is named; all
// else is turned away with a word that says why.
func TestTLSAndLogin(t *testing.T) {
	cert, key, trust := certificate(t)
	hash, err := bcrypt.GenerateFromPassword([]byte("pw"), bcrypt.MinCost)
	if err != nil {
		t.Fatal(err)
	}
	web := written(t, "web.yaml", fmt.Sprintf("tls_server_config: { cert_file: %q, key_file: %q }\nbasic_auth_users: { cook: %q }\n", cert, key, hash))
	everywhere := func() (net.Listener, error) { return net.Listen("tcp", "0.0.0.0:0") }
	s := serveAt(t, configs.HTTP{Listen: "0.0.0.0:0", WebConfig: web}, everywhere, who)
	_, port, err := net.SplitHostPort(s.at)
	if err != nil {
		t.Fatal(err)
	}
	at := "127.0.0.1:" + port
	client := func(trust *x509.CertPool, most uint16) *http.Client {
		tr := &http.Transport{TLSClientConfig: &tls.Config{RootCAs: trust, MaxVersion: most}}
		t.Cleanup(tr.CloseIdleConnections)
		return &http.Client{Transport: tr, Timeout: 30 * time.Second}
	}
	ask := func(c *http.Client, url, said string) (int, string, error) {
		r, err := http.NewRequest(http.MethodGet, url, nil)
		if err != nil {
			t.Fatal(err)
		}
		if said != "" {
			r.Header.Set("Authorization", said)
		}
		resp, err := c.Do(r)
		if err != nil {
			return 0, "", err
		}
		defer resp.Body.Close()
		body, err := io.ReadAll(resp.Body)
		return resp.StatusCode, string(body), err
	}
	trusting := client(trust, 0)
	for _, c := range []struct {
		url, said string
		code      int
		want      string
	}{
		{"https://" + at + "/", basic("cook", "pw"), 200, "true cook"},
		{"https://localhost:" + port + "/", basic("cook", "pw"), 200, "true cook"},
		{"https://" + at + "/", "", 401, "nauthorized"},
		{"https://" + at + "/", basic("cook", "PW"), 401, "nauthorized"},
		{"https://" + at + "/", basic("chef", "pw"), 401, "nauthorized"},
		{"http://" + at + "/", basic("cook", "pw"), 400, "HTTP request to an HTTPS server"},
	} {
		if code, body, err := ask(trusting, c.url, c.said); err != nil || code != c.code || !strings.Contains(body, c.want) {
			t.Errorf("%s as %q: %d %q %v, want %d %q", c.url, c.said, code, body, err, c.code, c.want)
		}
	}
	var unknown x509.UnknownAuthorityError
	if _, _, err := ask(client(x509.NewCertPool(), 0), "https://"+at+"/", basic("cook", "pw")); !errors.As(err, &unknown) {
		t.Errorf("who does not know the certificate: %v", err)
	}
	if _, _, err := ask(client(trust, tls.VersionTLS11), "https://"+at+"/", basic("cook", "pw")); err == nil {
		t.Error("TLS 1.1 is spoken")
	}
}

// TestAWrongWebConfig: what is wrong with the file stands in the log with its key and what to do, and the port is not
// opened without the login that was meant.
func TestAWrongWebConfig(t *testing.T) {
	cert, key, _ := certificate(t)
	other, _, _ := certificate(t)
	pair := func(cert, key string) string {
		return written(t, "web.yaml", fmt.Sprintf("tls_server_config: { cert_file: %q, key_file: %q }\n", cert, key))
	}
	for name, c := range map[string]struct{ web, want string }{
		"no file":        {"/nowhere/web.yaml", "no such file or directory; name files that are there"},
		"no certificate": {pair("/nowhere/cert.pem", key), "/nowhere/cert.pem: no such file or directory; name files"},
		"another's key":  {pair(other, key), "does not match public key; give tls_server_config a PEM certificate"},
		"no key":         {written(t, "web.yaml", fmt.Sprintf("tls_server_config: { cert_file: %q }\n", cert)), "key_file; mend the file"},
		"no YAML":        {written(t, "web.yaml", "tls_server_config: [\n"), "line 1: did not find expected node content; mend that line"},
		"an unknown key": {written(t, "web.yaml", "basic_auth: { cook: x }\n"), "line 1: … not found in type web.Config; mend that line"},
		"no hash":        {written(t, "web.yaml", "basic_auth_users: { cook: hunter2 }\n"), "write each user of basic_auth_users with the bcrypt hash"},
	} {
		t.Run(name, func(t *testing.T) {
			s := serveAt(t, configs.HTTP{WebConfig: c.web}, onLoopback, who)
			s.log.until(t, "page has stopped")
			s.log.mu.Lock()
			said := s.log.b.String()
			s.log.mu.Unlock()
			t.Log(said)
			if !strings.Contains(said, c.want) || !strings.Contains(said, "web_config") || strings.Contains(said, "hunter2") {
				t.Errorf("the log says:\n%s", said)
			}
			if conn, err := net.DialTimeout("tcp", s.at, 10*time.Second); err == nil {
				_, _ = io.WriteString(conn, "GET / HTTP/1.1\r\nHost: localhost\r\n\r\n")
				if err := conn.SetDeadline(time.Now().Add(10 * time.Second)); err != nil {
					t.Fatal(err)
				}
				if got, _ := io.ReadAll(conn); len(got) > 0 {
					t.Errorf("without its login it answers %q", got)
				}
				conn.Close()
			}
		})
	}
}
