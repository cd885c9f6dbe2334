package page

import (
	"bytes"
	"fmt"
	"html/template"
	"net/http"
	"strings"
	"time"

	"holdbell/rules"
)

// pathOf is a view's path.
func pathOf(view string) string {
	if view == "rail" {
		return "/{$}"
	}
	return "/" + view
}

// sheet is all that a page says, for the layout around every view.
type sheet struct {
	Site, Heading, Title string
	Live                 string // where an open page listens; empty: it stays as it is
	Refresh              int    // seconds, for a page without scripts
	Here                 string // its own address
	HoldHere, FollowHere string
	Nav                  []link
	UnitLinks            []link
	OtherUnit            string
	Chart                bool
	FormID               string
	Back                 string
	Marks                bool
	NoMarks              string // why none are taken, and what mends it
	SignIn               bool   // a token typed at /sign-in would do
	Started, Stale       bool
	Age                  string
	Ago, Clock           string
	Answer               *answerView
	Regions              map[string]template.HTML
	Static               any // what does not change while the page is open
}

type link struct {
	Label, Href string
	Here        bool
}

// answerView is what was answered to a form, and how it can be taken back.
type answerView struct {
	Text, By string
	Undo     string
}

// unitsCookie and byCookie keep a viewer's unit, and the name that was signed with last, for a shift.
const (
	unitsCookie = "units"
	byCookie    = "by"
	forYears    = 400 * 24 * 3600 // seconds; the longest that browsers keep a cookie
	forAShift   = 12 * 3600
)

// lookOf is who looks: the unit asked for in the query is kept in a cookie.
func (p *Page) lookOf(w http.ResponseWriter, r *http.Request, view string) look {
	l := look{view: view, name: r.URL.Query().Get("name"), marks: p.visitor(r).MayMark}
	u := rules.Units(r.URL.Query().Get("units"))
	if u != rules.Celsius && u != rules.Fahrenheit {
		if c, err := r.Cookie(unitsCookie); err == nil {
			u = rules.Units(c.Value)
		}
	} else {
		setCookie(w, unitsCookie, string(u), forYears)
	}
	if u == rules.Celsius || u == rules.Fahrenheit {
		l.units = u
	}
	return l
}

// setCookie sets a cookie for this page alone.
func setCookie(w http.ResponseWriter, name, value string, seconds int) {
	http.SetCookie(w, &http.Cookie{Name: name, Value: value, Path: "/", MaxAge: seconds, SameSite: http.SameSiteStrictMode})
}

// serveView answers a page that follows along.
func (p *Page) serveView(w http.ResponseWriter, r *http.Request, view string) {
	l := p.lookOf(w, r, view)
	f, err := p.draw(l, p.opt.Now())
	if err != nil {
		p.undrawable(w, err)
		return
	}
	if f.gone {
		p.serveGone(w, r, l)
		return
	}
	v := p.sheet(r, l, f)
	q := r.URL.Query()
	here := func(hold string) string {
		return href(r.URL.Path, "name", l.name, "hours", q.Get("hours"), "refresh", hold)
	}
	v.Here = here("")
	v.Answer = p.answerFor(q.Get("answer"), l)
	switch {
	case q.Get("refresh") == "off":
		v.FollowHere = v.Here
	default:
		v.Live, v.HoldHere = liveURL(l), here("off")
		v.Refresh = max(1, int(p.opt.Refresh/time.Second))
		if v.Answer != nil {
			v.Refresh = max(v.Refresh, answerSeconds)
		}
	}
	switch view {
	case "station", "lot", "board":
		v.Chart = true
		v.Static = p.statics(r, l, f)
	}
	p.render(w, r, http.StatusOK, view, v)
}

// answerSeconds is how long an answer stays before a page without scripts goes on: time to read it.
const answerSeconds = 20

// sheet fills in what every page says.
func (p *Page) sheet(r *http.Request, l look, f *frame) *sheet {
	now := p.opt.Now()
	v := &sheet{Site: "holdbell", Heading: "holdbell", FormID: p.newID(), Back: "/", Marks: l.marks}
	who := p.visitor(r)
	v.NoMarks, v.SignIn = who.Why, who.SignIn
	c := clock{now, p.opt.Zone}
	v.Clock = c.at(now)
	units := l.units
	if st := p.state.Load(); st != nil {
		v.Site, v.Heading, v.Started, v.Ago = st.Site, st.Site, true, c.ago(st.At)
		if units == "" {
			units = st.Units
		}
		if units != st.Units {
			v.OtherUnit = signOf(st.Units)
		}
	}
	if f != nil {
		v.Title, v.Stale, v.Regions = f.title, f.stale, f.html()
		if f.heading != "" {
			v.Heading = f.heading
		}
		if f.age != nil {
			v.Age = fmt.Sprintf("%.3f", *f.age)
		}
	}
	words := p.label
	for _, view := range []string{"rail", "alarms", "record", "board"} {
		at := strings.TrimSuffix(pathOf(view), "{$}")
		v.Nav = append(v.Nav, link{words[view], at, view == l.view})
	}
	q := r.URL.Query()
	q.Del("answer")
	for _, u := range []rules.Units{rules.Fahrenheit, rules.Celsius} {
		q.Set("units", string(u))
		at := r.URL.Path + "?" + q.Encode()
		// A form that is half filled in stays as it is.
		if r.Method != http.MethodGet || l.view == "mark" || l.view == "sign" || l.view == "reply" {
			at = href("/", "units", string(u))
		}
		v.UnitLinks = append(v.UnitLinks, link{words[string(u)], at, u == units})
	}
	return v
}

func signOf(u rules.Units) string {
	if u == rules.Fahrenheit {
		return "°F"
	}
	return "°C"
}

// serveGone answers for a lot or a station that is not there.
func (p *Page) serveGone(w http.ResponseWriter, r *http.Request, l look) {
	v := p.sheet(r, look{view: "gone", marks: l.marks, units: l.units}, nil)
	key := "gone"
	if l.view == "station" {
		key = "unknown-station"
	}
	v.Heading, v.Static = l.name, p.label[key]
	v.Title = l.name
	p.render(w, r, http.StatusNotFound, "gone", v)
}

// render writes a whole page, or an error and nothing of it.
func (p *Page) render(w http.ResponseWriter, r *http.Request, status int, name string, v *sheet) {
	var b bytes.Buffer
	if err := p.pages[name].ExecuteTemplate(&b, "page", v); err != nil {
		p.undrawable(w, err)
		return
	}
	body := bytes.ReplaceAll(b.Bytes(), []byte(formID), []byte(v.FormID))
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	writePacked(w, r, status, body)
}

func (p *Page) undrawable(w http.ResponseWriter, err error) {
	p.opt.Log.Error("the page cannot be drawn", "err", err)
	http.Error(w, "The page cannot be drawn. The watch goes on; see the log.", http.StatusInternalServerError)
}

// answerFor is what was answered to the form with this id, and the way back; nil when none is kept.
func (p *Page) answerFor(id string, l look) *answerView {
	a := p.answers.kept(id)
	if a == nil {
		return nil
	}
	v := &answerView{Text: a.text}
	if !l.marks {
		return v
	}
	if a.mark.Kind.Undoable() {
		v.Undo, v.By = a.mark.ID, a.mark.By
	}
	return v
}
