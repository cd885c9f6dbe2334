package page

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"

	"golang.org/x/net/html"

	"holdbell/rules"
)

// desk collects the marks that a page hands on.
type desk struct {
	mu    sync.Mutex
	marks []rules.Mark
	err   error
}

func (d *desk) take(_ context.Context, m rules.Mark) (string, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.err != nil {
		return "", d.err
	}
	d.marks = append(d.marks, m)
	return fmt.Sprintf("Taken: %s of %s.", m.Kind, m.Lot), nil
}

func post(p *Page, kind, body string, more ...string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(http.MethodPost, "/mark", strings.NewReader(body))
	r.Header.Set("Content-Type", kind)
	for i := 0; i < len(more); i += 2 {
		r.Header.Set(more[i], more[i+1])
	}
	w := httptest.NewRecorder()
	p.Handler().ServeHTTP(w, r)
	return w
}

const (
	asJSON = "application/json"
	asForm = "application/x-www-form-urlencoded"
)

func TestMarkJSON(t *testing.T) {
	for _, c := range []struct {
		name, body string
		status     int
		says       string
	}{
		{"check", `{"mark":"check","lot":"brisket","fahrenheit":151.5,"by":"R","id":"a1"}`, 200, "Taken: check of brisket."},
		{"no id", `{"mark":"note","note":"swept"}`, 200, "Taken: note"},
		{"unknown kind", `{"mark":"chekc"}`, 400, "did you mean check?"},
		{"missing lot", `{"mark":"load","station":"warmer"}`, 400, "needs a lot"},
		{"two units", `{"mark":"check","lot":"x","celsius":60,"fahrenheit":140}`, 400, "give it once"},
		{"misspelt field", `{"mark":"check","lot":"x","temp":60}`, 400, `no field \"temp\"`},
		{"text for a number", `{"mark":"check","lot":"x","celsius":"60"}`, 400, "celsius cannot be a string"},
		{"a list", `[]`, 400, "no JSON object"},
		{"broken", `{"mark":`, 400, "no JSON"},
		{"nothing", ``, 400, "no JSON"},
		{"null", `null`, 400, "the mark is empty"},
		{"two", `{"mark":"note"}{"mark":"note"}`, 400, "something follows"},
		{"large", `{"mark":"note","note":"` + strings.Repeat("x", maxBody) + `"}`, 413, "shorten"},
	} {
		d := &desk{}
		w := post(kitchen(t, rich(), noon, d.take), asJSON, c.body)
		if w.Code != c.status || !strings.Contains(strings.ToLower(w.Body.String()), strings.ToLower(c.says)) {
			t.Errorf("%s: %d %s, want %d %s", c.name, w.Code, w.Body, c.status, c.says)
		}
		var any map[string]string
		if err := json.Unmarshal(w.Body.Bytes(), &any); err != nil {
			t.Errorf("%s: the answer is no JSON object of words: %v", c.name, err)
		}
		if (c.status == 200) != (len(d.marks) == 1) || c.status == 200 && any["id"] == "" {
			t.Errorf("%s: %d marks, answer %v", c.name, len(d.marks), any)
		}
	}
	for kind, status := range map[string]int{"text/plain": 415, "multipart/form-data; boundary=x": 415, "": 415, "application/json; charset=utf-8": 200} {
		if w := post(kitchen(t, rich(), noon, (&desk{}).take), kind, `{"mark":"note","note":"x"}`); w.Code != status {
			t.Errorf("content type %q: %d, want %d", kind, w.Code, status)
		}
	}
}

func TestMarkErrors(t *testing.T) {
	for _, c := range []struct {
		err    error
		status int
		says   string
	}{
		{&RefusedError{Text: "No open lot is called x."}, 400, "No open lot is called x."},
		{fmt.Errorf("wrapped: %w", &RefusedError{Status: 503, Text: "Say it again."}), 503, "Say it again."},
		{&RefusedError{Status: 7, Text: "Odd."}, 400, "Odd."},
		{&rules.MarkError{Field: "lot", What: "the lot is bad", Fix: "mend it"}, 400, "The lot is bad; mend it."},
		{errors.New("too many marks are waiting"), 503, "Too many marks are waiting."},
		{context.DeadlineExceeded, 503, notDurable},
	} {
		p := kitchen(t, rich(), noon, (&desk{err: c.err}).take)
		w := post(p, asJSON, `{"mark":"note","note":"x","id":"n1"}`)
		var no markRefusal
		if err := json.Unmarshal(w.Body.Bytes(), &no); err != nil || w.Code != c.status || no.Error != c.says {
			t.Errorf("%v: %d %+v, want %d %s", c.err, w.Code, no, c.status, c.says)
		}
		// The form comes back with what was typed. A mark that may be in force keeps its id.
		w = post(p, asForm, "mark=note&note=typed+words&id=n2&unit=celsius")
		fields := formOf(t, w.Body.String())
		if w.Code != c.status || fields.Get("note") != "typed words" || (fields.Get("id") == "n2") != (c.status == 503) {
			t.Errorf("%v: form %d %v", c.err, w.Code, fields)
		}
	}
}

