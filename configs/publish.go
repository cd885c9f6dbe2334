package configs

import (
	"fmt"
	"net"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml/ast"

	"holdbell/rules"
)

// publish reads the section of that name.
func (k *kitchen) publish(n ast.Node) {
	r := &k.reader
	r.mapping(n, "publish",
		field{"http", k.http},
		field{"mqtt", k.mqtt},
		field{"phone", func(n ast.Node) { r.list(n, "phone", k.phone) }},
		field{"heartbeat", k.heartbeat},
		field{"remote_write", k.remoteWrite},
	)
}

func (k *kitchen) http(n ast.Node) {
	r, h := &k.reader, &k.c.HTTP
	at := r.mapping(n, "http",
		field{"address", scalar(r, &h.Address, "address", "http://192.168.1.20:9834", parsePageAddress)},
		field{"listen", scalar(r, &h.Listen, "listen", DefaultListen, parseListen)},
		field{"web_config", scalar(r, &h.WebConfig, "web_config", "/etc/holdbell/web.yaml", parseSecretPath)},
		field{"marks_token_file", scalar(r, &h.MarksTokenFile, "marks_token_file", "/etc/holdbell/marks.token", parseSecretPath)},
	)
	if p, ok := at["listen"]; ok && h.WebConfig == "" && !loopback(h.Listen) {
		what := "anyone on the network can open the page at %s; it takes no marks"
		if h.MarksTokenFile != "" {
			what = "anyone on the network can open the page at %s, and the marks' token crosses it in the clear"
		}
		r.warn(p, "add web_config: with a file that sets TLS and a login, or listen on 127.0.0.1", what, h.Listen)
	}
}

func (k *kitchen) mqtt(n ast.Node) {
	r := &k.reader
	m := &MQTT{Prefix: DefaultPrefix}
	before := len(r.problems)
	at := r.mapping(n, "mqtt",
		field{"broker", func(n ast.Node) { k.brokers(n, m) }},
		field{"listen", scalar(r, &m.Listen, "listen", DefaultMQTTListen, parseListen)},
		field{"prefix", scalar(r, &m.Prefix, "prefix", DefaultPrefix, parsePrefix)},
		field{"username", scalar(r, &m.Username, "username", "kitchen", parseUser)},
		field{"password_file", scalar(r, &m.PasswordFile, "password_file", "/etc/holdbell/mqtt.password", parseSecretPath)},
		field{"ca_file", scalar(r, &m.CAFile, "ca_file", "/etc/holdbell/ca.pem", parsePath)},
		field{"cert_file", scalar(r, &m.CertFile, "cert_file", "/etc/holdbell/client.pem", parsePath)},
		field{"key_file", scalar(r, &m.KeyFile, "key_file", "/etc/holdbell/client.key", parseSecretPath)},
		field{"client_id", scalar(r, &m.ClientID, "client_id", "holdbell-kitchen", parseName)},
		field{"commands", scalar(r, &m.Commands, "commands", "true", parseBool)},
		field{"discovery", scalar(r, &m.Discovery, "discovery", "homeassistant", parsePrefix)},
		field{"users", func(n ast.Node) { r.list(n, "users", func(n ast.Node) { k.user(n, m) }) }},
	)
	if at == nil {
		return
	}
	k.c.MQTT = m
	if _, ok := at["broker"]; !ok {
		r.fail(placeOf(n), "add broker: tcp://HOST:1883, or broker: embedded", "mqtt has no broker")
		return
	}
	if len(r.problems) > before {
		return
	}
	if m.Inside() {
		k.embedded(m, at)
	} else {
		k.remote(m, at)
	}
}

// mostBrokers is more than any cluster here needs: what a majority has to agree on gets no faster by more.
const mostBrokers = 16

// brokers reads one address, or a list of those of one cluster.
func (k *kitchen) brokers(n ast.Node, m *MQTT) {
	r := &k.reader
	one := func(n ast.Node) {
		var s string
		scalar(r, &s, "broker", "tcp://127.0.0.1:1883", parseBroker)(n)
		if s == "" { // already told
			return
		}
		at := placeOf(n)
		u, err := url.Parse(s)
		switch {
		case len(m.Brokers) == 0 || err != nil: // parseBroker has seen to it
		case slices.Contains(m.Brokers, s):
			r.fail(at, "keep one of the two", "broker: %s stands there twice", s)
		case s == Embedded || m.Inside():
			r.fail(at, "name the embedded broker alone, or others alone", "the embedded broker is in no cluster with others")
		case len(m.Brokers) >= mostBrokers:
			r.fail(at, "name a few of the cluster's, or the address of what spreads over them", "broker: more than %d are named", mostBrokers)
		case slices.Contains(secureSchemes(), u.Scheme) != m.secure():
			r.fail(at, "write all with TLS or none, such as ssl://"+u.Host, "broker: some are reached with TLS and some without, and the list is of one cluster")
		}
		m.Brokers = append(m.Brokers, s)
	}
	if s, ok := n.(*ast.SequenceNode); !ok {
		one(n)
	} else if len(s.Values) == 0 {
		r.fail(placeOf(n), "add a line such as - tcp://HOST:1883, or write broker: embedded", "the list of brokers is empty")
	} else {
		r.list(n, "broker", one)
	}
}

