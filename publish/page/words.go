package page

import (
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"holdbell/rules"
	"holdbell/sensor"
)

// clock tells times as a person can rely on them: by the clock on the wall while it is believed, else by
// age.
type clock struct {
	now  sensor.Instant
	zone *time.Location
}

// at is the clock time of i, with the day where it is not today's; empty when it cannot be told.
func (c clock) at(i sensor.Instant) string {
	// A clock that is right by now tells when an earlier moment of this boot was.
	if i = i.Rebase(c.now); i.IsZero() || !i.Believed || !c.now.Believed {
		return ""
	}
	t, now := i.Wall.In(c.zone), c.now.Wall.In(c.zone)
	if t.Year() != now.Year() || t.YearDay() != now.YearDay() {
		return t.Format("Mon 2 Jan 15:04")
	}
	return t.Format("15:04")
}

// ago is how long ago i was.
func (c clock) ago(i sensor.Instant) string {
	d, known := c.now.Sub(i)
	switch {
	case i.IsZero():
		return "never"
	case !known:
		return "at a time not known"
	}
	return rules.Words(max(0, d)) + " ago"
}

// both is clock time and age, or the age alone.
func (c clock) both(i sensor.Instant) string {
	if at := c.at(i); at != "" {
		return at + ", " + c.ago(i)
	}
	return c.ago(i)
}

// ahead is when i will be: clock time and how long until then, or that alone.
func (c clock) ahead(i sensor.Instant) string {
	d, known := i.Sub(c.now)
	end := "at a time not known"
	if known {
		end = "in " + rules.Words(max(0, d))
	}
	if at := c.at(i); at != "" {
		end = at + ", " + end
	}
	return end
}

// short is the clock time, or else the age.
func (c clock) short(i sensor.Instant) string {
	if at := c.at(i); at != "" {
		return at
	}
	return c.ago(i)
}

// sentence makes a whole sentence of an error's words.
func sentence(s string) string {
	s = strings.TrimSpace(s)
	if s == "" {
		return "Something went wrong, and nothing more is known."
	}
	first, size := utf8.DecodeRuneInString(s)
	s = string(unicode.ToUpper(first)) + s[size:]
	if !strings.ContainsAny(s[len(s)-1:], ".?!") {
		s += "."
	}
	return s
}