// A browser that hangs up in the middle does not take its mark back.
func TestMarkOutlivesItsBrowser(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	var seen error
	p := kitchen(t, rich(), noon, func(ctx context.Context, _ rules.Mark) (string, error) {
		cancel()
		seen = ctx.Err()
		return "ok", nil
	})
	r := httptest.NewRequestWithContext(ctx, http.MethodPost, "/mark", strings.NewReader(`{"mark":"note","note":"x"}`))
	r.Header.Set("Content-Type", asJSON)
	p.Handler().ServeHTTP(httptest.NewRecorder(), r)
	if seen != nil || ctx.Err() == nil {
		t.Errorf("the mark's context ended with the browser's: %v", seen)
	}
}

// formOf gives the fields of the page's first form, as a browser would send them.
func formOf(t *testing.T, body string) url.Values {
	t.Helper()
	v, found := url.Values{}, false
	walk(t, body, func(n *html.Node) {
		if n.Type != html.ElementNode || n.Data != "form" || found {
			return
		}
		found = true
		for c := range n.Descendants() {
			name, value, selected := "", "", false
			for _, a := range c.Attr {
				switch a.Key {
				case "name":
					name = a.Val
				case "value":
					value = a.Val
				case "selected":
					selected = true
				}
			}
			switch c.Data {
			case "input":
				v.Set(name, value)
			case "option":
				if selected && c.Parent.Data == "select" {
					if value == "" {
						value = inner(c)
					}
					for _, a := range c.Parent.Attr {
						if a.Key == "name" {
							v.Set(a.Val, value)
						}
					}
				}
			}
		}
	})
	if !found {
		t.Fatal("no form in the page")
	}
	return v
}

// client is a browser without scripts.
func client(t *testing.T, p *Page) (*http.Client, string) {
	t.Helper()
	s := httptest.NewServer(p.Handler())
	t.Cleanup(s.Close)
	return s.Client(), s.URL
}

