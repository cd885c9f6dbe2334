package page

import (
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"holdbell/publish"
	"holdbell/rules"
	"holdbell/sensor"
)

// words writes a duration for people.
func words(d time.Duration) string { return publish.Words(d) }

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
	return words(max(0, d)) + " ago"
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
		end = "in " + words(max(0, d))
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

// plain writes a stable word for people: "hot-holding" as "Hot holding".
func plain[S ~string](word S) string { return publish.Plain(word) }

// statusWords are the alarm states in the words of ANSI/ISA-18.2.
func statusWords(s rules.AlarmStatus) string {
	switch s {
	case rules.Returned:
		return "Returned to normal, unacknowledged"
	case rules.OutOfService:
		return "Out of service"
	}
	return plain(s)
}

// faultWords says what a fault means at the bench.
func faultWords(f sensor.Fault) string {
	switch f {
	case sensor.Open:
		return "wire broken, or plug out"
	case sensor.ShortGND:
		return "shorted to ground"
	case sensor.ShortVCC:
		return "shorted to the supply"
	case sensor.OverUnderVoltage:
		return "input voltage outside the chip's supply"
	case sensor.Range:
		return "outside what this probe can read"
	case sensor.BusFault:
		return "the chip does not answer rightly"
	case sensor.CJImplausible:
		return "cold junction not believable"
	case sensor.Stale:
		return "no new reading in time"
	case sensor.Spike:
		return "a jump that no food or air makes"
	}
	return ""
}

// eventWords names what happened.
func eventWords(k rules.EventKind) string { return plain(k) }

// markWords says what each mark tells.
func markWords(k rules.MarkKind) string {
	switch k {
	case rules.MarkLoad:
		return "a piece goes into a station"
	case rules.MarkMove:
		return "it goes to another station"
	case rules.MarkWrap:
		return "it was wrapped"
	case rules.MarkRotate:
		return "pieces changed places"
	case rules.MarkSplit:
		return "a part was cut from a lot"
	case rules.MarkCheck:
		return "a hand thermometer was read"
	case rules.MarkProbe:
		return "a probe was put into it"
	case rules.MarkProbeOut:
		return "its probe was taken out for a while"
	case rules.MarkProbeIn:
		return "its probe is back in"
	case rules.MarkOffWatch:
		return "it is out of the probes' sight"
	case rules.MarkNote:
		return "a remark for the record"
	case rules.MarkCorrective:
		return "what was done about it"
	case rules.MarkTimeControl:
		return "time alone controls it from now"
	case rules.MarkServe:
		return "it was served"
	case rules.MarkDiscard:
		return "it was thrown away"
	case rules.MarkClose:
		return "the lot is done"
	case rules.MarkUndo:
		return "an earlier mark was wrong"
	case rules.MarkAcknowledge:
		return "an alarm was seen"
	case rules.MarkShelve:
		return "an alarm is silent until a time"
	case rules.MarkOutOfService:
		return "a station's alarms are silent"
	case rules.MarkInService:
		return "a station's alarms ring again"
	case rules.MarkCalibrate:
		return "a probe was held against a known temperature"
	case rules.MarkHandover:
		return "the next shift takes over"
	}
	return ""
}
