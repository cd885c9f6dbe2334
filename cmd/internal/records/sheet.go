package records

import (
	"embed"
	"fmt"
	"html/template"
	"io"
	"strings"
	"time"

	"holdbell/rules"
)

//go:embed sheet
var sheetFiles embed.FS

const (
	// handCaution stands on paper, where people fill in what they measured.
	handCaution = "A probe says what its tip feels, and nothing about the piece beside it: check with a calibrated hand thermometer in the thickest part of the coldest piece."
	// legend says how to read a chart.
	legend = "Charts: the line is the probe that decides about the lot, a reading a minute and each at which something was said; hatched is time without a reading." +
		" Dashed lines are limits of the food code. A ring is a hand check; a letter is a mark, and stands beside it in the list. Under “bell” an alarm lasts from its bell to its end."
	// review is 21 CFR 117.165(a)(4) and 9 CFR 417.5(c), as of 2024.
	review = "Where they apply, 21 CFR 117.165(a)(4) asks for this review within 7 working days, and 9 CFR 417.5(c) before shipment, by somebody else than who made the record."
)

// HTML writes the record as one document that needs nothing else, for the screen and for paper: A4 or Letter.
func (r *Record) HTML(w io.Writer, zone *time.Location) error {
	t := words{newTimes(zone, r.From, r.To), r}
	s := sheet{heading: heading{Title: t.title()}, Caution: caution, Hand: handCaution, Missing: missing, Review: review, Notes: r.Doubts}
	from, to, local := t.at(r.From), t.at(r.To), zoneName(zone, r.From, r.To)
	s.Foot = fmt.Sprintf("%s, %s to %s, local time %s", s.Title, from, to, local)
	s.Facts = []fact{{"Site", orDash(r.Site)}, {"From", from}, {"To", to}, {"Local time", local}}
	if r.Code != "" {
		s.Facts = append(s.Facts, fact{"Food code", t.code()})
		s.Legend = legend
	}
	s.Facts = append(s.Facts, fact{"Ledger", t.source()}, fact{"Chain", t.links()})
	s.Chain = t.chain()
	for _, l := range r.Lots {
		if x := t.lotSheet(l); l.quiet() {
			s.Quiet = append(s.Quiet, x)
		} else {
			s.Lots = append(s.Lots, x)
		}
	}
	if len(r.Lots) == 0 {
		s.Notes = append(s.Notes, noLot)
	}
	s.Brief, s.Watch, s.Marks = rows(t.watch(), &t, nil)
	if r.whole {
		s.checks(r, zone)
	}
	return render(w, "record.html", s)
}

// heading is of every sheet.
type heading struct{ Title, Foot string }

// sheet is what the template of a record draws.
type sheet struct {
	heading
	Facts                                  []fact
	Notes                                  []string
	Lots, Quiet                            []lotSheet
	Brief, Watch, Marks                    []row
	CheckColumns                           []string
	Checks                                 [][]string
	WhichChecks, NoCheck                   string
	Legend, Missing, Caution, Hand, Review string
	Chain                                  string
}

type fact struct{ Name, Value string }

type lotSheet struct {
	Name, Verdict, Kind, Span string
	Chart                     *chart
	StayColumns               []string
	Stays                     [][]string
	OnAir                     string
	Brief                     []row // without a time
	Log, Marks                []row
	Deviated                  bool // somebody has to write down why
}

// row is an entry as paper has it.
type row struct{ Letter, Time, Head, Kind, What, Then, Signed string }

// rows are the entries of a list, apart from those of no moment, and from the marks that are no check or correction.
func rows(all []entry, t *words, letters map[*Mark]string) (brief, log, marks []row) {
	for i := range all {
		e := &all[i]
		x := row{Letter: letters[e.mark], Head: e.head, Kind: strings.ToLower(strings.ReplaceAll(e.head, " ", "-")), What: e.what + e.after, Then: e.then, Signed: e.signed}
		if e.at.IsZero() {
			brief = append(brief, x)
			continue
		}
		if x.Time = t.at(e.at); e.head == markHead() {
			marks = append(marks, x)
		} else {
			log = append(log, x)
		}
	}
	return brief, log, marks
}

func (t *words) lotSheet(l *Life) lotSheet {
	letters := l.lettered()
	verdict := l.Verdict()
	s := lotSheet{Name: l.named(), Verdict: strings.ToUpper(string(verdict)), Kind: string(verdict), Span: t.span(l),
		Chart: l.chart(t.r.setup, t.zone, t.r.To, letters), StayColumns: stayColumns[:]}
	all := l.stays()
	for i := range all {
		cells, star := t.stay(&all[i])
		if star != "" {
			s.OnAir = onAir
		}
		cells[len(cells)-1] += star
		s.Stays = append(s.Stays, cells[:])
	}
	parts := [][]entry{t.clocks(l), t.runs(l), t.verdicts(l), t.alarms(l.Alarms), t.marks(l)}
	if len(all) == 0 {
		parts = append([][]entry{t.moves(l)}, parts...)
	}
	for _, part := range parts {
		brief, log, marks := rows(part, t, letters)
		s.Brief, s.Log, s.Marks = append(s.Brief, brief...), append(s.Log, log...), append(s.Marks, marks...)
	}
	for i := range l.Verdicts {
		s.Deviated = s.Deviated || l.Verdicts[i].Verdict != rules.OK
	}
	return s
}

func (s *sheet) checks(r *Record, zone *time.Location) {
	s.WhichChecks, s.CheckColumns = whichChecks, checkColumns[:]
	if len(r.Calibrations) == 0 {
		s.NoCheck = noCalibration
	}
	for i := range r.Calibrations {
		cells := checkRow(&r.Calibrations[i], r.Units, zone)
		s.Checks = append(s.Checks, cells[:])
	}
}

// render writes a template of the sheet's files with its style within.
func render(w io.Writer, name string, data any) error {
	style, err := sheetFiles.ReadFile("sheet/sheet.css")
	if err != nil {
		return err
	}
	t, err := template.New("").Funcs(template.FuncMap{
		"style": func() template.CSS { return template.CSS(style) },
		"quote": quote,
		"add":   func(a, b float64) float64 { return tenth(a + b) },
		"next":  func(i int) int { return i + 1 },
	}).ParseFS(sheetFiles, "sheet/*.html")
	if err != nil {
		return err
	}
	return t.ExecuteTemplate(w, name, data)
}

// quote writes a text as a string of a style sheet; html/template refuses one with a colon.
func quote(s string) template.CSS {
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range s {
		if r == ' ' || r >= '0' && r <= '9' || r >= 'A' && r <= 'Z' || r >= 'a' && r <= 'z' {
			b.WriteRune(r)
		} else {
			fmt.Fprintf(&b, "\\%06x ", r)
		}
	}
	b.WriteByte('"')
	return template.CSS(b.String())
}
