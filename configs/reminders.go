package configs

import (
	"fmt"
	"strings"
	"time"

	"github.com/goccy/go-yaml/ast"

	"holdbell/rules"
)

// The bounds of a reminder: more often than each minute is no reminder, and less often than each day is
// none that runs while food is there.
const (
	shortestReminder = time.Minute
	longestReminder  = 24 * time.Hour
)

// maxSay is the longest that a reminder may say, in bytes: it has to fit a phone's line beside others.
const maxSay = 80

// reminder reads one entry of a station's reminders.
func (k *kitchen) reminder(n ast.Node, s *entry[Station]) {
	r := &k.reader
	var v rules.Reminder
	before := len(r.problems)
	of := r.mapping(n, "a reminder",
		field{"say", scalar(r, &v.Say, "say", "turn the racks", parseSay)},
		field{"every", scalar(r, &v.Every, "every", "1h", func(s string) (time.Duration, string, string) {
			return within(s, shortestReminder, longestReminder)
		})},
		field{"after", scalar(r, &v.After, "after", "rotate", oneOf(rules.ReminderMarks()...))},
		field{"word", scalar(r, &v.Word, "word", "fire", parseWord)},
	)
	if of == nil {
		return
	}
	for _, need := range []struct{ key, fix string }{
		{"say", "add say: and what is to be done, such as turn the racks"},
		{"every", "add every: and how often, such as 1h"},
		{"after", "add after: and the mark that says it is done, such as rotate"},
	} {
		if _, ok := of[need.key]; !ok {
			r.fail(placeOf(n), need.fix, "a reminder has no %s", need.key)
		}
	}
	if len(r.problems) > before {
		return
	}
	for _, other := range s.T.Reminders {
		if other.Say == v.Say {
			r.fail(of["say"], "keep one of the two", "station %s is to %s twice", s.T.Name, v.Say)
			return
		}
	}
	s.T.Reminders = append(s.T.Reminders, v)
}

// parseSay reads an order that stands inside a sentence: "Time at pit to …".
func parseSay(s string) (string, string, string) {
	switch {
	case strings.TrimSpace(s) == "" || strings.HasSuffix(s, "."):
		return "", fmt.Sprintf("%q is no order", shorten(s)), "write what is to be done without a full stop, such as turn the racks"
	case len(s) > maxSay:
		return "", fmt.Sprintf("%q is longer than %d bytes", shorten(s), maxSay), "say it shorter: it has to fit a phone's line"
	}
	return strings.TrimSpace(s), "", ""
}

// parseWord reads one word of a note.
func parseWord(s string) (string, string, string) {
	if s == "" || len(s) > 32 || strings.ContainsAny(s, " \t=\"") {
		return "", fmt.Sprintf("%q is not one word", shorten(s)), "write one plain word that the note will hold, such as fire"
	}
	return s, "", ""
}

// tooHot reads when food held hot dries out.
func (k *kitchen) tooHot(n ast.Node) *rules.TooHot {
	r := &k.reader
	var v rules.TooHot
	before := len(r.problems)
	of := r.mapping(n, "too_hot",
		field{"above", scalar(r, &v.Above, "above", "165F", parseTemp)},
		field{"for", scalar(r, &v.For, "for", "1h", some(longestDelay))},
	)
	if of == nil {
		return nil
	}
	for _, key := range []string{"above", "for"} {
		if _, ok := of[key]; !ok {
			r.fail(placeOf(n), "write too_hot: { above: 165F, for: 1h }", "too_hot has no %s", key)
		}
	}
	if len(r.problems) > before {
		return nil
	}
	return &v
}

// shift reads when people work.
func (k *kitchen) shift(n ast.Node) {
	v, of := k.hours(n, "shift", `{ from: "06:00", to: "22:30" }`)
	if v == nil {
		return
	}
	if _, ok := of["zone"]; !ok {
		k.reader.warn(of["from"], "add zone: with its name, such as America/Chicago", "the shift is by this machine's own clock: a replay elsewhere may say otherwise")
	}
	k.c.Shift = v
}

// hours reads a time of day from which and to which the key called what holds; nil when it cannot be read.
func (k *kitchen) hours(n ast.Node, what, example string) (*rules.Shift, map[string]place) {
	r := &k.reader
	v := rules.Shift{Zone: time.Local}
	before := len(r.problems)
	of := r.mapping(n, what,
		field{"from", scalar(r, &v.From, "from", `"06:00"`, parseClock)},
		field{"to", scalar(r, &v.To, "to", `"22:30"`, parseClock)},
		field{"zone", scalar(r, &v.Zone, "zone", "America/Chicago", parseZone)},
	)
	if of == nil {
		return nil, nil
	}
	for _, key := range []string{"from", "to"} {
		if _, ok := of[key]; !ok {
			r.fail(placeOf(n), "write "+what+": "+example, "%s has no %s", what, key)
		}
	}
	if len(r.problems) > before {
		return nil, nil
	}
	if v.From == v.To {
		r.fail(of["to"], "remove "+what+":, or give it an end of its own", "%s ends as it begins", what)
		return nil, nil
	}
	return &v, of
}

// parseClock reads hours and minutes since midnight.
func parseClock(s string) (time.Duration, string, string) {
	t, err := time.Parse("15:04", s)
	if err != nil || len(s) != len("15:04") {
		return 0, fmt.Sprintf("%q is no time of day", shorten(s)), `write hours and minutes from "00:00" to "23:59", in quotes`
	}
	return time.Duration(t.Hour())*time.Hour + time.Duration(t.Minute())*time.Minute, "", ""
}

// parseZone reads the name of a time zone, as the machine's own table of zones has it.
func parseZone(s string) (*time.Location, string, string) {
	z, err := time.LoadLocation(s)
	if err != nil || s == "" || s == "Local" {
		return nil, fmt.Sprintf("%q is no time zone that this machine knows", shorten(s)), "write its name with region and city, such as America/Chicago, or UTC"
	}
	return z, "", ""
}
