package mqtt

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"holdbell/publish/publishtest"
)

// authority signs certificates into PEM files.
type authority struct {
	t    *testing.T
	dir  string
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
}

func newAuthority(t *testing.T) *authority {
	a := &authority{t: t, dir: t.TempDir()}
	var err error
	a.key, err = ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	must(t, err)
	form := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test authority"}, IsCA: true, BasicConstraintsValid: true,
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), KeyUsage: x509.KeyUsageCertSign}
	der, err := x509.CreateCertificate(rand.Reader, form, form, &a.key.PublicKey, a.key)
	must(t, err)
	a.cert, err = x509.ParseCertificate(der)
	must(t, err)
	a.write("ca.pem", "CERTIFICATE", der)
	return a
}

func (a *authority) write(name, kind string, der []byte) {
	must(a.t, os.WriteFile(a.file(name), pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600))
}

func (a *authority) file(name string) string { return filepath.Join(a.dir, name) }

// sign writes NAME.pem and NAME.key.
func (a *authority) sign(name string, use x509.ExtKeyUsage) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	must(a.t, err)
	form := &x509.Certificate{SerialNumber: big.NewInt(2), Subject: pkix.Name{CommonName: name}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), ExtKeyUsage: []x509.ExtKeyUsage{use}, KeyUsage: x509.KeyUsageDigitalSignature}
	der, err := x509.CreateCertificate(rand.Reader, form, a.cert, &key.PublicKey, a.key)
	must(a.t, err)
	a.write(name+".pem", "CERTIFICATE", der)
	pkcs8, err := x509.MarshalPKCS8PrivateKey(key)
	must(a.t, err)
	a.write(name+".key", "PRIVATE KEY", pkcs8)
}

func TestTLSAndLogin(t *testing.T) {
	a := newAuthority(t)
	a.sign("server", x509.ExtKeyUsageServerAuth)
	a.sign("client", x509.ExtKeyUsageClientAuth)
	// A password of mosquitto is a salted hash; a client's certificate is enough here, and the password
	// must only not leak.
	h := mosquitto(t, "allow_anonymous true\ncafile "+a.file("ca.pem")+"\ncertfile "+a.file("server.pem")+"\nkeyfile "+a.file("server.key")+"\nrequire_certificate true\n")
	must(t, os.WriteFile(a.file("password"), []byte("canary-7391\n"), 0o600))
	var book logbook
	o := options()
	o.Brokers, o.CAFile, o.CertFile, o.KeyFile = []string{"ssl://" + h.addr}, a.file("ca.pem"), a.file("client.pem"), a.file("client.key")
	o.Username, o.PasswordFile, o.Log = "kitchen", a.file("password"), book.logger()
	c, stop := run(t, o)
	must(t, c.Deliver(t.Context(), "l", publishtest.Events(1)[0]))
	stop()

	for name, tc := range map[string]struct {
		change func(*Options)
		want   string
	}{
		"another authority":  {func(o *Options) { o.CAFile = newAuthority(t).file("ca.pem") }, "unknown authority"},
		"the system's":       {func(o *Options) { o.CAFile = "" }, "unknown authority"},
		"no authority there": {func(o *Options) { o.CAFile = a.file("none.pem") }, "no such file"},
		"no certificate":     {func(o *Options) { o.CAFile = a.file("password") }, "no certificate in PEM form"},
		"no password file":   {func(o *Options) { o.PasswordFile = a.file("none") }, "the password file: open"},
		"an empty password": {func(o *Options) {
			o.PasswordFile = a.file("empty")
			must(t, os.WriteFile(o.PasswordFile, []byte("\n"), 0o600))
		}, "is empty; write the password into it"},
	} {
		t.Run(name, func(t *testing.T) {
			o := o
			tc.change(&o)
			c, err := New(o)
			must(t, err)
			if _, err := c.connect(t.Context(), c.brokers[0]); err == nil || !strings.Contains(err.Error(), tc.want) {
				t.Errorf("connecting gives %v", err)
			}
		})
	}
	if strings.Contains(book.String(), "canary") {
		t.Errorf("the password stands in the log:\n%s", book.String())
	}
}
