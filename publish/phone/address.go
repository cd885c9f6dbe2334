package phone

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/netip"
	"net/url"
	"os"
	"strings"
	"unicode"

	"github.com/nicholas-fedor/shoutrrr/pkg/router"

	"holdbell/publish"
)

// form is how a message goes out.
type form int

const (
	push    form = iota // a plain HTTP push
	hook                // our own JSON
	service             // one of shoutrrr's services
)

// target is an address that was understood. It is a secret: nothing of it may enter an error or a log,
// its scheme included, for people paste the wrong line.
type target struct {
	form   form
	url    *url.URL // of a push or a hook, with an http or https scheme
	raw    string   // of a service, ready for shoutrrr
	scheme string   // of a service
	clear  bool     // it crosses a public network unencrypted
}

// maxAddress is far above what the longest service address needs.
const maxAddress = 4096

// parseAddress understands the text of an address file. No error tells anything of the text.
func parseAddress(text string) (target, error) {
	text = strings.TrimSpace(text)
	switch {
	case text == "":
		return target{}, errors.New("it is empty; write the phone's address into it, one line")
	case len(text) > maxAddress:
		return target{}, fmt.Errorf("it holds more than %d bytes; write one address into it, one line", maxAddress)
	case strings.ContainsFunc(text, func(r rune) bool { return unicode.IsSpace(r) || unicode.IsControl(r) || r == unicode.ReplacementChar }):
		return target{}, errors.New("it holds more than an address; write one address into it, one line without blanks")
	}
	u, err := url.Parse(text)
	if err != nil || u.Scheme == "" || u.Opaque != "" {
		return target{}, errors.New("its line is no address; write one such as https://HOST/TOPIC, json+https://HOST/PATH or a service's")
	}
	switch u.Scheme {
	case "http", "https":
		return httpTarget(push, u)
	case "json+http", "json+https":
		u.Scheme = strings.TrimPrefix(u.Scheme, "json+")
		return httpTarget(hook, u)
	}
	return serviceTarget(u)
}

func httpTarget(f form, u *url.URL) (target, error) {
	// What goes out is the address put together again: it has to lead to the same host.
	if again, err := url.Parse(u.String()); u.Hostname() == "" || err != nil || again.Host != u.Host {
		return target{}, errors.New("its address names no host; write https://HOST/TOPIC")
	}
	u.Fragment, u.RawFragment = "", ""
	return target{form: f, url: u, clear: u.Scheme == "http" && !near(u.Hostname())}, nil
}

// serviceTarget takes an address for shoutrrr, which checks the rest of it with each message.
func serviceTarget(u *url.URL) (target, error) {
	scheme, _, _ := strings.Cut(u.Scheme, "+")
	// The library's logger writes a line and rings nobody.
	if _, err := new(router.ServiceRouter).NewService(scheme); err != nil || scheme == "logger" {
		return target{}, errors.New("the first part of its address, before ://, names no way to ring; write https, json+https or a service's name")
	}
	if scheme == "smtp" {
		if err := demandTLS(u); err != nil {
			return target{}, err
		}
	}
	return target{form: service, raw: u.String(), scheme: scheme}, nil
}

// demandTLS makes mail go out encrypted or not at all: the library's own default falls back to clear text
// in silence.
func demandTLS(u *url.URL) error {
	q, err := url.ParseQuery(u.RawQuery)
	if err != nil {
		return errors.New("what stands after ? in its address cannot be read; write NAME=VALUE, joined by &")
	}
	insecure := q.Get("insecure") == "yes"
	q.Del("insecure")
	if !insecure {
		for key, values := range q {
			for _, value := range values {
				if weakens(strings.ToLower(key), strings.ToLower(value)) {
					return errors.New("its mail would go out unprotected; remove what says so from the address, or add insecure=yes")
				}
			}
		}
		q.Set("requirestarttls", "yes")
	}
	u.RawQuery = q.Encode()
	return nil
}

// weakens reports whether a setting of a mail service gives up encryption or the check of who is there.
func weakens(key, value string) bool {
	on := value == "yes" || value == "true" || value == "1"
	switch key {
	case "encryption":
		return value == "none"
	case "usestarttls", "starttls", "requirestarttls":
		return !on
	case "skiptlsverify":
		return value != "no"
	}
	return false
}

// near reports whether host is, by its name alone, on this machine or its own network.
func near(host string) bool {
	if addr, err := netip.ParseAddr(host); err == nil {
		addr = addr.Unmap()
		return addr.IsLoopback() || addr.IsPrivate() || addr.IsLinkLocalUnicast()
	}
	host = strings.ToLower(strings.TrimSuffix(host, "."))
	if !strings.Contains(host, ".") {
		return true
	}
	// RFC 6761, RFC 6762, RFC 8375 and ICANN's reservation of .internal for private use.
	for _, zone := range []string{".localhost", ".local", ".home.arpa", ".internal"} {
		if strings.HasSuffix(host, zone) {
			return true
		}
	}
	return false
}

// addressFile reads the address for every message, so that a new one needs no restart.
type addressFile struct {
	path string
	last string // the text that was read last
	told string // the text of which was said that it goes out in the clear
}

// read gives the file's text. While the disk fails, the last one stands: a dead card must not silence the
// phone. A file that is gone or closed to us is somebody's wish.
func (a *addressFile) read() (string, error) {
	path, err := publish.SecretPath(a.path)
	var f *os.File
	if err == nil {
		f, err = os.Open(path)
	}
	if err == nil {
		var b []byte
		b, err = io.ReadAll(io.LimitReader(f, maxAddress+64))
		f.Close()
		if err == nil {
			a.last = string(b)
			return a.last, nil
		}
	}
	if a.last != "" && !errors.Is(err, fs.ErrNotExist) && !errors.Is(err, fs.ErrPermission) {
		return a.last, nil
	}
	return "", fmt.Errorf("the file with the phone's address cannot be read: %w", err)
}

// CheckFile reports whether a file holds an address that can be rung. No error tells anything of what it holds.
func CheckFile(path string) error {
	a := addressFile{path: path}
	text, err := a.read()
	if err != nil {
		return err
	}
	_, err = parseAddress(text)
	return err
}

// target gives the address as it is now.
func (p *Phone) target() (target, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	text, err := p.address.read()
	if err != nil {
		return target{}, err
	}
	t, err := parseAddress(text)
	if err != nil {
		return target{}, fmt.Errorf("the phone's address in %s: %w", p.o.URLFile, err)
	}
	if t.clear && p.address.told != text {
		p.address.told = text
		p.o.Log.Warn("messages to this phone cross a public network in the clear; write https into its file", "publisher", p.o.Name, "file", p.o.URLFile)
	}
	return t, nil
}