// secure reports whether the brokers are reached with TLS.
func (m *MQTT) secure() bool {
	scheme, _, _ := strings.Cut(m.Brokers[0], ":")
	return slices.Contains(secureSchemes(), scheme)
}

// embedded checks the keys of the broker inside the daemon.
func (k *kitchen) embedded(m *MQTT, at map[string]place) {
	r := &k.reader
	for _, key := range []string{"username", "password_file", "ca_file", "cert_file", "key_file", "client_id"} {
		if p, ok := at[key]; ok {
			r.fail(p, "remove it, or name another broker", "%s is for a broker elsewhere, and this one is embedded", key)
		}
	}
	if m.Listen == "" {
		m.Listen = DefaultMQTTListen
	}
	if m.Commands && len(m.Users) == 0 {
		r.fail(at["commands"], "add users: with a name and a password_file, or remove commands", "anyone who reaches the broker could send marks")
	}
	if p, ok := at["listen"]; ok && len(m.Users) == 0 && !loopback(m.Listen) {
		r.fail(p, "add users: with a name and a password_file, or listen on 127.0.0.1", "the broker would let anyone on the network in at %s", m.Listen)
	}
}

// remote checks the keys of a broker elsewhere.
func (k *kitchen) remote(m *MQTT, at map[string]place) {
	r := &k.reader
	for _, key := range []string{"listen", "users"} {
		if p, ok := at[key]; ok {
			r.fail(p, "remove it, or write broker: embedded", "%s is for the embedded broker", key)
		}
	}
	u, err := url.Parse(m.Brokers[0])
	if err != nil { // parseBroker has seen to it
		return
	}
	secure := m.secure()
	for _, key := range []string{"ca_file", "cert_file", "key_file"} {
		if p, ok := at[key]; ok && !secure {
			r.fail(p, "write broker: ssl://"+u.Host+", or remove it", "%s has no use without TLS, which %s:// does not have", key, u.Scheme)
		}
	}
	if p, ok := at["cert_file"]; ok && m.KeyFile == "" {
		r.fail(p, "add key_file:", "a certificate needs its key")
	}
	if p, ok := at["key_file"]; ok && m.CertFile == "" {
		r.fail(p, "add cert_file:", "a key needs its certificate")
	}
	if p, ok := at["password_file"]; ok && m.Username == "" {
		r.fail(p, "add username:", "a password needs a username")
	}
	if p, ok := at["password_file"]; ok && !secure && !m.nearby() {
		r.warn(p, "write broker: ssl://"+u.Hostname()+":8883", "the password crosses the network in the clear")
	}
}

// nearby reports whether every broker is on this machine.
func (m *MQTT) nearby() bool {
	return !slices.ContainsFunc(m.Brokers, func(s string) bool {
		u, err := url.Parse(s)
		return err != nil || !loopback(u.Host)
	})
}

func (k *kitchen) user(n ast.Node, m *MQTT) {
	r := &k.reader
	var u User
	at := r.mapping(n, "a user",
		field{"name", scalar(r, &u.Name, "name", "kitchen", parseUser)},
		field{"password_file", scalar(r, &u.PasswordFile, "password_file", "/etc/holdbell/kitchen.password", parseSecretPath)})
	k.need(placeOf(n), at, "a user", "name", "password_file")
	if at != nil && slices.ContainsFunc(m.Users, func(o User) bool { return o.Name == u.Name && u.Name != "" }) {
		r.fail(at["name"], "keep one of the two", "two users are called %s", u.Name)
	}
	m.Users = append(m.Users, u)
}

func (k *kitchen) phone(n ast.Node) {
	r := &k.reader
	p := Phone{From: rules.Warning}
	at := r.mapping(n, "a phone",
		field{"url_file", scalar(r, &p.URLFile, "url_file", "/etc/holdbell/phone.url", parseSecretPath)},
		field{"from", scalar(r, &p.From, "from", "warning", oneOf(rules.Advice, rules.Warning, rules.Critical))},
		field{"after", scalar(r, &p.After, "after", "20m", some(longestDelay))},
		field{"quiet", func(n ast.Node) { p.Quiet, _ = k.hours(n, "quiet", `{ from: "22:30", to: "06:00" }`) }})
	k.need(placeOf(n), at, "a phone", "url_file")
	// How far a phone is is kept under its file: two with one would share it, and each miss what the other was told.
	if at != nil && slices.ContainsFunc(k.c.Phones, func(o Phone) bool { return o.URLFile == p.URLFile && p.URLFile != "" }) {
		r.fail(at["url_file"], "keep one of the two, with the lower from:, or give the second a file of its own", "two phones have the url_file %s", p.URLFile)
	}
	k.c.Phones = append(k.c.Phones, p)
}

