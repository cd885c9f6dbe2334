package page

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"net/url"
	"strings"
	"time"

	"holdbell/rules"
	"holdbell/rules/terms"
)

// maxBody is the largest mark: a note of 1000 bytes leaves room for names and any way of encoding.
const maxBody = 8 << 10

// markPatience is how long a mark may take to be durable before its person is told that it is not.
const markPatience = 10 * time.Second

// markAnswer is the answer to a mark that was taken.
type markAnswer struct {
	Answer string `json:"answer"`
	ID     string `json:"id"`
}

// markRefusal is the answer to one that was not. Field names the faulty field where one is.
type markRefusal struct {
	Error string `json:"error"`
	Field string `json:"field,omitempty"`
	ID    string `json:"id,omitempty"`
}

const notDurable = "The mark could not be recorded in time. Make it once more: said again with the same id it counts once."

// serveMark takes a mark as JSON or from a form.
func (p *Page) serveMark(w http.ResponseWriter, r *http.Request) {
	kind, _, _ := mime.ParseMediaType(r.Header.Get("Content-Type"))
	isForm := kind == "application/x-www-form-urlencoded"
	refuse := func(no *RefusedError) {
		if isForm {
			http.Error(w, no.Text, no.Status)
		} else {
			writeJSON(w, no.Status, markRefusal{Error: no.Text})
		}
	}
	visitor := p.visitor(r)
	switch {
	case !visitor.MayMark:
		refuse(&RefusedError{http.StatusForbidden, visitor.Why})
		return
	case !isForm && kind != "application/json":
		refuse(&RefusedError{http.StatusUnsupportedMediaType, "Send the mark as application/json, or as a form."})
		return
	}
	body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, maxBody))
	if err != nil {
		no := &RefusedError{http.StatusBadRequest, "The mark did not arrive whole; send it again."}
		if errors.As(err, new(*http.MaxBytesError)) {
			no = &RefusedError{http.StatusRequestEntityTooLarge, fmt.Sprintf("The mark has more than %d bytes; shorten its note.", maxBody)}
		}
		refuse(no)
		return
	}
	if isForm {
		p.takeForm(w, r, visitor, body)
		return
	}
	fields, err := parseJSON(body)
	var m rules.Mark
	if err == nil {
		visitor.sign(&fields)
		m, err = rules.ParseMark(fields)
	}
	if err == nil {
		if m.ID == "" {
			m.ID = p.newID()
		}
		var text string
		if text, err = p.submit(r.Context(), m); err == nil {
			writeJSON(w, http.StatusOK, markAnswer{text, m.ID})
			return
		}
	}
	no, field := refusal(err)
	writeJSON(w, no.Status, markRefusal{Error: no.Text, Field: field, ID: m.ID})
}

// submit hands a mark on. A browser that hangs up in the middle does not take its mark back.
func (p *Page) submit(ctx context.Context, m rules.Mark) (string, error) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), markPatience)
	defer cancel()
	return p.opt.Mark(ctx, m)
}

// refusal is what a person is told about a mark that was not taken, and the field that is wrong.
func refusal(err error) (no *RefusedError, field string) {
	var wrong *rules.MarkError
	var said *RefusedError
	switch {
	case errors.As(err, &wrong):
		return &RefusedError{http.StatusBadRequest, sentence(wrong.Error())}, wrong.Field
	case errors.As(err, &said):
		status := said.Status
		if status < 400 || status > 599 {
			status = http.StatusBadRequest
		}
		return &RefusedError{status, said.Text}, ""
	case errors.Is(err, context.DeadlineExceeded), errors.Is(err, context.Canceled):
		return &RefusedError{http.StatusServiceUnavailable, notDurable}, ""
	}
	return &RefusedError{http.StatusServiceUnavailable, sentence(err.Error())}, ""
}

// parseJSON reads one JSON object with the fields of a mark and no others: a misspelt field would be a
// mark that says less than its sender meant.
func parseJSON(body []byte) (rules.MarkFields, error) {
	bad := func(what, fix string) (rules.MarkFields, error) {
		return rules.MarkFields{}, &rules.MarkError{What: what, Fix: fix}
	}
	const fix = `send one object such as {"mark":"check","lot":"brisket","fahrenheit":151.5,"by":"initials"}`
	var f rules.MarkFields
	d := json.NewDecoder(strings.NewReader(string(body)))
	d.DisallowUnknownFields()
	var wrongType *json.UnmarshalTypeError
	switch err := d.Decode(&f); {
	case err == nil:
	case errors.As(err, &wrongType) && wrongType.Field == "":
		return bad("the mark is no JSON object", fix)
	case errors.As(err, &wrongType):
		return bad(fmt.Sprintf("the field %s cannot be a %s", wrongType.Field, wrongType.Value),
			"write celsius and fahrenheit as a number, the other fields as text")
	case strings.HasPrefix(err.Error(), "json: unknown field "):
		return bad("a mark has no field "+strings.TrimPrefix(err.Error(), "json: unknown field "),
			"it has mark, lot, station, note, by, id, and celsius or fahrenheit")
	default:
		return bad("the mark is no JSON", fix)
	}
	if _, err := d.Token(); err != io.EOF {
		return bad("something follows the mark", "send one object and nothing after it")
	}
	return f, nil
}

