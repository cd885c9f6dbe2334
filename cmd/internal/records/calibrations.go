package records

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"slices"
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
	marks = slices.DeleteFunc(marks, func(m rules.Mark) bool { return m.True == nil || m.Read == nil })
	if len(marks) == 0 {
		_, err := fmt.Fprintln(w, "No probe was calibrated in this record: holdbell calibrate PROBE --ice.")
		return err
	}
	slices.SortStableFunc(marks, func(a, b rules.Mark) int { return cmp.Compare(a.Probe, b.Probe) })
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "probe\tday\tagainst\ttrue\tread\terror\tresult\tby")
	for i := range marks {
		m := &marks[i]
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
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s%s\t%s\t%s\n", m.Probe, m.At.Wall.In(zone).Format("2006-01-02"), m.Ref,
			u.Format(*m.True), u.Format(*m.Read), sign, u.Difference(max(off, -off)), result, by)
	}
	return t.Flush()
}
