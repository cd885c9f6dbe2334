package phone

import (
	"errors"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/nicholas-fedor/shoutrrr/pkg/router"
)

func TestParseAddress(t *testing.T) {
	for text, want := range map[string]target{
		"https://far.example/topic\n":            {form: push},
		"  HTTPS://far.example/topic\r\n":        {form: push},
		"http://far.example/topic":               {form: push, clear: true},
		"json+https://far.example/hook?a=b":      {form: hook},
		"json+http://board.local/hook":           {form: hook},
		"gotify://far.example/Aabcdefghijklmn":   {form: service, scheme: "gotify"},
		"generic+https://far.example/x":          {form: service, scheme: "generic"},
		"smtp://u:p@far.example/?from=a&to=b":    {form: service, scheme: "smtp"},
		"smtp://far.example/?insecure=yes&to=b":  {form: service, scheme: "smtp"},
		"smtp://far.example/?starttls=Yes&to=b":  {form: service, scheme: "smtp"},
		"smtp://h/?encryption=none&insecure=yes": {form: service, scheme: "smtp"},
	} {
		got, err := parseAddress(text)
		if err != nil || got.form != want.form || got.clear != want.clear || got.scheme != want.scheme {
			t.Errorf("%q gives %+v, %v; want %+v", text, got, err, want)
		}
	}
	for text, want := range map[string]string{
		"": "is empty", "\n\n": "is empty", "far.example/topic": "no address", "https:topic": "no address",
		"https:///topic": "names no host", "json+https://": "names no host", "https://a/\nhttps://b/": "more than an address",
		"carrier-pigeon://x": "names no way to ring", "logger://": "names no way to ring", "json+ftp://x": "names no way to ring",
		"smtp://h/?starttls=no": "unprotected", "smtp://h/?UseStartTLS=no": "unprotected", "smtp://h/?encryption=None": "unprotected",
		"smtp://h/?skiptlsverify=yes": "unprotected", "smtp://h/?requirestarttls=yes&requirestarttls=no": "unprotected",
		strings.Repeat("x", maxAddress+1): "more than 4096 bytes",
	} {
		if got, err := parseAddress(text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q gives %+v, %v; want an error with %q", text, got, err, want)
		}
	}
}

func TestMailDemandsTLS(t *testing.T) {
	for text, want := range map[string]string{
		"smtp://h/?from=a@x.invalid&to=b@x.invalid":                          "yes",
		"smtp://h/?from=a@x.invalid&to=b@x.invalid&requirestarttls=yes":      "yes",
		"smtp://h/?from=a@x.invalid&to=b@x.invalid&insecure=yes":             "",
		"smtp://h/?from=a@x.invalid&to=b@x.invalid&insecure=yes&starttls=no": "",
	} {
		got, err := parseAddress(text)
		if err != nil {
			t.Fatal(err)
		}
		u, err := url.Parse(got.raw)
		if err != nil || u.Query().Get("requirestarttls") != want || u.Query().Has("insecure") {
			t.Errorf("%q goes out by %q", text, got.raw)
		}
		if _, err := new(router.ServiceRouter).Locate(got.raw); err != nil {
			t.Errorf("the library does not take %q: %v", got.raw, err)
		}
	}
}

func FuzzParseAddress(f *testing.F) {
	for _, s := range []string{"", "https://far.example/topic\n", "json+http://u:p@[::1]:80/h?q#f", "gotify://h/Aabcdefghijklmn?disabletls=yes",
		"smtp://u:p@h:587/?from=a&to=b&starttls=no&insecure=yes", "generic+https://h/%zz", "https://h\x00", "://", "logger://", "https://[fe80::1%25eth0]/"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		got, err := parseAddress(text)
		if err != nil {
			// Nothing of the text is in the error: it is one of a few fixed sentences.
			if other, otherErr := parseAddress(strings.TrimSpace(text)); otherErr == nil || otherErr.Error() != err.Error() {
				t.Errorf("%q and its trimmed form differ: %v, %+v %v", text, err, other, otherErr)
			}
			if s := strings.TrimSpace(text); len(s) > 12 && strings.Contains(err.Error(), s) {
				t.Errorf("the error tells the address %q: %v", s, err)
			}
			return
		}
		switch got.form {
		case push, hook:
			if got.url == nil || got.url.Hostname() == "" || got.url.Scheme != "http" && got.url.Scheme != "https" || got.clear && got.url.Scheme == "https" {
				t.Errorf("%q gives %+v", text, got)
			}
			if again, err := url.Parse(got.url.String()); err != nil || again.Host != got.url.Host {
				t.Errorf("%q goes out by %q, which leads to another host (%v)", text, got.url, err)
			}
		case service:
			if got.raw == "" || got.scheme == "logger" {
				t.Errorf("%q gives %+v", text, got)
			}
		}
	})
}

func TestCheckFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "phone.url")
	if err := CheckFile(path); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a file that is not there: %v", err)
	}
	for text, ok := range map[string]bool{pushAddress: true, pushAddress + "\n": true, "": false, canary: false, "two " + canary: false} {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := CheckFile(path); (err == nil) != ok || err != nil && strings.Contains(err.Error(), canary) {
			t.Errorf("%.20q: %v", text, err)
		}
	}
}
