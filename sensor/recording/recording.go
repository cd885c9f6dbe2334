// Package recording reads and writes sweeps as CSV: a header of probes with their units, then a row a
// sweep. A Recording is a Source like any other, so a replay runs through the same path as live probes.
package recording

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"
	"unicode/utf8"

	"holdbell/sensor"
)

// maxLine is the longest line that is read, in bytes: room for some thousands of probes, and a bound on
// what a file that is no recording at all can make of the memory.
const maxLine = 64 << 10

// Error is what is wrong with a recording: where, what, and the fix. Line and column count from 1; columns
// count characters. Column 0 means the whole line.
type Error struct {
	File         string
	Line, Column int
	What, Fix    string
}

// Error gives "file:line:column: what; fix".
func (e *Error) Error() string {
	if e.Column == 0 {
		return fmt.Sprintf("%s:%d: %s; %s", e.File, e.Line, e.What, e.Fix)
	}
	return fmt.Sprintf("%s:%d:%d: %s; %s", e.File, e.Line, e.Column, e.What, e.Fix)
}

// column is one column of the file: the probe it belongs to, and its unit.
type column struct {
	name       string
	fahrenheit bool
	into       int // index in the sweep; -1 for a probe that nobody asked for
}

// Recording is a CSV recording as a sensor.Source.
type Recording struct {
	file     string
	in       *bufio.Reader
	line     int
	columns  []column
	clock    clock
	readings []sensor.Reading
	first    sensor.Sweep // read by Open, handed out by the first Next
	started  bool
	err      error // what ended the recording
}

// Open reads the header and the first row of a recording; name is what errors call the file. The sweeps
// hold the given probes in that order, or with nil probes all columns in the file's order. A probe without
// a column is an error; a column without a probe is left out and listed by Extra. Errors are *Error, but
// for those of r itself.
func Open(r io.Reader, name string, probes []string) (*Recording, error) {
	rec := &Recording{file: name, in: bufio.NewReaderSize(r, maxLine)}
	if err := rec.header(probes); err != nil {
		return nil, err
	}
	sweep, err := rec.row()
	if errors.Is(err, io.EOF) {
		return nil, &Error{name, rec.line, 0, "the recording has a header and no row", "record at least one sweep"}
	}
	if err != nil {
		return nil, err
	}
	rec.first = sweep
	return rec, nil
}

// Next gives the next row, io.EOF after the last, and at a bad row an *Error, the same on every further
// call. The readings are valid until the following call.
func (r *Recording) Next(ctx context.Context) (sensor.Sweep, error) {
	if err := ctx.Err(); err != nil {
		return sensor.Sweep{}, err
	}
	if r.err != nil {
		return sensor.Sweep{}, r.err
	}
	if !r.started {
		r.started = true
		return r.first, nil
	}
	sweep, err := r.row()
	if err != nil {
		r.err = err
		return sensor.Sweep{}, err
	}
	return sweep, nil
}

// Probes lists the probes of a sweep, in order.
func (r *Recording) Probes() []string {
	names := make([]string, len(r.readings))
	for _, c := range r.columns {
		if c.into >= 0 {
			names[c.into] = c.name
		}
	}
	return names
}

// Extra lists the file's columns that belong to no probe asked for.
func (r *Recording) Extra() []string {
	var names []string
	for _, c := range r.columns {
		if c.into < 0 {
			names = append(names, c.name)
		}
	}
	return names
}

// Relative reports whether times are seconds rather than RFC 3339. Wall then counts from the Unix epoch.
func (r *Recording) Relative() bool { return r.clock.relative }

// Start is the instant of the first row.
func (r *Recording) Start() sensor.Instant { return r.clock.start }

// next gives the next line that is neither blank nor a remark, which begins with '#', without its end. It is valid until the following call.
func (r *Recording) next() ([]byte, error) {
	for {
		line, err := r.in.ReadSlice('\n')
		if errors.Is(err, bufio.ErrBufferFull) {
			r.line++
			return nil, &Error{r.file, r.line, 0, fmt.Sprintf("the line is longer than %d bytes", maxLine),
				"see whether this is a recording at all: one row is one sweep, ended by a line break"}
		}
		if err != nil && !errors.Is(err, io.EOF) {
			return nil, fmt.Errorf("%s:%d: cannot be read further: %w", r.file, r.line+1, err)
		}
		if len(line) == 0 {
			return nil, io.EOF
		}
		r.line++
		line = bytes.TrimSuffix(bytes.TrimSuffix(line, []byte("\n")), []byte("\r"))
		if len(line) > 0 && line[0] != '#' {
			return line, nil
		}
	}
}

const headerFix = "begin the file with time,PROBE [C],PROBE [F],… : one column a probe, its unit in brackets"

