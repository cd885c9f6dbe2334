package panel

import (
	"fmt"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"holdbell/rules"
)

func itoa(n int) string { return strconv.Itoa(n) }

func width(s string) int { return utf8.RuneCountInString(s) }

// short writes a duration where there is no room for rules.Words: "3h12", "12 min", "45 s".
func short(d time.Duration) string {
	if d < time.Hour || d >= 100*time.Hour {
		return rules.Words(d)
	}
	return fmt.Sprintf("%dh%02d", int64(d.Hours()), int64(d.Minutes())%60)
}

// fit takes the first text that has room, else the beginning of the last.
func fit(columns int, texts []string) string {
	for _, s := range texts {
		if width(s) <= columns {
			return s
		}
	}
	if len(texts) == 0 {
		return ""
	}
	return string([]rune(texts[len(texts)-1])[:columns])
}

// shorten cuts a text from its middle: what tells brisket-flat-12 from brisket-flat-13 stands at its end.
func shorten(s string, columns int) string {
	r := []rune(s)
	const tail = 2
	switch {
	case len(r) <= columns:
		return s
	case columns <= 2*tail+1:
		return string(r[:max(0, columns)])
	}
	return string(r[:columns-tail-1]) + "." + string(r[len(r)-tail:])
}

func pad(s string, columns int) string {
	if n := columns - width(s); n > 0 {
		return s + strings.Repeat(" ", n)
	}
	return s
}

// wrap breaks a text at its blanks; a word that is too long is shortened.
func wrap(s string, columns int) (lines []string) {
	for _, word := range strings.Fields(s) {
		word = shorten(word, columns)
		if n := len(lines); n > 0 && width(lines[n-1])+1+width(word) <= columns {
			lines[n-1] += " " + word
		} else {
			lines = append(lines, word)
		}
	}
	return lines
}

// latin is what is shown for the letters from U+00C0 to U+00FF.
const latin = "AAAAAAACEEEEIIIIDNOOOOOxOUUUUYTsaaaaaaaceeeeiiiidnooooo/ouuuuyty"

// plain writes a text in what every display has: ASCII without \ and ~, which the common character ROM (HD44780U
// datasheet, table 4, ROM code A00) shows as others, and the degree sign. Of what it cannot show, a run becomes
// one question mark.
func plain(s string) string {
	var b strings.Builder
	lost := false
	for _, r := range s {
		switch {
		case r == '\\':
			r = '/'
		case r == '~', r >= 0x2010 && r <= 0x2015:
			r = '-'
		case r == 0x2018, r == 0x2019:
			r = '\''
		case r == '°', r >= ' ' && r < '~':
		case r == 'œ':
			b.WriteByte('o')
			r = 'e'
		case r >= 0xc0 && r <= 0xff:
			r = rune(latin[r-0xc0])
		case unicode.IsSpace(r):
			r = ' '
		default:
			if !lost {
				b.WriteByte('?')
			}
			lost = true
			continue
		}
		lost = false
		b.WriteRune(r)
	}
	return strings.Join(strings.Fields(b.String()), " ")
}

// readable is a name as a display can show it. One of which nothing can be shown is told by its station.
func readable(name, station string) string {
	s := plain(name)
	if strings.ContainsFunc(s, func(r rune) bool { return unicode.IsLetter(r) || unicode.IsDigit(r) }) {
		return s
	}
	return strings.TrimSpace(s + " " + plain(station))
}
