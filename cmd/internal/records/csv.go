package records

import (
	"encoding/csv"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"holdbell/rules"
	"holdbell/sensor"
)

// columns are one entry's fields: what 21 CFR 117.305 and 9 CFR 417.5 ask of an entry, as far as a ledger
// holds it. The fields that it never holds (cause, prevention, reviewer) have no column that would stand
// empty as if somebody had looked.
var columns = []string{"ledger", "seq", "kind", "what", "facility", "station", "probe", "lot", "food", "time", "since",
	"value_celsius", "verdict", "alarm", "priority", "section", "observer", "source", "mark", "note", "text"}

// CSV writes an entry a row, in the order in which they were recorded. Times are in the zone with its offset,
// temperatures in °C. A cell that a spreadsheet would take for a formula begins with an apostrophe.
func (r *Record) CSV(w io.Writer, zone *time.Location) error {
	out := csv.NewWriter(w)
	if err := out.Write(columns); err != nil {
		return err
	}
	answers := map[uint64]*Mark{}
	foods := map[string]string{}
	for _, l := range r.Lots {
		for _, m := range l.Marks {
			answers[m.Seq] = m
		}
		foods[l.Lot] = l.Food
	}
	for _, m := range r.Marks {
		answers[m.Seq] = m
	}
	for i := range r.Events {
		ev := &r.Events[i]
		m := answers[ev.Seq]
		row := map[string]string{"ledger": r.Ledger, "seq": strconv.FormatUint(ev.Seq, 10), "what": string(ev.Kind), "kind": kindOf(ev, m),
			"facility": r.Site, "station": ev.Station, "probe": ev.Probe, "lot": ev.Lot, "food": foods[ev.Lot],
			"time": moment(ev.At, zone), "since": moment(ev.Since, zone), "verdict": string(ev.Verdict), "alarm": string(ev.Alarm),
			"priority": string(ev.Priority), "section": ev.Basis, "observer": ev.By, "source": "daemon", "mark": ev.Mark, "text": ev.Text}
		if ev.Temp != nil {
			row["value_celsius"] = strconv.FormatFloat(ev.Temp.Celsius(), 'f', -1, 64)
		}
		if ev.Kind == rules.MarkTaken || ev.Kind == rules.MarkRefused {
			row["source"] = "person"
			if ev.By == "" {
				row["observer"] = "unsigned"
			}
		}
		if m != nil {
			row["what"], row["note"] = string(m.Kind), m.Note
			if m.Kind == rules.MarkCalibrate && m.Read != nil {
				row["probe"], row["value_celsius"] = m.Probe, strconv.FormatFloat(m.Read.Celsius(), 'f', -1, 64)
			}
			if m.Refused {
				row["what"] += " (refused)"
			}
		}
		if ev.Unrecorded {
			row["source"] += ", told before it was recorded"
		}
		cells := make([]string, len(columns))
		for i, c := range columns {
			cells[i] = harmless(row[c])
		}
		if err := out.Write(cells); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}

// kindOf sorts an entry by what an inspector looks for.
func kindOf(ev *rules.Event, m *Mark) string {
	switch {
	case m == nil || m.Kind == "":
	case m.Kind == rules.MarkCheck, m.Kind == rules.MarkCalibrate:
		return "verification"
	case slices.Contains([]rules.MarkKind{rules.MarkCorrective, rules.MarkDiscard}, m.Kind):
		return "corrective"
	case m.Kind == rules.MarkAcknowledge:
		return "corrective"
	}
	return "monitor"
}

func moment(at sensor.Instant, zone *time.Location) string {
	if at.Wall.IsZero() {
		return ""
	}
	s := at.Wall.In(zone).Format("2006-01-02T15:04:05Z07:00")
	if !at.Believed {
		s += " (clock not set)"
	}
	return s
}

// harmless keeps a spreadsheet from running what a person wrote.
func harmless(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t", rune(s[0])) {
		return "'" + s
	}
	return s
}

// Formats are what Write takes.
func Formats() []string { return []string{"text", "csv", "html"} }

// Write writes the record in one of Formats.
func (r *Record) Write(w io.Writer, format string, zone *time.Location) error {
	switch format {
	case "text":
		return r.Text(w, zone)
	case "csv":
		return r.CSV(w, zone)
	case "html":
		return r.HTML(w, zone)
	}
	return fmt.Errorf("%q is no format; write one of: %s", format, strings.Join(Formats(), ", "))
}
