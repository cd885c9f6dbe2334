package page

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"slices"

	"holdbell/rules"
)

//go:embed rail.html mark.html sign.html reply.html parts.html style.css
var files embed.FS

// loadTemplates parses the pages.
func (p *Page) loadTemplates() (err error) {
	if p.railPage, err = template.ParseFS(files, "rail.html", "parts.html"); err != nil {
		return fmt.Errorf("page: %w", err)
	}
	if p.markPage, err = template.ParseFS(files, "mark.html", "parts.html"); err != nil {
		return fmt.Errorf("page: %w", err)
	}
	if p.replyPage, err = template.ParseFS(files, "reply.html", "parts.html"); err != nil {
		return fmt.Errorf("page: %w", err)
	}
	if p.signPage, err = template.ParseFS(files, "sign.html", "parts.html"); err != nil {
		return fmt.Errorf("page: %w", err)
	}
	return nil
}

const stylePath = "/style.css"

// asset is a file that a browser may keep: its address changes with its content.
type asset struct {
	url  string
	body []byte
}

func loadStyle() (asset, error) {
	body, err := files.ReadFile("style.css")
	if err != nil {
		return asset{}, fmt.Errorf("page: %w", err)
	}
	sum := sha256.Sum256(body)
	return asset{stylePath + "?v=" + hex.EncodeToString(sum[:6]), body}, nil
}

func (a asset) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Content-Type", "text/css; charset=utf-8")
	w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	// A browser that hung up is its own affair.
	_, _ = w.Write(a.body)
}

// render writes a whole page, or an error and nothing of it.
func (p *Page) render(w http.ResponseWriter, status int, t *template.Template, view any) {
	var b bytes.Buffer
	if err := t.Execute(&b, view); err != nil {
		p.opt.Log.Error("the page cannot be drawn", "err", err)
		http.Error(w, "The page cannot be drawn. The watch goes on; see the log.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	_, _ = w.Write(b.Bytes())
}

// formView is the mark form.
type formView struct {
	Style    string
	Site     string
	Marks    bool
	NoMarks  string // why not, and what mends it
	SignIn   bool   // a token typed at /sign-in would do
	ID       string
	Error    string
	Field    string
	Mark     string
	Lot      string
	Station  string
	Temp     string
	Unit     rules.Units
	UnitSign string
	Note     string
	By       string
	Kinds    []kindView
	Lots     []string
	Stations []string
	Foods    []string
}

type kindView struct {
	Kind     rules.MarkKind
	Words    string
	Selected bool
}

// serveMarkForm answers the form, filled in from the query. It does not load itself anew: nobody loses
// what is half typed.
func (p *Page) serveMarkForm(w http.ResponseWriter, r *http.Request) {
	v := p.form(r.URL.Query())
	who := p.visitor(r)
	v.Marks, v.NoMarks, v.SignIn = who.MayMark, who.Why, who.SignIn
	if v.By == "" {
		v.By = who.By
	}
	p.render(w, http.StatusOK, p.markPage, v)
}

// form builds the form with the values given and a fresh id.
func (p *Page) form(q url.Values) formView {
	v := formView{Style: p.style.url, Site: "holdbell", Marks: true, ID: p.newID(), Mark: q.Get("mark"), Lot: q.Get("lot"),
		Station: q.Get("station"), Temp: q.Get("temperature"), Note: q.Get("note"), By: q.Get("by"), Unit: rules.Celsius, Foods: rules.Foods()}
	if st := p.state.Load(); st != nil {
		v.Site, v.Unit = st.Site, st.Units
		for i := range st.Lots {
			if !st.Lots[i].Ended {
				v.Lots = append(v.Lots, st.Lots[i].Lot)
			}
		}
		for i := range st.Stations {
			v.Stations = append(v.Stations, st.Stations[i].Name)
		}
	}
	// A form that comes back keeps the unit in which its temperature was typed.
	if u := rules.Units(q.Get("unit")); u == rules.Celsius || u == rules.Fahrenheit {
		v.Unit = u
	}
	if v.Station != "" && !slices.Contains(v.Stations, v.Station) {
		v.Stations = append(v.Stations, v.Station)
	}
	v.UnitSign = "°C"
	if v.Unit == rules.Fahrenheit {
		v.UnitSign = "°F"
	}
	if v.Mark == "" {
		v.Mark = string(rules.MarkCheck)
	}
	for _, k := range rules.MarkKinds() {
		v.Kinds = append(v.Kinds, kindView{k, markWords(k), string(k) == v.Mark})
	}
	return v
}
