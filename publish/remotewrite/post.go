package remotewrite

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"strconv"
	"strings"
	"syscall"
	"time"
	"unicode"

	"github.com/golang/snappy"

	"holdbell/publish"
)

// Bounds of one request and its answer.
const (
	attempt       = 10 * time.Second // one request, whole
	grace         = time.Second      // of it, after a stop
	maxBody       = 4 << 10          // bytes of an error's text that are read
	maxQuote      = 160              // runes of it that are said
	maxHeader     = 64 << 10
	maxRetryAfter = 5 * time.Minute // a receiver that asks for more is asked again all the same
)

// verdict is what an answer means for the samples.
type verdict int

const (
	taken    verdict = iota
	later            // keep them, and try again
	refused          // some of them will never be taken
	tooLarge         // fewer at a time
)

// answer is what came of one request.
type answer struct {
	verdict verdict
	why     string        // in words, without a secret; empty when taken
	after   time.Duration // with later: not before; 0: nothing was said
	old     bool          // with refused: they came too late, or out of order
	version bool          // it was not taken as 2.0
}

// post sends samples as one request.
func (w *Writer) post(ctx context.Context, p Protocol, samples []sample) answer {
	client, err := w.client()
	if err != nil {
		return answer{verdict: later, why: err.Error()}
	}
	var raw []byte
	if p == V2 {
		raw = encodeV2(nil, samples)
	} else {
		raw = encodeV1(nil, samples)
	}
	// A stop leaves the request a moment: cut off, it might be taken all the same, and go out twice.
	bounded, cancel := context.WithTimeout(context.WithoutCancel(ctx), attempt)
	defer cancel()
	defer context.AfterFunc(ctx, func() { time.AfterFunc(grace, cancel) })()
	// The body is this request's own: the transport may still read it after an early answer.
	req, err := http.NewRequestWithContext(bounded, http.MethodPost, w.o.URL, bytes.NewReader(snappy.Encode(nil, raw)))
	if err != nil {
		return answer{verdict: later, why: "no request can be made of the url; write it anew"}
	}
	h := req.Header
	h.Set("Content-Encoding", "snappy")
	h.Set("User-Agent", "holdbell/"+w.o.Version)
	if p == V2 {
		h.Set("Content-Type", "application/x-protobuf;proto=io.prometheus.write.v2.Request")
		h.Set("X-Prometheus-Remote-Write-Version", "2.0.0")
	} else {
		h.Set("Content-Type", "application/x-protobuf")
		h.Set("X-Prometheus-Remote-Write-Version", "0.1.0")
	}
	secret, err := w.login(req)
	_, sent, _ := strings.Cut(h.Get("Authorization"), " ")
	if err != nil {
		return answer{verdict: later, why: err.Error()}
	}
	res, err := client.Do(req)
	if err != nil {
		w.forget(err)
		return answer{verdict: later, why: reached(err)}
	}
	defer res.Body.Close()
	w.compare(res.Header)
	// An answer that breaks off has said its status all the same.
	body, _ := io.ReadAll(io.LimitReader(res.Body, maxBody))
	return judge(p, len(samples), res.StatusCode, res.Header, quote(string(body), secret, sent))
}

// compare notes how far the board's clock and the receiver's lie apart (RFC 9110, 6.6.1: Date, to the second).
func (w *Writer) compare(h http.Header) {
	theirs, err := http.ParseTime(h.Get("Date"))
	if now := w.o.Now(); err == nil && now.Believed {
		apart := now.Wall.Sub(theirs).Round(time.Second)
		w.apart.Store(&apart)
	}
}

