package phone

import (
	"bytes"
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net"
	"net/http"
	"strconv"
	"strings"
	"time"

	"holdbell/publish"
	"holdbell/rules"
)

const (
	// maxAnswer is how much of an answer is read, so that its connection can be used again.
	maxAnswer = 4 << 10
	// maxRedirects is more than one host needs for itself.
	maxRedirects = 3
	// What the far end may ask for when it says how long to wait, and what it gets when it does not say.
	maxQuiet = time.Hour
	// How long a door that was shut is left alone: the first time, and at the most.
	minShut      = time.Minute
	maxShut      = 30 * time.Minute
	defaultQuiet = 30 * time.Second
)

// newClient gives a client that keeps to the host it was sent to.
func newClient(base *http.Client) *http.Client {
	if base == nil {
		base = &http.Client{}
		if t, ok := http.DefaultTransport.(*http.Transport); ok {
			t = t.Clone()
			t.MaxIdleConns, t.MaxResponseHeaderBytes = 1, 16<<10
			base.Transport = t
		}
	}
	client := *base
	client.CheckRedirect = func(req *http.Request, via []*http.Request) error {
		first := via[0]
		// A POST that would go on as a GET would lose the message.
		if len(via) > maxRedirects || req.URL.Host != first.URL.Host || req.Method != first.Method ||
			first.URL.Scheme == "https" && req.URL.Scheme != "https" {
			return http.ErrUseLastResponse
		}
		return nil
	}
	return &client
}

// send brings one message to the far end. Its errors tell nothing of the address.
func (p *Phone) send(ctx context.Context, t target, m message) error {
	begun := time.Now()
	ctx, cancel := context.WithTimeout(ctx, sendTimeout)
	defer cancel()
	var err error
	if t.form == service {
		err = p.serve(ctx, t, m)
	} else {
		err = p.post(ctx, t, m)
	}
	p.heard(err)
	if err == nil {
		p.sent.Add(1)
		p.latency.Store(int64(time.Since(begun)))
	}
	return err
}

// heard keeps how often the far end has shut its door in a row. Somebody has to put the address or the login right,
// so it is tried seldom; a changed address is tried at once.
func (p *Phone) heard(err error) {
	var door *shutDoor
	p.mu.Lock()
	defer p.mu.Unlock()
	if !errors.As(err, &door) {
		p.shut = 0
		return
	}
	p.quiet, p.quietFor = time.Now().Add(min(minShut<<min(p.shut, 16), maxShut)), p.address.last
	p.shut++
}

// shutDoor is the refusal of a login or an address, which says nothing of the message.
type shutDoor struct{ code int }

func (s *shutDoor) Error() string {
	return fmt.Sprintf("the far end does not let the message in (%s); put the phone's address or its login right: the message waits", status(s.code))
}

// post sends a plain push or a webhook.
func (p *Phone) post(ctx context.Context, t target, m message) error {
	body := []byte(m.body)
	if t.form == hook {
		var err error
		if body, err = json.Marshal(m.hook); err != nil {
			return publish.Permanent(fmt.Errorf("the message cannot be written: %w", err))
		}
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, t.url.String(), bytes.NewReader(body))
	if err != nil {
		return errors.New("no request can be made of the phone's address; write it anew")
	}
	h := req.Header
	h.Set("User-Agent", "holdbell")
	if m.key != "" {
		h.Set("Idempotency-Key", m.key)
	}
	if t.form == hook {
		h.Set("Content-Type", "application/json")
	} else {
		h.Set("Content-Type", "text/plain; charset=utf-8")
		// A header is ASCII; RFC 2047 carries the rest.
		h.Set("Title", mime.QEncoding.Encode("utf-8", m.title))
		h.Set("Priority", strconv.Itoa(loudness(m)))
		h.Set("Tags", strings.Join(m.tags, ","))
		if p.o.Page != "" {
			h.Set("Click", plain(p.o.Page))
		}
		if m.ack != "" {
			h.Set("Actions", "http, Acknowledge, "+plain(m.ack)+", method=POST")
		}
	}
	return p.exchange(req)
}

