package page

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"holdbell/rules"
	"holdbell/rules/terms"
)

// formView is the mark form.
type formView struct {
	ID        string
	Back      string
	Error     string
	Field     string
	Mark      string
	One       bool // the kind is settled: only its own fields are asked
	Every     string
	Has       map[string]bool
	Lot       string
	Station   string
	Food      string
	Probe     string
	Undoes    string
	Temp      string
	Unit      rules.Units
	UnitSign  string
	Note      string
	By        string
	Kinds     []kindView
	Lots      []string
	Stations  []string
	Foods     []string
	Probes    []string
	NoteWords []fact
}

type kindView struct {
	Kind     rules.MarkKind
	Words    string
	Selected bool
}

// serveMarkForm answers the form, filled in from the query. It does not load itself anew: nobody loses
// what is half typed.
func (p *Page) serveMarkForm(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	if q.Get("by") == "" {
		if c, err := r.Cookie(byCookie); err == nil {
			if by, err := url.QueryUnescape(c.Value); err == nil {
				q.Set("by", by)
			}
		}
	}
	form := p.form(q)
	if form.By == "" {
		form.By = p.visitor(r).By
	}
	p.renderForm(w, r, http.StatusOK, form)
}

func (p *Page) renderForm(w http.ResponseWriter, r *http.Request, status int, form formView) {
	l := p.lookOf(w, r, "mark")
	v := p.sheet(r, l, nil)
	v.Heading = p.label["mark"]
	if form.One {
		v.Heading = terms.Label(rules.MarkKind(form.Mark))
		if about := form.Lot; about != "" {
			v.Heading += ": " + about
		}
	}
	v.Title = v.Heading
	if form.Error != "" {
		v.Title = p.label["not-taken"] + " " + v.Heading
	}
	if form.Unit == "" {
		form.Unit = rules.Celsius
		if st := p.state.Load(); st != nil {
			form.Unit = st.Units
		}
		if l.units != "" {
			form.Unit = l.units
		}
	}
	form.UnitSign = signOf(form.Unit)
	v.Static = form
	p.render(w, r, status, "mark", v)
}

// form builds the form with the values given and a fresh id.
func (p *Page) form(q url.Values) formView {
	v := formView{ID: p.newID(), Back: backTo(q.Get("back")), Mark: q.Get("mark"), Lot: q.Get("lot"), Station: q.Get("station"), Food: q.Get("food"),
		Probe: q.Get("probe"), Undoes: q.Get("undoes"), Temp: q.Get("temperature"), Note: q.Get("note"), By: q.Get("by"), Foods: rules.Foods(), NoteWords: noteWords()}
	if st := p.state.Load(); st != nil {
		for i := range st.Lots {
			if !st.Lots[i].Ended {
				v.Lots = append(v.Lots, st.Lots[i].Lot)
			}
		}
		for i := range st.Stations {
			v.Stations = append(v.Stations, st.Stations[i].Name)
		}
		for i := range st.Probes {
			if st.Probes[i].Role == "food" {
				v.Probes = append(v.Probes, st.Probes[i].Name)
			}
		}
	}
	// A form that comes back keeps the unit in which its temperature was typed.
	if u := rules.Units(q.Get("unit")); u == rules.Celsius || u == rules.Fahrenheit {
		v.Unit = u
	}
	if v.Station != "" && !slices.Contains(v.Stations, v.Station) {
		v.Stations = append(v.Stations, v.Station)
	}
	own := fieldsOf(rules.MarkKind(v.Mark))
	v.One = own != nil
	v.Has = map[string]bool{"lot": true, "station": true, "temperature": true}
	if v.One {
		v.Has = map[string]bool{}
		for _, f := range own {
			v.Has[f] = true
		}
		// What was filled in is shown, whatever the kind asks for.
		v.Has["lot"] = v.Has["lot"] || v.Lot != ""
		v.Has["station"] = v.Has["station"] || v.Station != ""
		v.Has["temperature"] = v.Has["temperature"] || v.Temp != ""
		every := url.Values{}
		for _, k := range []string{"lot", "station", "note", "back"} {
			if q.Get(k) != "" {
				every.Set(k, q.Get(k))
			}
		}
		v.Every = every.Encode()
	}
	if v.Mark == "" {
		v.Mark = string(rules.MarkCheck)
	}
	for _, k := range rules.MarkKinds() {
		v.Kinds = append(v.Kinds, kindView{k, terms.Of(k).Means, string(k) == v.Mark})
	}
	return v
}

// fieldsOf is what a kind asks for beside who and a note; nil for one that wants the whole form.
func fieldsOf(k rules.MarkKind) []string {
	switch k {
	case rules.MarkLoad:
		return []string{"lot", "station", "food", "probe"}
	case rules.MarkMove:
		return []string{"lot", "station"}
	case rules.MarkCheck:
		return []string{"lot", "temperature"}
	case rules.MarkWrap, rules.MarkRotate, rules.MarkServe, rules.MarkDiscard, rules.MarkClose, rules.MarkCorrective, rules.MarkNote:
		return []string{"lot"}
	case rules.MarkUndo, rules.MarkHandover:
		return []string{}
	case rules.MarkInService, rules.MarkOutOfService:
		return []string{"station"}
	}
	return nil
}

// noteWords explains the words for the rules at the beginning of a note.
func noteWords() []fact {
	return []fact{{"food=", "with load: " + strings.Join(rules.Foods(), ", ")}, {"fresh", "with load: it does not inherit the station's clocks"},
		{"probe=", "the probe that is in it"}, {"from=", "with split: the lot that was cut"}, {"alarm=", "with acknowledge and shelve: which one"},
		{"until=", "with shelve: date, time and zone, such as 2026-03-01T18:30:00Z"}, {"undoes=", "with undo: the id of the mark that was wrong"}}
}

// formFields reads the fields of a form; the temperature is in the unit that the form itself carries. Fields
// that are words of a note are put in front of it. An end that the form gives as a length from now is told
// by the board's clock, not by the phone's.
func (p *Page) formFields(v url.Values) (rules.MarkFields, error) {
	get := func(key string) string { return strings.TrimSpace(v.Get(key)) }
	f := rules.MarkFields{Mark: get("mark"), Lot: get("lot"), Station: get("station"), Note: get("note"), By: get("by"), ID: get("id")}
	for _, word := range []string{"probe", "food", "undoes"} {
		if value := get(word); value != "" {
			f.Note = strings.TrimSpace(word + "=" + value + " " + f.Note)
		}
	}
	if length := get("for"); length != "" {
		d, err := time.ParseDuration(length)
		if err != nil || d <= 0 {
			return f, &rules.MarkError{Field: "note", What: "the length of the silence is none", Fix: "choose one in the form on the page"}
		}
		f.Note = "until=" + p.opt.Now().Wall.Add(d).UTC().Format(time.RFC3339) + " " + f.Note
	}
	said := get("temperature")
	if said == "" {
		return f, nil
	}
	t, err := strconv.ParseFloat(said, 64)
	if err != nil || strings.Trim(said, "+-.0123456789") != "" {
		return f, &rules.MarkError{Field: "temperature", What: "the temperature is no number", Fix: "write digits with a point for the fraction, such as 151.5"}
	}
	switch rules.Units(v.Get("unit")) {
	case rules.Fahrenheit:
		f.Fahrenheit = &t
	case rules.Celsius:
		f.Celsius = &t
	default:
		return f, &rules.MarkError{Field: "temperature", What: "the temperature has no unit", Fix: "fill in the form on the page once more"}
	}
	return f, nil
}