// login adds the user or the token, and gives the secret of it. It is read anew for every request.
func (w *Writer) login(req *http.Request) (secret string, err error) {
	switch {
	case w.o.PasswordFile != "":
		if secret, err = publish.ReadSecret(w.o.PasswordFile); err != nil {
			return "", fmt.Errorf("the password file: %w", err)
		}
		req.SetBasicAuth(w.o.Username, secret)
	case w.o.BearerFile != "":
		if secret, err = publish.ReadSecret(w.o.BearerFile); err != nil {
			return "", fmt.Errorf("the bearer file: %w", err)
		}
		if strings.ContainsFunc(secret, func(r rune) bool { return r <= ' ' || r > '~' }) {
			return "", fmt.Errorf("%s holds more than a token; write the token alone into it, on one line", w.o.BearerFile)
		}
		req.Header.Set("Authorization", "Bearer "+secret)
	}
	return secret, nil
}

// judge is what an answer means. text is its body, fit to be said.
func judge(p Protocol, samples, status int, h http.Header, text string) answer {
	said := fmt.Sprintf("%d %s", status, http.StatusText(status))
	if text != "" {
		said += ": " + text
	}
	a := answer{why: "the receiver answers " + said}
	old := tooOld(text)
	switch {
	case status >= 200 && status <= 299:
		if p == V2 {
			if n, err := strconv.Atoi(h.Get("X-Prometheus-Remote-Write-Samples-Written")); err != nil || n != samples {
				return answer{verdict: later, version: true, why: "the receiver does not say that it wrote what came as remote write 2.0; write protocol: 1.0"}
			}
		}
		return answer{verdict: taken}
	case status == http.StatusUnsupportedMediaType:
		a.verdict, a.version = later, p == V2
		a.why = "the receiver does not take remote write " + string(p) + " (" + said + "); is the url that of its remote write?"
	case status == http.StatusUnauthorized, status == http.StatusForbidden:
		a.verdict, a.why = later, "the receiver refuses the login ("+said+"); look at username and password_file, bearer_file or the client's certificate; nothing is lost"
	case status >= 300 && status <= 399:
		a.verdict, a.why = later, fmt.Sprintf("the receiver sends elsewhere (%d), which is not followed with a login; write the address that it is at now into url", status)
	case status == http.StatusNotFound, status == http.StatusMethodNotAllowed, status == http.StatusProxyAuthRequired, status == http.StatusRequestTimeout:
		// These say nothing of the samples.
		a.verdict, a.why = later, "the receiver answers "+said+"; look at the url, which ends in /api/v1/write as a rule, and at its setting that takes remote write"
	case status == http.StatusRequestEntityTooLarge:
		a.verdict = tooLarge
	case status == http.StatusTooManyRequests:
		a.verdict, a.after = later, retryAfter(h)
	// Prometheus 2.42 answers 500 to a sample that is too old, and would for ever (tried against Debian's).
	case status >= 400 && status <= 499, old:
		a.verdict, a.old = refused, old
	default:
		a.verdict, a.after = later, retryAfter(h)
	}
	return a
}

// tooOld reports whether a receiver says that samples came too late, in the words of Prometheus and of what is built
// on it (prometheus/prometheus, storage/interface.go: ErrOutOfOrderSample, ErrOutOfBounds, ErrTooOldSample).
func tooOld(text string) bool {
	text = strings.ToLower(text)
	for _, words := range []string{"out of order", "out-of-order", "out of bounds", "too old", "too far in the past"} {
		if strings.Contains(text, words) {
			return true
		}
	}
	return false
}

// retryAfter is how long the receiver wants to be left alone (RFC 9110, 10.2.3), bounded; 0 when it says nothing.
func retryAfter(h http.Header) time.Duration {
	text := h.Get("Retry-After")
	if s, err := strconv.ParseUint(text, 10, 31); err == nil {
		return min(time.Duration(s)*time.Second, maxRetryAfter)
	}
	if at, err := http.ParseTime(text); err == nil {
		return max(0, min(time.Until(at), maxRetryAfter))
	}
	return 0
}

// quote makes one short line of an answer's text. A receiver that sends the secret back does not get it into a log.
func quote(text string, secrets ...string) string {
	for _, s := range secrets {
		if s != "" {
			text = strings.ReplaceAll(text, s, "…")
		}
	}
	text = strings.ToValidUTF8(text, "")
	text = strings.Join(strings.FieldsFunc(text, func(r rune) bool { return unicode.IsSpace(r) || !unicode.IsPrint(r) }), " ")
	if runes := []rune(text); len(runes) > maxQuote {
		text = string(runes[:maxQuote]) + "…"
	}
	return text
}

