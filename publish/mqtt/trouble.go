package mqtt

import (
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"strings"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
)

// Trouble is what keeps what we publish from the broker, in a word for a metric.
type Trouble string

// What there can be. A label of a metric holds them, so they keep their names.
const (
	Unreachable       Trouble = "unreachable"
	LoginRefused      Trouble = "login-refused"
	BrokerCertificate Trouble = "broker-certificate" // the broker's is expired, of another authority or for another name
	BoardCertificate  Trouble = "board-certificate"  // the broker does not take ours
	AnotherBoard      Trouble = "another-board"
)

// Troubles lists them all.
func Troubles() []Trouble {
	return []Trouble{Unreachable, LoginRefused, BrokerCertificate, BoardCertificate, AnotherBoard}
}

// Status is how a client stands with its brokers.
type Status struct {
	Connected bool
	Broker    string  // host and port of the one that it is connected to
	Trouble   Trouble // empty: none
	Text      string  // the trouble in a sentence that says what mends it; empty while nothing is known yet
	// When the certificates end, as of the last try; zero where there is none.
	BoardEnds, BrokerEnds time.Time
}

// ends is when certificates end.
type ends struct{ board, broker time.Time }

func (c *Client) noteEnd(note func(*ends)) {
	c.mu.Lock()
	defer c.mu.Unlock()
	note(&c.ends)
}

// Status tells how the client stands with its brokers.
func (c *Client) Status() Status {
	host, rivalled := c.rivalled()
	c.mu.Lock()
	l, err, e := c.link, c.err, c.ends
	c.mu.Unlock()
	s := Status{BoardEnds: e.board, BrokerEnds: e.broker}
	if l != nil {
		s.Connected, s.Broker = true, l.broker.Host
	}
	switch {
	case rivalled:
		s.Trouble, s.Text = AnotherBoard, another(host)
	case err != nil:
		s.Trouble, s.Text = c.explain(err, e)
	}
	if invalid := (x509.CertificateInvalidError{}); errors.As(err, &invalid) && invalid.Cert != nil {
		s.BrokerEnds = invalid.Cert.NotAfter // one that is not taken is in no ends
	}
	return s
}

// day is how a certificate's end is written.
const day = "2006-01-02 15:04 UTC"

// explain gives the word and the sentence of why there is no connection.
func (c *Client) explain(err error, e ends) (Trouble, string) {
	now := c.o.Now()
	clock := ""
	if !now.Believed {
		clock = ", by this board's clock, which is not known to be right"
	}
	var (
		invalid   x509.CertificateInvalidError
		authority x509.UnknownAuthorityError
		host      x509.HostnameError
	)
	switch {
	case errors.As(err, &invalid) && invalid.Reason == x509.Expired && invalid.Cert != nil:
		if time.Now().Before(invalid.Cert.NotBefore) {
			return BrokerCertificate, fmt.Sprintf("the broker's certificate holds only from %s%s; set this board's clock right", invalid.Cert.NotBefore.UTC().Format(day), clock)
		}
		return BrokerCertificate, fmt.Sprintf("the broker's certificate expired on %s%s; give the broker a new one", invalid.Cert.NotAfter.UTC().Format(day), clock)
	case errors.As(err, &authority):
		return BrokerCertificate, "the broker's certificate is of an authority that this board does not know; name that one's certificate as ca_file"
	case errors.As(err, &host):
		return BrokerCertificate, "the broker's certificate is for another name (" + host.Error() + "); write the address as the certificate has it"
	case isAlert(err):
		return BoardCertificate, c.refusal(err, e.board)
	case errors.Is(err, packets.ErrorRefusedBadUsernameOrPassword), errors.Is(err, packets.ErrorRefusedNotAuthorised):
		return LoginRefused, "the broker refused this board's login; mend username and password_file, or the broker's list"
	}
	return Unreachable, err.Error()
}

// refusal says why the broker did not take our certificate: by its alert (RFC 8446, 6.2), and by what we know ourselves.
func (c *Client) refusal(err error, end time.Time) string {
	const refused = "the broker refused this board's certificate"
	text := err.Error()
	is := func(word string) bool { return strings.Contains(text, "tls: "+word) }
	switch {
	case c.o.CertFile == "":
		return "the broker wants a certificate of this board, and it has none; add cert_file and key_file"
	case is("revoked certificate"):
		return refused + ": it was revoked; give the board a new one"
	case is("expired certificate"), !end.IsZero() && time.Now().After(end):
		return fmt.Sprintf("%s: it expired on %s; give the board a new one", refused, end.UTC().Format(day))
	case is("unknown certificate authority"):
		return refused + ": it is of an authority that the broker does not know; make one with the broker's authority"
	}
	return refused + " (" + text + "); look into the broker's log for why"
}

// lastWord is how long a broker's alert may take once it has hung up.
const lastWord = 100 * time.Millisecond

// isAlert reports whether the broker ended the connection by an alert. Of crypto/tls's alerts no type is exported for
// connections other than QUIC's; its net.OpError names them.
func isAlert(err error) bool {
	var op *net.OpError
	return errors.As(err, &op) && op.Op == "remote error" && strings.Contains(op.Err.Error(), "certificate")
}