func (r *Recording) header(probes []string) error {
	line, err := r.next()
	if errors.Is(err, io.EOF) {
		return &Error{r.file, 1, 0, "the file is empty", headerFix}
	}
	if err != nil {
		return err
	}
	fail := func(at int, what, fix string) error {
		return &Error{r.file, r.line, utf8.RuneCount(line[:at]) + 1, what, fix}
	}
	switch {
	case bytes.HasPrefix(line, []byte{0xff, 0xfe}), bytes.HasPrefix(line, []byte{0xfe, 0xff}):
		return fail(0, "the file is UTF-16", "save it as UTF-8")
	case !utf8.Valid(line) || bytes.IndexByte(line, 0) >= 0:
		return fail(0, "the header is no UTF-8 text", headerFix)
	}
	line = bytes.TrimPrefix(line, []byte("\ufeff"))
	cells, at := strings.Split(string(line), ","), 0
	for i, cell := range cells {
		text := unquote(cell)
		if i == 0 {
			if text != "time" {
				fix := headerFix
				if strings.Contains(text, ";") {
					fix = "separate the columns by commas, and write numbers with a point"
				}
				return fail(at, fmt.Sprintf("the first column is called %q, not time", clip(text)), fix)
			}
			at += len(cell) + 1
			continue
		}
		c, what, fix := parseColumn(text)
		if what == "" {
			for _, other := range r.columns {
				if other.name == c.name {
					what, fix = fmt.Sprintf("two columns are called %s", c.name), "give each probe one column and a name of its own"
				}
			}
		}
		if what != "" {
			return fail(at, what, fix)
		}
		r.columns = append(r.columns, c)
		at += len(cell) + 1
	}
	if len(r.columns) == 0 {
		return fail(0, "the header names no probe", headerFix)
	}
	return r.assign(probes)
}

// assign ties the columns to the probes that are asked for.
func (r *Recording) assign(probes []string) error {
	if probes == nil {
		for i := range r.columns {
			r.columns[i].into = i
		}
		r.readings = make([]sensor.Reading, len(r.columns))
		return nil
	}
	var missing []string
	for i, name := range probes {
		found := false
		for j := range r.columns {
			if r.columns[j].name == name {
				r.columns[j].into, found = i, true
			}
		}
		if !found {
			missing = append(missing, name)
		}
	}
	if len(missing) > 0 {
		have := make([]string, len(r.columns))
		for i, c := range r.columns {
			have[i] = c.name
		}
		return &Error{r.file, r.line, 0, "there is no column for the probe " + strings.Join(missing, ", "),
			fmt.Sprintf("add it, or name the configuration's probes as the recording does: %s", clip(strings.Join(have, ", ")))}
	}
	r.readings = make([]sensor.Reading, len(probes))
	return nil
}

// parseColumn reads one column's heading, such as "warmer-core [C]".
func parseColumn(text string) (c column, what, fix string) {
	name, unit, found := strings.Cut(text, "[")
	name = strings.TrimSpace(name)
	unit = strings.TrimSpace(unit)
	switch {
	case text == "":
		return c, "a column has no heading", "write the probe's name and its unit, or take the column out"
	case name == "":
		return c, fmt.Sprintf("the column %q names no probe", clip(text)), "write the probe's name before the unit"
	case !found:
		return c, fmt.Sprintf("the column %q has no unit", clip(text)), fmt.Sprintf("write %s [C] or %s [F]", clip(name), clip(name))
	case unit != "C]" && unit != "F]":
		return c, fmt.Sprintf("the unit of the column %q is neither C nor F", clip(text)), fmt.Sprintf("write %s [C] or %s [F]", clip(name), clip(name))
	case !plainName(name):
		return c, fmt.Sprintf("%q is no probe's name", clip(name)), "use up to 64 of the letters A to Z and a to z, digits, '.', '_' and '-'"
	}
	return column{name: name, fahrenheit: unit == "F]", into: -1}, "", ""
}

func plainName(s string) bool {
	return s != "" && len(s) <= 64 && strings.Trim(s, "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789._-") == ""
}

// row reads one sweep.
func (r *Recording) row() (sensor.Sweep, error) {
	line, err := r.next()
	if err != nil {
		return sensor.Sweep{}, err
	}
	end := bytes.IndexByte(line, ',')
	if end < 0 {
		end = len(line)
	}
	at, what, fix := r.clock.read(line[:end])
	if what != "" {
		return sensor.Sweep{}, r.fail(line, 0, what, fix)
	}
	pos := end + 1
	for i := range r.columns {
		c := &r.columns[i]
		if pos > len(line) {
			return sensor.Sweep{}, r.count(line)
		}
		reading, n, what, fix := read(line[pos:], c.fahrenheit)
		if what != "" {
			return sensor.Sweep{}, r.fail(line, pos, c.name+": "+what, fix)
		}
		if c.into >= 0 {
			r.readings[c.into] = reading
		}
		pos += n + 1
	}
	if pos <= len(line) {
		return sensor.Sweep{}, r.count(line)
	}
	return sensor.Sweep{At: at, Readings: r.readings}, nil
}

func (r *Recording) fail(line []byte, at int, what, fix string) error {
	return &Error{r.file, r.line, utf8.RuneCount(line[:at]) + 1, what, fix}
}

func (r *Recording) count(line []byte) error {
	return &Error{r.file, r.line, 0,
		fmt.Sprintf("the header has %d columns and the row %d", len(r.columns)+1, bytes.Count(line, []byte(","))+1),
		"give every column a cell, and leave it empty where there is no reading"}
}

// unquote takes spaces and a pair of double quotes from around a cell.
func unquote(s string) string {
	s = strings.TrimSpace(s)
	if len(s) >= 2 && s[0] == '"' && s[len(s)-1] == '"' {
		return strings.TrimSpace(s[1 : len(s)-1])
	}
	return s
}

// clip keeps what an error quotes short.
func clip(s string) string {
	const most = 200
	s = strings.ToValidUTF8(s, "?")
	if utf8.RuneCountInString(s) > most {
		return string([]rune(s)[:most]) + "…"
	}
	return s
}

// longest is the longest that a recording may last; a Duration holds it many times over.
const longest = 100 * 365 * 24 * time.Hour
