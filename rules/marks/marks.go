// Package marks reads a file of marks: what people did, as a CSV beside a recording.
package marks

import (
	"bufio"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// The most that is read of a file of marks, in bytes and in marks: more than a year of one every five minutes. It
// bounds what a file that is no marks at all, or far too many, can make of the memory.
const (
	maxFile  = 16 << 20
	maxMarks = 150_000
)

// maxRow is the longest row that is read, in bytes: a note of a thousand, with room for every quote and name. A
// file that opens a quote and never closes it ends there.
const maxRow = 16 << 10

// Error is what is wrong with a file of marks: where, what, and the fix. Line and column count from 1;
// columns count bytes, as in the CSV reader.
type Error struct {
	File         string
	Line, Column int
	What, Fix    string
}

// Error gives "file:line:column: what; fix".
func (e *Error) Error() string {
	return fmt.Sprintf("%s:%d:%d: %s; %s", e.File, e.Line, e.Column, e.What, e.Fix)
}

const headerFix = "begin the file with time,lot,mark,station,note and, if wanted, by and id"

// fields are the columns that a file may have, the first five of them must.
var fields = [...]string{"time", "lot", "mark", "station", "note", "by", "id"}

const needed = 5

// Read reads marks as CSV (RFC 4180) with the header time,lot,mark,station,note[,by,id]. name is what errors
// call the file. Times take the form of the recording that the marks belong to: RFC 3339, or with relative
// set, seconds as the recording counts them; start is the recording's first instant. Rows stand in order of
// time; rows of the same moment keep their order. A repeated id is the rules' to ignore. The error is an
// *Error, but for those of r itself; nothing is returned beside it.
func Read(r io.Reader, name string, relative bool, start sensor.Instant) ([]rules.Mark, error) {
	in := &reader{file: name, relative: relative, start: start}
	limited := &io.LimitedReader{R: r, N: maxFile + 1}
	text := bufio.NewReader(limited)
	if lead, err := text.Peek(3); err == nil && string(lead) == "\ufeff" {
		if _, err := text.Discard(3); err != nil {
			return nil, err
		}
	}
	in.text = text
	in.csv = csv.NewReader(in)
	in.csv.FieldsPerRecord = -1
	marks, err := in.all()
	if limited.N == 0 {
		return nil, &Error{name, 1, 1, fmt.Sprintf("the file is larger than %d MB", maxFile>>20), "see whether it is a file of marks at all, or split it"}
	}
	if err != nil {
		return nil, err
	}
	return marks, nil
}

type reader struct {
	file     string
	text     io.Reader
	given    int64 // bytes of text that the CSV reader has taken
	done     int64 // up to the end of the last whole row
	line     int   // on which that ended
	csv      *csv.Reader
	relative bool
	start    sensor.Instant
	columns  []string // what stands in each column
}

// errLong is what the CSV reader is told in the middle of a row that is too long: by itself it would gather it whole.
var errLong = errors.New("a row is too long")

// Read gives the CSV reader what it parses.
func (r *reader) Read(p []byte) (int, error) {
	if r.given-r.done > maxRow {
		return 0, errLong
	}
	n, err := r.text.Read(p)
	r.given += int64(n)
	return n, err
}

// next gives the next row.
func (r *reader) next() ([]string, error) {
	row, err := r.csv.Read()
	if err == nil {
		r.done = r.csv.InputOffset()
		r.line, _ = r.csv.FieldPos(len(row) - 1)
	}
	return row, err
}

func (r *reader) all() ([]rules.Mark, error) {
	if err := r.header(); err != nil {
		return nil, err
	}
	var marks []rules.Mark
	for {
		row, err := r.next()
		if errors.Is(err, io.EOF) {
			return marks, nil
		}
		if err != nil {
			return nil, r.syntax(err)
		}
		m, err := r.mark(row)
		if err != nil {
			return nil, err
		}
		if n := len(marks); n > 0 && m.At.Mono < marks[n-1].At.Mono {
			return nil, r.fail(r.column("time"), "the mark comes before the one in the row above", "put the rows in order of time")
		}
		if len(marks) == maxMarks {
			return nil, r.fail(0, fmt.Sprintf("the file holds more than %d marks", maxMarks), "split it by time, and replay each part")
		}
		marks = append(marks, m)
	}
}

// fail places an error at a cell of the row just read.
func (r *reader) fail(cell int, what, fix string) *Error {
	line, column := r.csv.FieldPos(cell)
	return &Error{r.file, line, column, what, fix}
}

// syntax turns an error of the CSV reader into one with the fix.
func (r *reader) syntax(err error) error {
	if errors.Is(err, errLong) {
		return &Error{r.file, r.line + 1, 1, fmt.Sprintf("the row is longer than %d bytes", maxRow),
			"close every quoted cell, and see whether it is a file of marks at all"}
	}
	var at *csv.ParseError
	if !errors.As(err, &at) {
		return fmt.Errorf("%s: cannot be read: %w", r.file, err)
	}
	fix := "close every quoted cell, and write a double quote inside one as two"
	if errors.Is(at.Err, csv.ErrBareQuote) {
		fix = "put the whole cell in double quotes, and write a double quote inside it as two"
	}
	return &Error{r.file, at.Line, at.Column, "a double quote stands where none can", fix}
}

func (r *reader) header() error {
	row, err := r.next()
	if errors.Is(err, io.EOF) {
		return &Error{r.file, 1, 1, "the file is empty", headerFix}
	}
	if err != nil {
		return r.syntax(err)
	}
	for i, cell := range row {
		cell = strings.TrimSpace(cell)
		switch {
		case !slices.Contains(fields[:], cell):
			return r.fail(i, fmt.Sprintf("the header has an unknown column %s", quote(cell)), headerFix)
		case slices.Contains(r.columns, cell):
			return r.fail(i, fmt.Sprintf("the header has the column %s twice", cell), headerFix)
		}
		r.columns = append(r.columns, cell)
	}
	for _, f := range fields[:needed] {
		if !slices.Contains(r.columns, f) {
			return r.fail(0, fmt.Sprintf("the header has no column %s", f), headerFix)
		}
	}
	return nil
}

func (r *reader) column(field string) int { return max(slices.Index(r.columns, field), 0) }

func (r *reader) mark(row []string) (rules.Mark, error) {
	if len(row) != len(r.columns) {
		return rules.Mark{}, r.fail(0, fmt.Sprintf("the header has %d columns and the row %d", len(r.columns), len(row)),
			"give every column a cell, and put a note with a comma in double quotes")
	}
	f := rules.MarkFields{}
	if r.relative {
		f.Start = time.Unix(0, 0).UTC()
	}
	var when string
	for i, cell := range row {
		cell = strings.TrimSpace(cell)
		switch r.columns[i] {
		case "time":
			when = cell
		case "lot":
			f.Lot = cell
		case "mark":
			f.Mark = cell
		case "station":
			f.Station = cell
		case "note":
			f.Note = cell
		case "by":
			f.By = cell
		case "id":
			f.ID = cell
		}
	}
	at, what, fix := r.instant(when)
	if what != "" {
		return rules.Mark{}, r.fail(r.column("time"), what, fix)
	}
	m, err := rules.ParseMark(f)
	var wrong *rules.MarkError
	if errors.As(err, &wrong) {
		return rules.Mark{}, r.fail(r.column(wrong.Field), wrong.What, wrong.Fix)
	}
	if err != nil {
		return rules.Mark{}, err
	}
	m.At = at
	return m, nil
}

// instant reads a mark's time on the recording's clock.
func (r *reader) instant(s string) (at sensor.Instant, what, fix string) {
	const most = 100 * 365 * 24 * time.Hour
	at = r.start
	if r.relative {
		const fix = "write seconds as the recording does, such as 90.5"
		v, err := strconv.ParseFloat(s, 64)
		if err != nil || strings.Trim(s, ".0123456789") != "" {
			return at, fmt.Sprintf("%s is no time in seconds", quote(s)), fix
		}
		if v > most.Seconds() {
			return at, fmt.Sprintf("%s seconds are more than a hundred years", quote(s)), fix
		}
		// Microseconds, so that a decimal fraction lands on the row that it names.
		return at.Add(time.Duration(v*1e6+0.5)*time.Microsecond - r.start.Mono), "", ""
	}
	const form = "write date, time and zone as the recording does, such as 2026-03-01T18:30:00Z"
	t, err := time.Parse(time.RFC3339Nano, s)
	if err != nil {
		return at, fmt.Sprintf("%s is no time", quote(s)), form
	}
	if d := t.Sub(r.start.Wall); d > most || d < -most {
		return at, fmt.Sprintf("%s lies more than a hundred years from the recording", quote(s)), form
	}
	return at.Add(t.Sub(r.start.Wall)), "", ""
}

// quote shows a cell in an error, short and harmless.
func quote(s string) string {
	const most = 64
	if r := []rune(s); len(r) > most {
		s = string(r[:most]) + "…"
	}
	return strconv.Quote(s)
}