// takeForm takes the mark of a form: on success the browser goes to the page with the answer, else it
// gets the form again with what was typed in it.
func (p *Page) takeForm(w http.ResponseWriter, r *http.Request, visitor Visitor, body []byte) {
	v, err := url.ParseQuery(string(body))
	if err != nil {
		http.Error(w, "The form cannot be read; fill it in once more on the page.", http.StatusBadRequest)
		return
	}
	fields, err := p.formFields(v)
	var m rules.Mark
	if err == nil {
		visitor.sign(&fields)
		m, err = rules.ParseMark(fields)
	}
	if err == nil {
		m.ID = contentID(m.ID, v)
		if _, err = p.once(r.Context(), m); err == nil {
			if m.By != "" {
				setCookie(w, byCookie, url.QueryEscape(m.By), forAShift)
			}
			http.Redirect(w, r, withAnswer(backTo(v.Get("back")), m.ID), http.StatusSeeOther)
			return
		}
	}
	no, field := refusal(err)
	form := p.form(v)
	form.Error, form.Field = no.Text, field
	// Only a mark that may have been taken keeps its id: the rules remember the id of one that they refused.
	if no.Status == http.StatusServiceUnavailable {
		form.ID = v.Get("id")
	}
	p.renderForm(w, r, no.Status, form)
}

// backTo is the page of ours that a form came from; the rail when it names none. An address elsewhere is
// never gone to.
func backTo(back string) string {
	u, err := url.Parse(back)
	if err != nil || u.IsAbs() || u.Host != "" || !strings.HasPrefix(u.Path, "/") || strings.ContainsAny(back, "\\\r\n") || strings.HasPrefix(u.Path, "//") {
		return "/"
	}
	return u.RequestURI()
}

// withAnswer adds to an address of ours the id under which the answer is kept.
func withAnswer(back, id string) string {
	u, err := url.Parse(back)
	if err != nil {
		return "/"
	}
	q := u.Query()
	q.Set("answer", id)
	return u.Path + "?" + q.Encode()
}

// contentID ties a form's id to what the form says: a second click gives the same id, while a form that
// was gone back to and changed is another mark.
func contentID(id string, v url.Values) string {
	sum := sha256.Sum256([]byte(v.Encode()))
	if id == "" {
		return "form-" + hex.EncodeToString(sum[:16])
	}
	return id[:min(len(id), 64)] + "-" + hex.EncodeToString(sum[:8])
}

// maxAnswers is how many answers are kept for the page after a form.
const maxAnswers = 64

// once submits a form's mark; whoever comes with the same id meanwhile or later gets the same answer.
// One that failed is forgotten, so that it can be tried again.
func (p *Page) once(ctx context.Context, m rules.Mark) (string, error) {
	a := &p.answers
	a.mu.Lock()
	mine, found := a.byID[m.ID]
	if !found {
		mine = &answer{done: make(chan struct{}), mark: m}
		a.byID[m.ID] = mine
		a.order = append(a.order, m.ID)
		if len(a.order) > maxAnswers {
			delete(a.byID, a.order[0])
			a.order = a.order[1:]
		}
	}
	a.mu.Unlock()
	if found {
		select {
		case <-mine.done:
			return mine.text, mine.err
		case <-ctx.Done():
			return "", ctx.Err()
		}
	}
	defer close(mine.done)
	mine.text, mine.err = p.submit(ctx, m)
	if by := p.acknowledgedBy(m); mine.err != nil && by != "" {
		mine.text, mine.err = by, nil
	}
	if mine.err != nil {
		a.mu.Lock()
		delete(a.byID, m.ID)
		a.mu.Unlock()
	}
	return mine.text, mine.err
}

// acknowledgedBy says who was quicker with an acknowledgement that the rules refused, so that two people who
// press at once both learn that it is done; empty when nobody was.
func (p *Page) acknowledgedBy(m rules.Mark) string {
	st := p.state.Load()
	if m.Kind != rules.MarkAcknowledge || m.Alarm == "" || st == nil {
		return ""
	}
	c := clock{p.opt.Now(), p.opt.Zone}
	for i := range st.Alarms {
		a := &st.Alarms[i]
		if a.Alarm != m.Alarm || a.Station != m.Station || a.Lot != m.Lot || m.Probe != "" && a.Probe != m.Probe || a.Status != rules.Acknowledged {
			continue
		}
		by := ", unsigned"
		if a.AckBy != "" {
			by = " by " + a.AckBy
		}
		return terms.Label(a.Alarm) + " was acknowledged already" + by + ", " + c.both(a.Acknowledged) + ". It counts once."
	}
	return ""
}

// kept is the answer to the form with this id; nil when none is kept.
func (a *answers) kept(id string) *answer {
	a.mu.Lock()
	found := a.byID[id]
	a.mu.Unlock()
	if found == nil {
		return nil
	}
	select {
	case <-found.done:
		if found.err == nil && found.text != "" {
			return found
		}
	default:
	}
	return nil
}
