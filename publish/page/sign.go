package page

import (
	"errors"
	"io"
	"net/http"
	"net/url"
)

// maxSignIn is the largest sign-in form, in bytes: a token of any sensible length, encoded.
const maxSignIn = 4 << 10

// signView is the form that takes the token of those who make marks.
type signView struct {
	Error string
	In    bool // marks are taken from here already
}

// serveSignIn answers the form.
func (p *Page) serveSignIn(w http.ResponseWriter, r *http.Request) {
	p.renderSign(w, r, http.StatusOK, "")
}

func (p *Page) renderSign(w http.ResponseWriter, r *http.Request, status int, wrong string) {
	l := p.lookOf(w, r, "sign")
	v := p.sheet(r, l, nil)
	// The form says what mends it; a link to itself would not.
	v.SignIn, v.NoMarks = false, ""
	v.Heading, v.Title = p.label["sign-in-to-mark"], p.label["sign-in"]
	if wrong != "" {
		v.Title = p.label["not-signed-in"]
	}
	v.Static = signView{wrong, l.marks}
	p.render(w, r, status, "sign", v)
}

// takeSignIn hands the token on. The form comes back empty: a token is never written into a page.
func (p *Page) takeSignIn(w http.ResponseWriter, r *http.Request) {
	token, err := readToken(w, r)
	if err == nil {
		err = p.opt.SignIn(w, r, token)
	}
	if err == nil {
		http.Redirect(w, r, "/", http.StatusSeeOther)
		return
	}
	no := &RefusedError{http.StatusServiceUnavailable, sentence(err.Error())}
	errors.As(err, &no)
	p.renderSign(w, r, no.Status, no.Text)
}

func readToken(w http.ResponseWriter, r *http.Request) (string, error) {
	body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, maxSignIn))
	if errors.As(err, new(*http.MaxBytesError)) {
		return "", &RefusedError{http.StatusRequestEntityTooLarge, "That is longer than any token; type the token alone."}
	}
	if err != nil {
		return "", &RefusedError{http.StatusBadRequest, "The form did not arrive whole; send it again."}
	}
	v, err := url.ParseQuery(string(body))
	if err != nil || v.Get("token") == "" {
		return "", &RefusedError{http.StatusBadRequest, "No token was typed; type the one that the kitchen's marks_token_file holds."}
	}
	return v.Get("token"), nil
}