func (k *kitchen) heartbeat(n ast.Node) {
	r := &k.reader
	h := &Heartbeat{Every: DefaultHeartbeat}
	at := r.mapping(n, "heartbeat",
		field{"url_file", scalar(r, &h.URLFile, "url_file", "/etc/holdbell/heartbeat.url", parseSecretPath)},
		field{"every", scalar(r, &h.Every, "every", "1m", parseHeartbeat)},
		field{"fail", scalar(r, &h.Fail, "fail", "/fail", parseFail)})
	k.need(placeOf(n), at, "heartbeat", "url_file")
	k.c.Heartbeat = h
}

// parseHeartbeat bounds the interval: a monitor is somebody's server, and what comes once a day watches nothing.
func parseHeartbeat(s string) (time.Duration, string, string) {
	return within(s, 10*time.Second, time.Hour)
}

var failForm = regexp.MustCompile(`^(/[A-Za-z0-9._~-]{1,64}){1,4}$`)

func parseFail(s string) (string, string, string) {
	if !failForm.MatchString(s) {
		return "", fmt.Sprintf("%q is no end of an address", shorten(s)), "write what the monitor wants to be called with when something is wrong, such as /fail"
	}
	return s, "", ""
}

func secureSchemes() []string { return []string{"ssl", "tls", "mqtts", "wss"} }

func parseBroker(s string) (string, string, string) {
	const fix = "write tcp://HOST:1883, ssl://HOST:8883 or embedded"
	if s == Embedded {
		return s, "", ""
	}
	if strings.Contains(s, "@") {
		return "", "a configuration holds no secret in the clear", "remove the login from the address and write username: and password_file:"
	}
	u, err := url.Parse(s)
	if err != nil {
		return "", fmt.Sprintf("%q is no address", shorten(s)), fix
	}
	known := append([]string{"tcp", "mqtt", "ws"}, secureSchemes()...)
	switch {
	case !slices.Contains(known, u.Scheme) && u.Host != "":
		return "", fmt.Sprintf("%q is no way to a broker", shorten(u.Scheme)), didYouMean(u.Scheme, known)
	case !slices.Contains(known, u.Scheme) && edits(s, Embedded) < 3:
		return "", fmt.Sprintf("%q is no broker", s), "did you mean " + Embedded + "?"
	case !slices.Contains(known, u.Scheme) || u.Hostname() == "":
		return "", fmt.Sprintf("%q is no address of a broker", shorten(s)), fix
	case u.Port() == "":
		return "", fmt.Sprintf("%q has no port", shorten(s)), fix
	case !portInRange(u.Port(), 1):
		return "", fmt.Sprintf("%q is no port", u.Port()), "write a port from 1 to 65535"
	case u.RawQuery != "" || u.Fragment != "":
		return "", fmt.Sprintf("%q says more than where the broker is", shorten(s)), fix
	}
	return s, "", ""
}

var prefixForm = regexp.MustCompile(`^[A-Za-z0-9._-]{1,64}(/[A-Za-z0-9._-]{1,64}){0,7}$`)

func parsePrefix(s string) (string, string, string) {
	if !prefixForm.MatchString(s) {
		return "", fmt.Sprintf("%q is no prefix of a topic", shorten(s)), "use letters, digits, dot, dash and underscore, with / between levels and none at either end"
	}
	return s, "", ""
}

func parseUser(s string) (string, string, string) {
	if s == "" || len(s) > 64 || strings.ContainsAny(s, ":/#+ ") {
		return "", "that is no username", "use at most 64 letters, without blank and : / # +"
	}
	return s, "", ""
}

// parsePageAddress takes the address at which people's phones reach the page, without a path.
func parsePageAddress(s string) (string, string, string) {
	const fix = "write it as a browser in the kitchen would, such as http://192.168.1.20:9834"
	u, err := url.Parse(strings.TrimSuffix(s, "/"))
	switch {
	case err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" || u.Path != "" || u.RawQuery != "" || u.Fragment != "":
		return "", fmt.Sprintf("%q is no address of a page", shorten(s)), fix
	case u.User != nil:
		return "", "the page's address holds a login, which every message would carry", fix
	}
	return u.String(), "", ""
}

// parseListen takes host:port. Port 0 picks a free one.
func parseListen(s string) (string, string, string) {
	host, port, err := net.SplitHostPort(s)
	switch {
	case err != nil:
		return "", fmt.Sprintf("%q is no host and port", shorten(s)), "write 127.0.0.1:9834, or :9834 for every network"
	case !portInRange(port, 0):
		return "", fmt.Sprintf("%q is no port", shorten(port)), "write a port from 1 to 65535, or 0 for a free one"
	case strings.ContainsAny(host, " \t/"):
		return "", fmt.Sprintf("%q is no host", shorten(host)), "write 127.0.0.1:" + port
	}
	return s, "", ""
}

func portInRange(s string, low int) bool {
	n, err := strconv.Atoi(s)
	return err == nil && n >= low && n <= 65535
}

// loopback reports whether host:port can be reached from this machine alone.
func loopback(hostport string) bool {
	host, _, err := net.SplitHostPort(hostport)
	if err != nil {
		return false
	}
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}
