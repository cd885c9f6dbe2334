package page

import (
	"errors"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"holdbell/sensor"
)

// tokens takes one token, and remembers what it was asked.
func tokens(want string) func(http.ResponseWriter, *http.Request, string) error {
	return func(w http.ResponseWriter, _ *http.Request, token string) error {
		switch token {
		case want:
			http.SetCookie(w, &http.Cookie{Name: "proof", Value: "x"})
			return nil
		case "disk":
			return errors.New("the token's file cannot be read")
		}
		return &RefusedError{http.StatusUnauthorized, "That is not the token."}
	}
}

func signing(t *testing.T, in Visitor) *Page {
	t.Helper()
	p, err := New(Options{Now: func() sensor.Instant { return noon }, Mark: noMark, Log: quiet, SignIn: tokens("right"),
		Visitor: func(*http.Request) Visitor { return in }})
	if err != nil {
		t.Fatal(err)
	}
	p.Show(rich())
	return p
}

func ask(p *Page, method, path, body string, header ...string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, path, strings.NewReader(body))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	for i := 0; i < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	w := httptest.NewRecorder()
	p.Handler().ServeHTTP(w, r)
	return w
}

func TestSignIn(t *testing.T) {
	p := signing(t, Visitor{Why: "A token is needed.", SignIn: true})
	for _, c := range []struct {
		body string
		code int
		says string
	}{
		{"token=right", http.StatusSeeOther, ""},
		{"token=wrong-7c1d", http.StatusUnauthorized, "That is not the token."},
		{"token=", http.StatusBadRequest, "No token was typed"},
		{"%zz", http.StatusBadRequest, "No token was typed"},
		{"token=disk", http.StatusServiceUnavailable, "The token&#39;s file cannot be read."},
		{"token=" + strings.Repeat("x", 2*maxSignIn), http.StatusRequestEntityTooLarge, "longer than any token"},
	} {
		w := ask(p, http.MethodPost, "/sign-in", c.body)
		if w.Code != c.code || !strings.Contains(w.Body.String(), c.says) {
			t.Errorf("%.20s: %d\n%s\nwant %d, %q", c.body, w.Code, w.Body, c.code, c.says)
		}
		if strings.Contains(w.Body.String(), "7c1d") {
			t.Error("the form shows the token that was typed")
		}
		if proof := w.Header().Get("Set-Cookie") != ""; proof != (c.code == http.StatusSeeOther) {
			t.Errorf("%.20s: cookie %v", c.body, proof)
		}
	}
	if w := ask(p, http.MethodPost, "/sign-in", "token=right", "Sec-Fetch-Site", "cross-site"); w.Code != http.StatusForbidden {
		t.Errorf("a token from another site's page: %d", w.Code)
	}
	if w := ask(p, http.MethodGet, "/sign-in", ""); w.Code != http.StatusOK || !strings.Contains(w.Body.String(), `type="password"`) {
		t.Errorf("the form: %d\n%s", w.Code, w.Body)
	}
	without := kitchen(t, rich(), noon, noMark)
	if w := ask(without, http.MethodGet, "/sign-in", ""); w.Code != http.StatusNotFound {
		t.Errorf("a form where no token would do: %d", w.Code)
	}
}

// The page stays readable for whoever may not mark, and says why its buttons are off.
func TestThePageSaysWhyItsButtonsAreOff(t *testing.T) {
	off := signing(t, Visitor{Why: "A token & a name are needed.", SignIn: true})
	for _, path := range []string{"/", "/mark"} {
		w := ask(off, http.MethodGet, path, "")
		body := w.Body.String()
		if w.Code != http.StatusOK || !strings.Contains(body, "A token &amp; a name are needed.") || !strings.Contains(body, `href="/sign-in"`) {
			t.Errorf("%s: %d\n%s", path, w.Code, body)
		}
		if strings.Contains(body, `action="/mark"`) || strings.Contains(body, `href="/mark`) {
			t.Errorf("%s offers marks that would be refused", path)
		}
	}
	for kind, body := range map[string]string{"application/json": `{"mark":"note","note":"x"}`, "application/x-www-form-urlencoded": "mark=note&note=x"} {
		w := ask(off, http.MethodPost, "/mark", body, "Content-Type", kind)
		if w.Code != http.StatusForbidden || !strings.Contains(w.Body.String(), "are needed.") {
			t.Errorf("%s: %d %s", kind, w.Code, w.Body)
		}
	}
	on := signing(t, Visitor{MayMark: true})
	if body := ask(on, http.MethodGet, "/", "").Body.String(); strings.Contains(body, "/sign-in") || !strings.Contains(body, `href="/mark"`) {
		t.Errorf("who may mark sees\n%s", body)
	}
}

// A mark is signed by the name of the login, unless initials are typed.
func TestMarksAreSignedByTheLogin(t *testing.T) {
	for _, c := range []struct{ kind, body, by string }{
		{asJSON, `{"mark":"note","note":"x"}`, "cook"},
		{asJSON, `{"mark":"note","note":"x","by":"RO"}`, "RO"},
		{"application/x-www-form-urlencoded", "mark=note&note=x", "cook"},
		{"application/x-www-form-urlencoded", "mark=note&note=x&by=RO", "RO"},
	} {
		d := &desk{}
		p := kitchen(t, rich(), noon, d.take)
		p.opt.Visitor = func(*http.Request) Visitor { return Visitor{MayMark: true, By: "cook"} }
		w := ask(p, http.MethodPost, "/mark", c.body, "Content-Type", c.kind)
		if len(d.marks) != 1 || d.marks[0].By != c.by {
			t.Errorf("%s %s: %d, marks %+v, want by %s", c.kind, c.body, w.Code, d.marks, c.by)
		}
		if body := ask(p, http.MethodGet, "/mark", "").Body.String(); !strings.Contains(body, `name="by" value="cook"`) {
			t.Errorf("the form does not show whose login it is:\n%s", body)
		}
	}
}