func read(t *testing.T, r *http.Response, err error) string {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// The form, filled in and sent, is a mark, and the browser lands on the page with its answer.
func TestFormEndToEnd(t *testing.T) {
	d, want := &desk{}, at(151.5)
	browser, at := client(t, kitchen(t, rich(), noon, d.take))
	r, err := browser.Get(at + "/mark?mark=check&lot=pulled+pork&station=warmer")
	v := formOf(t, read(t, r, err))
	v.Set("temperature", "151.5")
	v.Set("by", "late shift")
	v.Set("note", "thickest part")
	r, err = browser.PostForm(at+"/mark", v)
	body := read(t, r, err)
	if r.Request.Method != http.MethodGet || r.Request.URL.Path != "/" || !strings.Contains(textOf(t, body), "Taken: check of pulled pork.") {
		t.Errorf("landed on %s %s without the answer", r.Request.Method, r.Request.URL)
	}
	if len(d.marks) != 1 {
		t.Fatalf("%d marks", len(d.marks))
	}
	m := d.marks[0]
	if m.Kind != rules.MarkCheck || m.Lot != "pulled pork" || m.Station != "warmer" || m.By != "late shift" || m.Note != "thickest part" || *m.Temp != *want || m.ID == "" {
		t.Errorf("the mark is %+v", m)
	}
}

// Acknowledging is one press on the page.
func TestAcknowledgeEndToEnd(t *testing.T) {
	d := &desk{}
	browser, at := client(t, kitchen(t, rich(), noon, d.take))
	r, err := browser.Get(at + "/")
	v := formOf(t, read(t, r, err))
	r, err = browser.PostForm(at+"/mark", v)
	read(t, r, err)
	if len(d.marks) != 1 {
		t.Fatalf("%d marks", len(d.marks))
	}
	m := d.marks[0]
	if m.Kind != rules.MarkAcknowledge || m.Alarm != rules.BelowHotLimit || m.Lot != "pulled pork" || m.Station != "warmer" || m.Probe != "pan-2" {
		t.Errorf("the mark is %+v", m)
	}
	// Drawn again the form is another mark: the alarm may ring anew.
	r, err = browser.Get(at + "/")
	again := formOf(t, read(t, r, err))
	r, err = browser.PostForm(at+"/mark", again)
	read(t, r, err)
	if len(d.marks) != 2 || d.marks[0].ID == d.marks[1].ID {
		t.Errorf("a second acknowledgement of a ringing alarm is lost: %+v", d.marks)
	}
}

// A double click is one mark and one answer; a form that was gone back to and changed is another mark.
func TestDoubleClick(t *testing.T) {
	d := &desk{}
	entered, leave := make(chan struct{}, 8), make(chan struct{})
	p := kitchen(t, rich(), noon, func(ctx context.Context, m rules.Mark) (string, error) {
		entered <- struct{}{}
		<-leave
		return d.take(ctx, m)
	})
	const form = "mark=check&lot=brisket&temperature=150&unit=fahrenheit&id=abc"
	got := make(chan string, 3)
	for range 3 {
		go func() { got <- post(p, asForm, form).Header().Get("Location") }()
	}
	<-entered
	close(leave)
	first := <-got
	if second, third := <-got, <-got; first != second || first != third || !strings.HasPrefix(first, "/?answer=abc-") {
		t.Errorf("answers at %q, %q, %q", first, second, third)
	}
	if late := post(p, asForm, form).Header().Get("Location"); late != first {
		t.Errorf("the late click's answer is at %q", late)
	}
	if len(d.marks) != 1 {
		t.Fatalf("%d marks of one form", len(d.marks))
	}
	post(p, asForm, strings.Replace(form, "150", "151", 1))
	if len(d.marks) != 2 || d.marks[0].ID == d.marks[1].ID {
		t.Errorf("the changed form is no mark of its own: %+v", d.marks)
	}
}

// A mark that failed can be made again with the same form.
func TestRetryAfterFailure(t *testing.T) {
	d := &desk{err: errors.New("the disk is full")}
	p := kitchen(t, rich(), noon, d.take)
	const form = "mark=note&note=x&id=abc"
	if w := post(p, asForm, form); w.Code != 503 {
		t.Fatalf("status %d", w.Code)
	}
	d.err = nil
	if w := post(p, asForm, form); w.Code != http.StatusSeeOther || len(d.marks) != 1 {
		t.Errorf("status %d, %d marks", w.Code, len(d.marks))
	}
}

func TestAnswersAreBounded(t *testing.T) {
	p := kitchen(t, rich(), noon, (&desk{}).take)
	for i := range 10 * maxAnswers {
		post(p, asForm, fmt.Sprintf("mark=note&note=%d&id=n%d", i, i))
	}
	if n := len(p.answers.byID); n > maxAnswers || n == 0 {
		t.Errorf("%d answers kept", n)
	}
	failing := kitchen(t, rich(), noon, (&desk{err: errors.New("no")}).take)
	for i := range 10 * maxAnswers {
		post(failing, asForm, fmt.Sprintf("mark=note&note=%d&id=n%d", i, i))
	}
	if n := len(failing.answers.order); n > maxAnswers {
		t.Errorf("%d ids kept", n)
	}
}

func TestBadForms(t *testing.T) {
	for form, says := range map[string]string{
		"mark=check&lot=x&temperature=hot&unit=celsius":        "is no number",
		"mark=check&lot=x&temperature=71,5&unit=celsius":       "with a point",
		"mark=check&lot=x&temperature=0x1p4&unit=celsius":      "is no number",
		"mark=check&lot=x&temperature=60":                      "has no unit",
		"mark=check&lot=x&temperature=99999&unit=celsius":      "no temperature of a hand check",
		"mark=check&lot=x&unit=celsius":                        "hand thermometer showed",
		"mark=load&lot=" + strings.Repeat("%F0%9F%8D%97", 300): "longer than 64",
	} {
		d := &desk{}
		w := post(kitchen(t, rich(), noon, d.take), asForm, form)
		if w.Code != 400 || !strings.Contains(w.Body.String(), says) || len(d.marks) != 0 {
			t.Errorf("%s: %d without %q", form, w.Code, says)
		}
		if err := balanced(w.Body.String()); err != nil {
			t.Errorf("%s: %v", form, err)
		}
		accessible(t, form, w.Body.String())
	}
	if w := post(kitchen(t, rich(), noon, noMark), asForm, "mark=%zz"); w.Code != 400 {
		t.Errorf("a form that is none: %d", w.Code)
	}
	if w := post(kitchen(t, rich(), noon, noMark), asForm, "note="+strings.Repeat("x", maxBody)); w.Code != 413 {
		t.Errorf("a form too large: %d", w.Code)
	}
}

func TestOtherSitesAreRefused(t *testing.T) {
	const note = `{"mark":"note","note":"x"}`
	for _, c := range []struct {
		name    string
		headers []string
		status  int
	}{
		{"no browser", nil, 200},
		{"our own page", []string{"Sec-Fetch-Site", "same-origin", "Origin", "http://example.com"}, 200},
		{"our own page, no Sec-Fetch over plain HTTP", []string{"Origin", "http://example.com"}, 200},
		{"another site", []string{"Sec-Fetch-Site", "cross-site", "Origin", "http://evil.example"}, 403},
		{"a neighbour", []string{"Sec-Fetch-Site", "same-site"}, 403},
		{"another site, no Sec-Fetch", []string{"Origin", "http://evil.example"}, 403},
		{"no origin told", []string{"Origin", "null"}, 403},
	} {
		for kind, body := range map[string]string{asJSON: note, asForm: "mark=note&note=x&id=1"} {
			d := &desk{}
			w := post(kitchen(t, rich(), noon, d.take), kind, body, c.headers...)
			want := c.status
			if want == 200 && kind == asForm {
				want = http.StatusSeeOther
			}
			if w.Code != want || (want == 403) != (len(d.marks) == 0) {
				t.Errorf("%s, %s: %d and %d marks, want %d", c.name, kind, w.Code, len(d.marks), want)
			}
		}
	}
}

func TestMarksOnlyWhereAllowed(t *testing.T) {
	d := &desk{}
	p := kitchen(t, rich(), noon, d.take)
	p.opt.Visitor = LocalVisitor
	for _, c := range []struct {
		from, host string
		allowed    bool
	}{
		{"127.0.0.1:40000", "127.0.0.1:9834", true},
		{"127.0.0.1:40000", "localhost:9834", true},
		{"[::1]:40000", "[::1]:9834", true},
		{"[::1]:40000", "[::1]", true},
		{"192.0.2.7:40000", "127.0.0.1:9834", false},
		{"127.0.0.1:40000", "rebound.example:9834", false},
		{"", "localhost", false},
	} {
		r := httptest.NewRequest(http.MethodPost, "/mark", strings.NewReader(`{"mark":"note","note":"x"}`))
		r.RemoteAddr, r.Host = c.from, c.host
		r.Header.Set("Content-Type", asJSON)
		w := httptest.NewRecorder()
		p.Handler().ServeHTTP(w, r)
		if (w.Code == 200) != c.allowed {
			t.Errorf("from %s to %s: %d", c.from, c.host, w.Code)
		}
	}
	// Where no mark is taken the page offers none.
	for _, path := range []string{"/", "/mark"} {
		if _, body := get(t, p, path); strings.Contains(body, "<form") {
			t.Errorf("%s offers a form that would be refused", path)
		}
	}
}

// Whatever arrives, the answer is a JSON object with a sentence, and only a mark that ParseMark passes is
// handed on.
func FuzzMarkJSON(f *testing.F) {
	for _, s := range []string{`{"mark":"check","lot":"brisket","celsius":66.5}`, `{"mark":"load","lot":"a","station":"warmer","note":"food=beef fresh"}`, `{}`, `null`, `[]`, `{"mark":1}`,
		`{"mark":"note","note":"\ud800"}`, `{"celsius":1e999}`, `{"mark":"note"} x`, "\xff", `{"MARK":"note"}`} {
		f.Add([]byte(s))
	}
	d := &desk{}
	h := kitchen(f, rich(), noon, d.take)
	f.Fuzz(func(t *testing.T, body []byte) {
		*d = desk{}
		w := post(h, asJSON, string(body))
		var said map[string]string
		if err := json.Unmarshal(w.Body.Bytes(), &said); err != nil {
			t.Fatalf("%d: the answer is no JSON object: %s", w.Code, w.Body)
		}
		switch {
		case w.Code == 200 && len(d.marks) == 1 && said["answer"] != "" && said["id"] != "":
		case (w.Code == 400 || w.Code == 413) && len(d.marks) == 0 && said["error"] != "":
		default:
			t.Fatalf("%d, %d marks, %v", w.Code, len(d.marks), said)
		}
	})
}
