package rules

import (
	"fmt"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// FreeText is a mark's note without the key=value words with which it begins: what the person said.
func (m *Mark) FreeText() string {
	for rest := m.Note; ; {
		word, value, tail, err := nextWord(rest)
		if err != nil || value == nil && (word != "fresh" || m.Kind != MarkLoad) {
			return strings.TrimSpace(rest)
		}
		rest = tail
	}
}

// nextWord takes the first word of s. value is nil when it is no key=value word; a value may stand in
// double quotes, so that it can hold spaces.
func nextWord(s string) (word string, value *string, rest string, err *MarkError) {
	s = strings.TrimLeftFunc(s, unicode.IsSpace)
	key, after, found := strings.Cut(s, "=")
	if !found || key == "" || strings.ContainsFunc(key, func(r rune) bool { return !unicode.IsLetter(r) && r != '-' && r != '_' }) {
		word, rest, _ = strings.Cut(s, " ")
		return word, nil, rest, nil
	}
	if quoted, ok := strings.CutPrefix(after, `"`); ok {
		v, rest, closed := strings.Cut(quoted, `"`)
		if !closed || rest != "" && !strings.HasPrefix(rest, " ") {
			return "", nil, "", &MarkError{"note", fmt.Sprintf("the value of %s= opens a quote that does not end with the word", clip(key)),
				"close it with a second double quote and a space"}
		}
		return key, &v, rest, nil
	}
	end := strings.IndexFunc(after, unicode.IsSpace)
	if end < 0 {
		end = len(after)
	}
	v := after[:end]
	return key, &v, after[end:], nil
}

// quoted is a note's free text as it stands behind a sentence's last word; empty without any.
func quoted(m *Mark) string {
	if s := m.FreeText(); s != "" {
		return ": " + strings.TrimSuffix(s, ".")
	}
	return ""
}

// noted answers a remark with the remark, so that a timeline tells it.
func noted(m *Mark, about string) string {
	if m.Kind == MarkCorrective {
		return "Corrective action noted for " + about + quoted(m) + "."
	}
	return "Noted for " + about + quoted(m) + "."
}

// parseDecimal reads a plain decimal number.
func parseDecimal(key, s string) (float64, *MarkError) {
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || !decimal(s) {
		return 0, &MarkError{"note", fmt.Sprintf("%s=%s is no number", key, clip(s)),
			fmt.Sprintf("write digits with a point for the fraction and no unit, such as %s=71.5", key)}
	}
	return v, nil
}

// decimal reports whether s holds nothing but what a plain decimal number is written with.
func decimal(s string) bool { return strings.Trim(s, "+-.0123456789") == "" && len(s) <= 32 }

func isPrint(r rune) bool { return unicode.IsPrint(r) && r != utf8.RuneError }

func isPlain(r rune) bool {
	return r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '.' || r == '_' || r == '-'
}

func nameError(field, s string, allowed func(rune) bool, of string) *MarkError {
	switch bad := strings.IndexFunc(s, func(r rune) bool { return !allowed(r) }); {
	case s != strings.TrimSpace(s):
		return &MarkError{field, fmt.Sprintf("the %s %s begins or ends with a space", field, quote(s)), "take the space away"}
	case !utf8.ValidString(s) || bad >= 0:
		return &MarkError{field, fmt.Sprintf("the %s %s holds a character that a name may not", field, quote(s)), "write it with " + of}
	case utf8.RuneCountInString(s) > maxName:
		return &MarkError{field, fmt.Sprintf("the %s is longer than %d characters", field, maxName), "shorten it"}
	}
	return nil
}

func idError(field, s string) *MarkError {
	if len(s) > maxID || strings.ContainsFunc(s, func(r rune) bool { return r <= ' ' || r > '~' || r == '"' }) {
		return &MarkError{field, fmt.Sprintf("the %s %s is no id", field, quote(s)),
			fmt.Sprintf("write up to %d plain characters without spaces and double quotes", maxID)}
	}
	return nil
}

// noteError refuses what could disturb a terminal, a page or a line of the record: control characters, and
// the marks that turn the direction of writing.
func noteError(s string) *MarkError {
	fits := func(r rune) bool { return !unicode.In(r, unicode.Cc, unicode.Zl, unicode.Zp, unicode.Bidi_Control) }
	switch {
	case len(s) > maxNote:
		return &MarkError{"note", fmt.Sprintf("the note has %d bytes, more than %d", len(s), maxNote), "shorten it, or write two notes"}
	case !utf8.ValidString(s):
		return &MarkError{"note", "the note is not valid UTF-8", "save the text as UTF-8"}
	case strings.ContainsFunc(s, func(r rune) bool { return !fits(r) }):
		return &MarkError{"note", "the note holds a line break, a tab or another control character", "write it as one line"}
	}
	return nil
}

// inNote says that a faulty value stands in the note.
func inNote(err *MarkError) *MarkError {
	if err != nil {
		err.Field = "note"
	}
	return err
}

func joinWords[S ~string](words []S) string {
	out := make([]string, len(words))
	for i, w := range words {
		out[i] = string(w)
	}
	return strings.Join(out, ", ")
}

// meant is the fix for a word that is not one of the known ones: the nearest ones if there are such, else
// all. Of words equally near, those that begin alike are meant.
func meant[S ~string](word string, known []S) string {
	const most = 2
	var near []S
	best := 0
	for _, k := range known {
		d := slips(strings.ToLower(word), strings.ToLower(string(k)))
		if d > most || 2*d > len(k) {
			continue
		}
		alike := 0
		for alike < min(len(word), len(k)) && word[alike] == k[alike] {
			alike++
		}
		switch cost := d*maxName - alike; {
		case near == nil || cost < best:
			best, near = cost, []S{k}
		case cost == best:
			near = append(near, k)
		}
	}
	if near == nil {
		return "write one of: " + joinWords(known)
	}
	return "did you mean " + strings.ReplaceAll(joinWords(near), ", ", " or ") + "?"
}

func meantKey(word string) string {
	const free = "; to write it as free text, put another word before it"
	for _, k := range keyWords {
		if strings.EqualFold(k, word) {
			return "write " + k + "=" + free
		}
	}
	return strings.TrimSuffix(meant(word, keyWords), "?") + free
}

// slips counts the letters that were left out, put in or mistaken between a and b (Levenshtein 1966).
func slips(a, b string) int {
	if len(a) > maxName {
		return maxName
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		left := row[0]
		row[0] = i + 1
		for j := range len(b) {
			d := left
			if a[i] != b[j] {
				d = 1 + min(left, row[j], row[j+1])
			}
			left, row[j+1] = row[j+1], d
		}
	}
	return row[len(b)]
}

// quote shows a person's word in an error, short and harmless.
func quote(s string) string { return strconv.Quote(clip(s)) }

func clip(s string) string {
	s = strings.ToValidUTF8(s, "?")
	if utf8.RuneCountInString(s) > maxName {
		return string([]rune(s)[:maxName]) + "…"
	}
	return s
}
