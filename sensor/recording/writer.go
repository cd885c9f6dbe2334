package recording

import (
	"bufio"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"holdbell/sensor"
)

// Writer writes sweeps as a recording that Open reads back exactly.
type Writer struct {
	out      *bufio.Writer
	probes   []string
	relative bool
	started  bool
	last     time.Duration
	row      []byte
}

// NewWriter writes the header for the given probes, all in Celsius. With relative set, times are the sweeps'
// Mono in seconds, else their Wall in RFC 3339.
func NewWriter(w io.Writer, probes []string, relative bool) (*Writer, error) {
	out := &Writer{out: bufio.NewWriterSize(w, maxLine), probes: probes, relative: relative}
	out.row = append(out.row, "time"...)
	for i, name := range probes {
		if !plainName(name) {
			return nil, fmt.Errorf("recording: %q is no probe's name; use up to 64 of the letters A to Z and a to z, digits, '.', '_' and '-'", name)
		}
		for _, other := range probes[:i] {
			if other == name {
				return nil, fmt.Errorf("recording: two probes are called %s; a recording tells its columns by name", name)
			}
		}
		out.row = append(out.row, ',')
		out.row = append(out.row, name...)
		out.row = append(out.row, " [C]"...)
	}
	if len(probes) == 0 {
		return nil, fmt.Errorf("recording: there is no probe to record")
	}
	return out, out.end()
}

// Write adds one sweep. A sweep that is not later than the one before, or that holds what a recording cannot,
// is an error, and nothing of it is written.
func (w *Writer) Write(s sensor.Sweep) error {
	if len(s.Readings) != len(w.probes) {
		return fmt.Errorf("recording: a sweep of %d readings for %d probes", len(s.Readings), len(w.probes))
	}
	w.row = w.row[:0]
	var at time.Duration
	if w.relative {
		at = s.At.Mono
		if at < 0 || at > longest {
			return fmt.Errorf("recording: %v is no time since the start", at)
		}
		w.row = appendDecimal(w.row, int64(at), 9)
	} else {
		wall := s.At.Wall.UTC()
		if wall.Unix() < 0 || wall.Year() > 2200 {
			return fmt.Errorf("recording: %v is no date to record", wall)
		}
		at = time.Duration(wall.UnixNano())
		w.row = wall.AppendFormat(w.row, time.RFC3339Nano)
	}
	if w.started && at <= w.last {
		return fmt.Errorf("recording: the sweep at %s does not come after the one before", w.row)
	}
	for _, r := range s.Readings {
		w.row = append(w.row, ',')
		switch {
		case r.Fault == sensor.None:
			w.row = appendDecimal(w.row, int64(r.Temp), 3)
		case r.Fault < sensor.Spike:
			w.row = append(w.row, r.Fault.String()...)
		default:
			return fmt.Errorf("recording: %q is no word of a recording, which holds readings as the probes gave them", r.Fault)
		}
	}
	w.started, w.last = true, at
	return w.end()
}

// Remark adds a line for people, which Open passes over.
func (w *Writer) Remark(text string) error {
	w.row = append(append(w.row[:0], "# "...), strings.ReplaceAll(text, "\n", " ")...)
	return w.end()
}

// Flush hands on what is buffered.
func (w *Writer) Flush() error { return w.out.Flush() }

func (w *Writer) end() error {
	if len(w.row) >= maxLine-1 {
		return fmt.Errorf("recording: %d probes do not fit in a line of %d bytes", len(w.probes), maxLine)
	}
	w.row = append(w.row, '\n')
	_, err := w.out.Write(w.row)
	return err
}

// appendDecimal writes v as a number with so many decimals, without trailing zeros.
func appendDecimal(b []byte, v int64, decimals int) []byte {
	if v < 0 {
		b = append(b, '-')
		v = -v
	}
	unit := int64(1)
	for range decimals {
		unit *= 10
	}
	b = strconv.AppendInt(b, v/unit, 10)
	if v %= unit; v == 0 {
		return b
	}
	b = append(b, '.')
	for v > 0 {
		unit /= 10
		b = append(b, byte('0'+v/unit))
		v %= unit
	}
	return b
}