// reached says why there was no answer. It names neither address nor host beyond what a certificate says of itself.
func reached(err error) string {
	var unknown x509.UnknownAuthorityError
	var host x509.HostnameError
	var invalid x509.CertificateInvalidError
	var dns *net.DNSError
	var record tls.RecordHeaderError
	switch {
	case errors.As(err, &unknown):
		return "the receiver's certificate is of an authority that is not known here; name the authority's certificate in ca_file"
	case errors.As(err, &host):
		return "the receiver's certificate is for another host; write the name that it is for into url"
	case errors.As(err, &invalid) && invalid.Reason == x509.Expired:
		return "the receiver's certificate has expired, or is not valid yet; renew it there, and see that the clock is right here"
	case errors.As(err, &invalid):
		return "the receiver's certificate cannot be used: " + invalid.Error()
	case alerted(err):
		return "the receiver breaks the TLS connection off; does it want a certificate of ours (cert_file, key_file)?"
	case errors.As(err, &record), strings.Contains(err.Error(), "server gave HTTP response to HTTPS client"):
		return "the receiver does not speak TLS there; write http:// into url, or its TLS port"
	case errors.Is(err, context.DeadlineExceeded):
		return fmt.Sprintf("the receiver does not answer within %v", attempt)
	case errors.As(err, &dns):
		return "the receiver's name is not found; is the board on the network, and the url right?"
	case errors.Is(err, syscall.ECONNREFUSED):
		return "nothing listens where the receiver should be; does it run, and is the url's port right?"
	case errors.Is(err, syscall.EHOSTUNREACH), errors.Is(err, syscall.ENETUNREACH):
		return "no network leads to the receiver; is the board on the network?"
	}
	return "the connection to the receiver breaks off; it is tried again"
}

// alerted reports whether the other side ended a connection with a TLS alert, which has no type of its own outside
// crypto/tls but what net.OpError says.
func alerted(err error) bool {
	var op *net.OpError
	return errors.As(err, &op) && op.Op == "remote error"
}

// client gives the client, made of the files when it is needed: what is missing may yet come right.
func (w *Writer) client() (*http.Client, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.http != nil {
		return w.http, nil
	}
	t := &tls.Config{MinVersion: tls.VersionTLS12}
	if w.o.CAFile != "" {
		pem, err := os.ReadFile(w.o.CAFile)
		if err != nil {
			return nil, fmt.Errorf("the authority's file: %w", err)
		}
		t.RootCAs = x509.NewCertPool()
		if !t.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("%s holds no certificate in PEM form; give the authority's certificate", w.o.CAFile)
		}
	}
	if w.o.CertFile != "" {
		key, err := publish.SecretPath(w.o.KeyFile)
		if err != nil {
			return nil, fmt.Errorf("the client's key: %w", err)
		}
		pair, err := tls.LoadX509KeyPair(w.o.CertFile, key)
		if err != nil {
			return nil, fmt.Errorf("the client's certificate: %w", err)
		}
		t.Certificates = []tls.Certificate{pair}
	}
	transport := &http.Transport{
		Proxy: http.ProxyFromEnvironment, TLSClientConfig: t, ForceAttemptHTTP2: true, TLSHandshakeTimeout: attempt,
		MaxIdleConnsPerHost: 2, IdleConnTimeout: 90 * time.Second, MaxResponseHeaderBytes: maxHeader, DialContext: w.o.dial,
	}
	w.http = &http.Client{
		Transport: transport,
		// The login goes to nobody but the receiver.
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
	return w.http, nil
}

// forget has the certificates' files read anew after a connection that TLS did not let come to pass.
func (w *Writer) forget(err error) {
	var verify *tls.CertificateVerificationError
	if !errors.As(err, &verify) && !alerted(err) {
		return
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.http != nil {
		w.http.CloseIdleConnections()
		w.http = nil
	}
}
