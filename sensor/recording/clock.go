package recording

import (
	"fmt"
	"time"

	"holdbell/sensor"
)

// clock reads the times of a recording. The first row decides which form they have.
type clock struct {
	started  bool
	relative bool
	start    sensor.Instant
	last     time.Duration // since the start, or as written when relative

	day     [10]byte // the date whose start is known
	dayUnix int64
}

const timeFix = "write RFC 3339 such as 2026-03-01T18:30:00Z, or seconds from the first row such as 90.5"

// read takes one row's time. what is empty when it is good.
func (c *clock) read(cell []byte) (at sensor.Instant, what, fix string) {
	if len(cell) > 0 && (cell[0] == '"' || cell[0] == ' ' || cell[len(cell)-1] == ' ') {
		cell = []byte(unquote(string(cell)))
	}
	var wall time.Time
	var since time.Duration
	d, relative := seconds(cell)
	sec, nsec, absolute := c.rfc3339(cell)
	switch {
	case c.started && c.relative && absolute, c.started && !c.relative && relative:
		return at, fmt.Sprintf("the time %q has another form than the first row's", clip(string(cell))), "write all times in one form: RFC 3339 or seconds"
	case relative:
		wall, since = time.Unix(0, 0).UTC().Add(d), d
	case absolute:
		wall = time.Unix(sec, nsec).UTC()
		if c.started {
			since = wall.Sub(c.start.Wall)
		}
	case len(cell) == 0:
		return at, "the row has no time", timeFix
	default:
		return at, fmt.Sprintf("%q is no time", clip(string(cell))), timeFix
	}
	at = sensor.Instant{Wall: wall, Mono: since, Believed: true}
	switch {
	case !c.started:
		c.started, c.relative, c.start = true, relative, at
	case since <= c.last:
		return at, fmt.Sprintf("the time %q does not come after the row before", clip(string(cell))), "put the rows in order of time, each time once"
	case since-c.start.Mono > longest:
		return at, fmt.Sprintf("the time %q lies more than a hundred years after the first row", clip(string(cell))), timeFix
	}
	c.last = since
	return at, "", ""
}

// seconds reads a plain decimal number of seconds, from 0 to a hundred years, to the nanosecond.
func seconds(s []byte) (time.Duration, bool) {
	var v int64
	digits, decimals := 0, -1
	for _, ch := range s {
		d := ch - '0'
		switch {
		case ch == '.' && decimals < 0:
			decimals = 0
		case d > 9:
			return 0, false
		case decimals >= 9:
		default:
			if v > int64(longest)/10 {
				return 0, false
			}
			v = v*10 + int64(d)
			digits++
			if decimals >= 0 {
				decimals++
			}
		}
	}
	if digits == 0 {
		return 0, false
	}
	for range 9 - max(decimals, 0) {
		if v > int64(longest)/10 {
			return 0, false
		}
		v *= 10
	}
	return time.Duration(v), true
}

// rfc3339 reads a date and time with its zone (RFC 3339 section 5.6) from the year 1970 on. Leap seconds are
// refused: Unix time has none.
func (c *clock) rfc3339(s []byte) (sec, nsec int64, ok bool) {
	if len(s) < len("2006-01-02T15:04:05Z") || s[10] != 'T' && s[10] != 't' || s[13] != ':' || s[16] != ':' {
		return 0, 0, false
	}
	if !c.date(s[:10]) {
		return 0, 0, false
	}
	hour, ok1 := two(s[11:])
	minute, ok2 := two(s[14:])
	second, ok3 := two(s[17:])
	if !ok1 || !ok2 || !ok3 || hour > 23 || minute > 59 || second > 59 {
		return 0, 0, false
	}
	rest := s[19:]
	if rest[0] == '.' {
		n, unit := 1, int64(1e8)
		for n < len(rest) && rest[n]-'0' <= 9 {
			nsec += int64(rest[n]-'0') * unit
			unit /= 10
			n++
		}
		if n == 1 || n == len(rest) {
			return 0, 0, false
		}
		rest = rest[n:]
	}
	offset := int64(0)
	switch {
	case len(rest) == 1 && (rest[0] == 'Z' || rest[0] == 'z'):
	case len(rest) == 6 && rest[3] == ':' && (rest[0] == '+' || rest[0] == '-'):
		h, ok1 := two(rest[1:])
		m, ok2 := two(rest[4:])
		if !ok1 || !ok2 || h > 23 || m > 59 {
			return 0, 0, false
		}
		offset = h*3600 + m*60
		if rest[0] == '-' {
			offset = -offset
		}
	default:
		return 0, 0, false
	}
	sec = c.dayUnix + hour*3600 + minute*60 + second - offset
	return sec, nsec, sec >= 0
}

// date keeps the start of a day; rows of one day share it.
func (c *clock) date(s []byte) bool {
	if string(s) == string(c.day[:]) {
		return true
	}
	t, err := time.Parse(time.DateOnly, string(s))
	if err != nil {
		return false
	}
	copy(c.day[:], s)
	c.dayUnix = t.Unix()
	return true
}

func two(s []byte) (int64, bool) {
	a, b := s[0]-'0', s[1]-'0'
	return int64(a)*10 + int64(b), a <= 9 && b <= 9
}
