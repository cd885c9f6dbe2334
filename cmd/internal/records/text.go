package records

import (
	"fmt"
	"io"
	"strings"
	"time"
)

// Text writes the record for people and inspectors, for a terminal of 80 characters.
func (r *Record) Text(w io.Writer, zone *time.Location) error {
	p := newPage(w, zone, r.From, r.To)
	t := text{page: p, words: words{p.times, r}}
	t.head()
	for _, l := range r.Lots {
		p.blank()
		t.lot(l)
	}
	if len(r.Lots) == 0 {
		p.blank()
		p.line(0, "", noLot)
	}
	p.blank()
	p.line(0, "", "THE WATCH")
	t.entries(t.words.watch())
	if err := t.calibrations(); err != nil {
		return err
	}
	t.foot()
	return p.flush()
}

type text struct {
	page  *page
	words words
}

func (t *text) head() {
	p, r := t.page, t.words.r
	p.line(0, "", t.words.title())
	p.linef(0, "", "%s to %s, local time %s", p.at(r.From), p.at(r.To), zoneName(p.zone, r.From, r.To))
	if r.Code != "" {
		p.line(0, "", "Food code: "+t.words.code())
	}
	p.line(0, "", "Ledger "+t.words.source())
	for _, d := range r.Doubts {
		p.line(0, "Note: ", d)
	}
}

const indent = 2

// label pads a heading of a lot's line.
func label(s string) string { return fmt.Sprintf("%-13s", s) }

func (t *text) entries(all []entry) {
	for i := range all {
		e := &all[i]
		s := e.what
		if !e.at.IsZero() {
			s = t.page.at(e.at) + "  " + s
		}
		if e.signed != "" {
			s += ", " + e.signed
		}
		t.page.line(indent, label(e.head), s+e.after)
		if e.then != "" {
			t.page.line(indent, label(""), e.then)
		}
	}
}

func (t *text) lot(l *Life) {
	t.page.linef(0, "", "LOT %s: %s", l.named(), strings.ToUpper(string(l.Verdict())))
	t.page.line(indent, label("Watched"), t.words.span(l))
	t.stays(l)
	for _, all := range [][]entry{t.words.clocks(l), t.words.runs(l), t.words.verdicts(l), t.words.alarms(l.Alarms), t.words.marks(l)} {
		t.entries(all)
	}
}

// stays writes where the lot was: with the rules' figures, else as recorded.
func (t *text) stays(l *Life) {
	all := l.stays()
	if len(all) == 0 {
		t.entries(t.words.moves(l))
		return
	}
	row := func(c [len(stayColumns)]string, star string) {
		t.page.write(fmt.Sprintf("  %-16s  %-12s  %-13s  %10s  %6s  %7s%s", c[0], c[1], c[2], c[3], c[4], c[5], star))
	}
	row(stayColumns, "")
	stars := ""
	for i := range all {
		cells, star := t.words.stay(&all[i])
		row(cells, star)
		stars += star
	}
	if stars != "" {
		t.page.line(indent, "", onAir)
	}
}

// calibrations writes how far the probes could be trusted.
func (t *text) calibrations() error {
	p, r := t.page, t.words.r
	if !r.whole {
		return nil
	}
	p.blank()
	p.line(0, "", "CALIBRATIONS: "+whichChecks)
	if len(r.Calibrations) == 0 {
		p.line(indent, "", noCalibration)
		return nil
	}
	var rows strings.Builder
	if err := table(&rows, r.Calibrations, r.Units, p.zone); err != nil {
		return err
	}
	for row := range strings.Lines(rows.String()) {
		p.write(strings.Repeat(" ", indent) + strings.TrimRight(row, " \n"))
	}
	return nil
}

func (t *text) foot() {
	p := t.page
	p.blank()
	p.line(0, "", missing)
	p.line(0, "", caution)
	if s := t.words.chain(); s != "" {
		p.line(0, "", s)
	}
	p.blank()
	p.line(0, "", "Reviewed by ______________________________  on ____________________")
}
