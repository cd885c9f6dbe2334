package records

import (
	"bufio"
	"fmt"
	"io"
	"strings"
	"time"
	"unicode/utf8"
)

// width is a terminal's, in characters.
const width = 80

// page writes lines for people, broken to the width. The first error stops it.
type page struct {
	times
	out   *bufio.Writer
	width int
	err   error
}

func newPage(w io.Writer, zone *time.Location, from, to time.Time) *page {
	return &page{times: newTimes(zone, from, to), out: bufio.NewWriter(w), width: width}
}

// flush gives the first error.
func (p *page) flush() error {
	if err := p.out.Flush(); p.err == nil {
		p.err = err
	}
	return p.err
}

// line writes a text under a label, broken at spaces; what follows the first line stands under the text.
func (p *page) line(indent int, label, text string) {
	lead := strings.Repeat(" ", indent) + label
	for _, part := range Wrap(text, p.width-utf8.RuneCountInString(lead)) {
		p.write(strings.TrimRight(lead+part, " "))
		lead = strings.Repeat(" ", utf8.RuneCountInString(lead))
	}
}

func (p *page) linef(indent int, label, format string, args ...any) {
	p.line(indent, label, fmt.Sprintf(format, args...))
}

func (p *page) write(s string) {
	if p.err == nil {
		_, p.err = p.out.WriteString(s + "\n")
	}
}

func (p *page) blank() { p.write("") }

// Wrap breaks a text at spaces into lines of at most n characters; a longer word has its own line. A line
// that the text ends itself stays ended.
func Wrap(s string, n int) []string {
	var lines []string
	for part := range strings.SplitSeq(s, "\n") {
		lines = append(lines, wrapLine(part, n)...)
	}
	return lines
}

func wrapLine(s string, n int) []string {
	var lines []string
	line := ""
	for word := range strings.FieldsSeq(s) {
		switch {
		case line == "":
			line = word
		case utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) <= n:
			line += " " + word
		default:
			lines = append(lines, line)
			line = word
		}
	}
	return append(lines, line)
}

// times writes moments in the person's zone.
type times struct {
	zone *time.Location
	// full is set where the zone's offset changes within the record: each time then carries its own.
	full bool
}

func newTimes(zone *time.Location, from, to time.Time) times {
	_, a := from.In(zone).Zone()
	_, b := to.In(zone).Zone()
	return times{zone: zone, full: a != b}
}

// at writes a moment; zero is "-".
func (p times) at(t time.Time) string {
	if t.IsZero() {
		return "-"
	}
	if p.full {
		return t.In(p.zone).Format("2006-01-02 15:04 -07:00")
	}
	return t.In(p.zone).Format("2006-01-02 15:04")
}

// zoneName says which zone that is, with its offset from UTC.
func zoneName(zone *time.Location, from, to time.Time) string {
	a, b := from.In(zone), to.In(zone)
	if one, two := a.Format("MST (-07:00)"), b.Format("MST (-07:00)"); one != two {
		return one + " and " + two
	}
	return a.Format("MST (-07:00)")
}
