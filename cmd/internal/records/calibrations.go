package records

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"holdbell/publish/ledger"
	"holdbell/rules"
)

// Calibrations writes every recorded check of every probe against a known temperature: by probe, oldest first, so
// that a column shows how its error has drifted over the years.
func Calibrations(ctx context.Context, w io.Writer, l *ledger.Ledger, u rules.Units, zone *time.Location) error {
	marks, err := l.MarksOf(ctx, rules.MarkCalibrate)
	if err != nil {
		return err
	}
	checks := checksOf(marks)
	if len(checks) == 0 {
		_, err := fmt.Fprintln(w, noCalibration)
		return err
	}
	slices.SortStableFunc(checks, func(a, b rules.Mark) int { return cmp.Compare(a.Probe, b.Probe) })
	return table(w, checks, u, zone)
}

const noCalibration = "No probe was calibrated in this record: holdbell calibrate PROBE --ice."

// checksOf leaves the marks that are whole.
func checksOf(marks []rules.Mark) []rules.Mark {
	return slices.DeleteFunc(marks, func(m rules.Mark) bool { return m.True == nil || m.Read == nil })
}

// whichChecks says which calibrations a record of a span tells.
const whichChecks = "those in the span, and each probe's last before it"

// checkColumns are the columns of a check.
var checkColumns = [...]string{"probe", "day", "against", "true", "read", "error", "result", "by"}

// checkRow is a row under checkColumns.
func checkRow(m *rules.Mark, u rules.Units, zone *time.Location) [len(checkColumns)]string {
	off, result := *m.Read-*m.True, "passes"
	if limit := rules.CalibrationTolerance(u); off > limit || off < -limit {
		result = "FAILS"
	}
	sign := "+"
	if off < 0 {
		sign = "-"
	}
	by := m.By
	if by == "" {
		by = "unsigned"
	}
	return [...]string{m.Probe, m.At.Wall.In(zone).Format("2006-01-02"), string(m.Ref), u.Format(*m.True), u.Format(*m.Read),
		sign + u.Difference(max(off, -off)), result, by}
}

// table writes a check a row.
func table(w io.Writer, checks []rules.Mark, u rules.Units, zone *time.Location) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, strings.Join(checkColumns[:], "\t"))
	for i := range checks {
		row := checkRow(&checks[i], u, zone)
		fmt.Fprintln(t, strings.Join(row[:], "\t"))
	}
	return t.Flush()
}

// calibrations are the checks that a record of a span names: those within it, and of each probe the last one before,
// by which it was to be trusted; by probe, oldest first.
func (r *Record) calibrations(ctx context.Context, l *ledger.Ledger) error {
	marks, err := l.MarksOf(ctx, rules.MarkCalibrate)
	if err != nil {
		return err
	}
	last := map[string]int{}
	for _, m := range checksOf(marks) {
		switch at, known := last[m.Probe]; {
		case m.At.Wall.After(r.To):
			continue
		case known && m.At.Wall.Before(r.From):
			r.Calibrations[at] = m
		default:
			last[m.Probe] = len(r.Calibrations)
			r.Calibrations = append(r.Calibrations, m)
		}
	}
	slices.SortStableFunc(r.Calibrations, func(a, b rules.Mark) int { return cmp.Compare(a.Probe, b.Probe) })
	return nil
}
