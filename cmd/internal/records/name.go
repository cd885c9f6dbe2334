package records

import (
	"fmt"
	"strings"
	"time"
)

// Name is a lot as a person asks for it: its name, and the day on which it began where one name was used
// on several.
type Name struct {
	Lot  string
	Date time.Time // midnight of the day, in the person's zone; zero: any
	seq  uint64    // of the one life that is meant; 0: any
}

const dateLayout = "2006-01-02"

// ParseName reads LOT or LOT@DATE, the date as 2006-01-02 in the zone.
func ParseName(s string, zone *time.Location) (Name, error) {
	lot, date, found := cutLast(s, "@")
	if !found {
		return Name{Lot: s}, nil
	}
	day, err := time.ParseInLocation(dateLayout, date, zone)
	if err != nil || lot == "" {
		return Name{}, fmt.Errorf("%q is no lot; write its name, or NAME@DATE with the day on which it began, such as ribs@2026-05-02", s)
	}
	return Name{Lot: lot, Date: day}, nil
}

func cutLast(s, sep string) (before, after string, found bool) {
	if i := strings.LastIndex(s, sep); i >= 0 {
		return s[:i], s[i+len(sep):], true
	}
	return s, "", false
}

// String writes the name as ParseName reads it.
func (n Name) String() string {
	if n.Date.IsZero() {
		return n.Lot
	}
	return n.Lot + "@" + n.Date.Format(dateLayout)
}

func (n Name) fits(l *Life) bool {
	return n.Lot == l.Lot && (n.seq == 0 || n.seq == l.Seq) && (n.Date.IsZero() || !l.Begun.Wall.Before(n.Date) && l.Begun.Wall.Before(n.Date.AddDate(0, 0, 1)))
}

// ParseTime reads a bound of a span: RFC 3339; a day, from its beginning or with end set to its end; or how
// long before last, such as -24h or -7d. An empty text is the zero time.
func ParseTime(s string, last time.Time, zone *time.Location, end bool) (time.Time, error) {
	if s == "" {
		return time.Time{}, nil
	}
	if t, err := time.Parse(time.RFC3339, s); err == nil {
		return t, nil
	}
	if t, err := time.ParseInLocation(dateLayout, s, zone); err == nil {
		if end {
			t = t.AddDate(0, 0, 1).Add(-time.Millisecond)
		}
		return t, nil
	}
	if ago, found := strings.CutPrefix(s, "-"); found {
		var days int
		if n, err := fmt.Sscanf(ago, "%dd", &days); n == 1 && err == nil && fmt.Sprintf("%dd", days) == ago && days >= 0 && days < 100_000 {
			return last.AddDate(0, 0, -days), nil
		}
		if d, err := time.ParseDuration(ago); err == nil && d >= 0 {
			return last.Add(-d), nil
		}
	}
	return time.Time{}, fmt.Errorf("%q is no time; write date, time and zone such as 2026-05-02T18:30:00Z, a day such as 2026-05-02, or how long before the record's end, such as -24h or -7d", s)
}