// exchange sends a request and judges its answer.
func (p *Phone) exchange(req *http.Request) error {
	res, err := p.client.Do(req)
	if err != nil {
		return cause(err)
	}
	defer res.Body.Close()
	// What the answer says beyond its status is of no use; an error in it comes after the fact.
	_, _ = io.CopyN(io.Discard, res.Body, maxAnswer)
	return p.judge(res)
}

// judge tells from an answer's status whether the far end has the message.
func (p *Phone) judge(res *http.Response) error {
	code := res.StatusCode
	switch {
	case code >= 200 && code < 300:
		return nil
	case code == http.StatusTooManyRequests, code == http.StatusServiceUnavailable && res.Header.Get("Retry-After") != "":
		wait := retryAfter(res.Header.Get("Retry-After"), time.Now())
		p.mu.Lock()
		p.quiet, p.quietFor = time.Now().Add(wait), p.address.last
		p.mu.Unlock()
		return fmt.Errorf("the far end asks to wait %s (%s)", rules.Words(wait), status(code))
	case code >= 300 && code < 400:
		return fmt.Errorf("the address leads elsewhere (%s), where messages do not follow; write the final address into its file", status(code))
	}
	return refusal(code)
}

// refusal is the error for a status that is no success. A request that came at a bad time, and a server
// in trouble, may be tried again; what is wrong in itself may not.
func refusal(code int) error {
	switch {
	case code == http.StatusRequestTimeout, code == http.StatusTooEarly, code == http.StatusTooManyRequests,
		// A network's own door, not the far end, answers with these two.
		code == http.StatusProxyAuthRequired, code == http.StatusNetworkAuthenticationRequired:
		return fmt.Errorf("the far end cannot take the message now (%s)", status(code))
	case code == http.StatusUnauthorized, code == http.StatusForbidden, code == http.StatusNotFound:
		return &shutDoor{code}
	case code >= 400 && code < 500:
		return publish.Permanent(fmt.Errorf("the far end refuses the message (%s); look at the phone's address and its login", status(code)))
	}
	return fmt.Errorf("the far end is in trouble (%s)", status(code))
}

func status(code int) string {
	return strings.TrimSpace(strconv.Itoa(code) + " " + http.StatusText(code))
}

// retryAfter reads the header of RFC 9110 10.2.3: seconds, or a date.
func retryAfter(value string, now time.Time) time.Duration {
	wait := defaultQuiet
	if s, err := strconv.ParseUint(strings.TrimSpace(value), 10, 32); err == nil {
		wait = time.Duration(s) * time.Second
	} else if at, err := http.ParseTime(value); err == nil {
		wait = at.Sub(now)
	}
	return min(max(wait, time.Second), maxQuiet)
}

// loudness is a message's priority from 1 to 5.
func loudness(m message) int {
	switch {
	case m.over, m.loud == rules.Advice:
		return 3
	case m.loud == rules.Warning:
		return 4
	}
	return 5
}

// cause says in our own words why nothing came back. The error itself may name the address, or its host.
func cause(err error) error {
	var dns *net.DNSError
	var op *net.OpError
	var cert *tls.CertificateVerificationError
	var timeout net.Error
	switch {
	case errors.Is(err, context.Canceled):
		return context.Canceled
	case errors.Is(err, context.DeadlineExceeded), errors.As(err, &timeout) && timeout.Timeout():
		return fmt.Errorf("the far end does not answer in time: %w", context.DeadlineExceeded)
	case errors.As(err, &dns):
		return errors.New("the far end's name is not found; is the board on the network?")
	case errors.As(err, &cert):
		return errors.New("the far end's certificate is not accepted; is the board's clock right?")
	case errors.As(err, &op) && op.Op == "dial":
		return errors.New("the far end cannot be reached")
	}
	return errors.New("the connection to the far end broke")
}
