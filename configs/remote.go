package configs

import (
	"fmt"
	"net/url"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml/ast"
)

// RemoteWrite brings the readings to a Prometheus-compatible receiver.
type RemoteWrite struct {
	URL                    string
	Username, PasswordFile string
	BearerFile             string
	CAFile                 string
	CertFile, KeyFile      string
	Protocol               string // "1.0", "2.0" or "auto"
	Every                  time.Duration
	BacklogRate            int           // samples a second
	Jitter                 time.Duration // the first request, and a backlog, are delayed by up to this, by chance
}

// The defaults of remote_write.
const (
	DefaultRemoteEvery  = 15 * time.Second
	DefaultBacklogRate  = 2000
	DefaultRemoteJitter = 5 * time.Second
)

func (k *kitchen) remoteWrite(n ast.Node) {
	r := &k.reader
	w := &RemoteWrite{Protocol: "1.0", Every: DefaultRemoteEvery, BacklogRate: DefaultBacklogRate, Jitter: DefaultRemoteJitter}
	before := len(r.problems)
	at := r.mapping(n, "remote_write",
		field{"url", scalar(r, &w.URL, "url", "https://metrics.example/api/v1/write", parseReceiver)},
		field{"username", scalar(r, &w.Username, "username", "kitchen", parseUser)},
		field{"password_file", scalar(r, &w.PasswordFile, "password_file", "/etc/holdbell/remote.password", parseSecretPath)},
		field{"bearer_file", scalar(r, &w.BearerFile, "bearer_file", "/etc/holdbell/remote.token", parseSecretPath)},
		field{"ca_file", scalar(r, &w.CAFile, "ca_file", "/etc/holdbell/ca.pem", parsePath)},
		field{"cert_file", scalar(r, &w.CertFile, "cert_file", "/etc/holdbell/client.pem", parsePath)},
		field{"key_file", scalar(r, &w.KeyFile, "key_file", "/etc/holdbell/client.key", parseSecretPath)},
		field{"protocol", scalar(r, &w.Protocol, "protocol", "1.0", oneOf("1.0", "2.0", "auto"))},
		field{"every", scalar(r, &w.Every, "every", "15s", parseRemoteEvery)},
		field{"backlog_rate", scalar(r, &w.BacklogRate, "backlog_rate", "2000", parseBacklogRate)},
		field{"jitter", scalar(r, &w.Jitter, "jitter", "5s", parseJitter)},
	)
	if at == nil {
		return
	}
	k.c.RemoteWrite = w
	k.need(placeOf(n), at, "remote_write", "url")
	if len(r.problems) > before {
		return
	}
	u, err := url.Parse(w.URL)
	if err != nil { // parseReceiver has seen to it
		return
	}
	secure := u.Scheme == "https"
	for _, key := range []string{"ca_file", "cert_file", "key_file"} {
		if p, ok := at[key]; ok && !secure {
			r.fail(p, "write an https:// url, or remove it", "%s has no use without TLS, which http:// does not have", key)
		}
	}
	for _, pair := range [][3]string{
		{"cert_file", "key_file", "a certificate needs its key"}, {"key_file", "cert_file", "a key needs its certificate"},
		{"password_file", "username", "a password needs a username"}, {"username", "password_file", "a username needs its password"},
	} {
		p, ok := at[pair[0]]
		if _, has := at[pair[1]]; ok && !has {
			r.fail(p, "add "+pair[1]+":", "%s", pair[2])
		}
	}
	if p, ok := at["bearer_file"]; ok && w.PasswordFile != "" {
		r.fail(p, "keep username and password_file, or bearer_file", "a request carries one login, a password or a token")
	}
	for _, key := range []string{"password_file", "bearer_file"} {
		host := u.Host
		if u.Port() == "" {
			host += ":80"
		}
		if p, ok := at[key]; ok && !secure && !loopback(host) {
			r.warn(p, "write an https:// url", "the login crosses the network in the clear")
		}
	}
}

func parseReceiver(s string) (string, string, string) {
	const fix = "write https://HOST/api/v1/write, or what the receiver's manual says"
	if strings.Contains(s, "@") {
		return "", "a configuration holds no secret in the clear", "remove the login from the url and write username: and password_file:, or bearer_file:"
	}
	u, err := url.Parse(s)
	switch {
	case err != nil || u.Scheme == "" || u.Opaque != "" || u.Hostname() == "":
		return "", "that is no address of a receiver", fix
	case u.Scheme != "https" && u.Scheme != "http":
		return "", fmt.Sprintf("%q is no way to a receiver", shorten(u.Scheme)), fix
	case u.Port() != "" && !portInRange(u.Port(), 1):
		return "", fmt.Sprintf("%q is no port", shorten(u.Port())), "write a port from 1 to 65535"
	case u.RawQuery != "" || u.Fragment != "":
		return "", "the url says more than where the receiver is", "remove what follows the ? or #; a token belongs into bearer_file:"
	case u.Path == "" || u.Path == "/":
		return "", "the url has no path", "a Prometheus takes remote write at /api/v1/write: write " + strings.TrimSuffix(s, "/") + "/api/v1/write"
	}
	return s, "", ""
}

func parseRemoteEvery(s string) (time.Duration, string, string) {
	return within(s, 5*time.Second, 10*time.Minute)
}

func parseJitter(s string) (time.Duration, string, string) { return within(s, 0, 10*time.Minute) }

func parseBacklogRate(s string) (int, string, string) {
	n, err := strconv.Atoi(s)
	if err != nil || n < 10 || n > 1_000_000 {
		return 0, fmt.Sprintf("%q is no number of samples a second", shorten(s)), "write a whole number from 10 to 1000000, such as 2000"
	}
	return n, "", ""
}
