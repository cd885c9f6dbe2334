package configs

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml/ast"

	"holdbell/sensor"
)

// field reads the value of one key.
type field struct {
	key  string
	read func(ast.Node)
}

// mapping walks the keys of a mapping and gives the place of each. what names the mapping in errors.
func (r *reader) mapping(n ast.Node, what string, fields ...field) map[string]place {
	values, ok := pairs(n)
	if !ok {
		keys := make([]string, len(fields))
		for i, f := range fields {
			keys[i] = f.key
		}
		r.fail(placeOf(n), "write key: value with these keys: "+strings.Join(keys, ", "), "%s holds keys, not %s", what, kind(n))
		return nil
	}
	seen := make(map[string]place, len(values))
	for _, v := range values {
		key, at := keyOf(v), placeOf(v.Key)
		if first, twice := seen[key]; twice {
			r.fail(at, "keep one of the two", "%s has %s twice, first on %s", what, key, r.line(first))
			continue
		}
		seen[key] = at
		i := slices.IndexFunc(fields, func(f field) bool { return f.key == key })
		if i < 0 {
			r.unknownKey(at, what, key, fields)
			continue
		}
		if empty(v.Value) {
			r.fail(at, "write a value or remove the key", "%s is empty", key)
			continue
		}
		if r.rank == nil {
			r.rank = make(map[*ast.MappingValueNode]int)
		}
		r.rank[v] = i
		fields[i].read(v.Value)
	}
	return seen
}

// pairs gives the keys of a mapping with their values.
func pairs(n ast.Node) ([]*ast.MappingValueNode, bool) {
	switch m := n.(type) {
	case *ast.MappingNode:
		return m.Values, true
	case *ast.MappingValueNode:
		return []*ast.MappingValueNode{m}, true
	}
	return nil, false
}

// empty reports whether a key has no value.
func empty(n ast.Node) bool {
	_, null := n.(*ast.NullNode)
	return null || n == nil
}

func (r *reader) unknownKey(at place, what, key string, fields []field) {
	keys := make([]string, len(fields))
	for i, f := range fields {
		keys[i] = f.key
	}
	if secret := strings.ToLower(key); secret == "password" || secret == "token" || secret == "url" || secret == "secret" {
		if i := slices.IndexFunc(keys, func(k string) bool { return k == secret+"_file" || k == "password_file" }); i >= 0 {
			r.fail(at, "put it in a file that only the daemon can read and write "+keys[i]+": /path/of/the/file",
				"a configuration holds no secret in the clear (%s)", key)
			return
		}
	}
	r.fail(at, didYouMean(key, keys), "%s knows no key %q", what, key)
}

func keyOf(v *ast.MappingValueNode) string {
	if t := v.Key.GetToken(); t != nil {
		return t.Value
	}
	return ""
}

// list walks the entries of a list.
func (r *reader) list(n ast.Node, what string, each func(ast.Node)) {
	s, ok := n.(*ast.SequenceNode)
	if !ok {
		r.fail(placeOf(n), "write [a, b] or one line with a dash for each", "%s is a list, not %s", what, kind(n))
		return
	}
	for _, v := range s.Values {
		if empty(v) {
			r.fail(placeOf(n), "remove the entry or fill it in", "%s has an empty entry", what)
			continue
		}
		each(v)
	}
}

// kind says in words what a node is.
func kind(n ast.Node) string {
	switch n.(type) {
	case nil, *ast.NullNode:
		return "nothing"
	case *ast.MappingNode, *ast.MappingValueNode:
		return "keys with values"
	case *ast.SequenceNode:
		return "a list"
	}
	return "a single value"
}

// text gives a scalar exactly as it was written: YAML's own ideas of numbers and truth have no say.
func (r *reader) text(n ast.Node, what, example string) (string, bool) {
	switch n.(type) {
	case *ast.StringNode, *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode, *ast.NanNode, *ast.InfinityNode:
	case *ast.LiteralNode:
		r.fail(placeOf(n), "write it on one line", "%s runs over several lines", what)
		return "", false
	default:
		r.fail(placeOf(n), "write a single value such as "+example, "%s is a single value, not %s", what, kind(n))
		return "", false
	}
	s := n.GetToken().Value
	if strings.ContainsFunc(s, func(c rune) bool { return c < ' ' || c == 0x7f }) {
		r.fail(placeOf(n), "write it on one line, without control characters", "%s runs over several lines", what)
		return "", false
	}
	return s, true
}

// scalar makes the reader of one kind of value for mapping: dst takes what parse accepts.
func scalar[T any](r *reader, dst *T, what, example string, parse func(string) (T, string, string)) func(ast.Node) {
	return func(n ast.Node) {
		s, ok := r.text(n, what, example)
		if !ok {
			return
		}
		v, wrong, fix := parse(s)
		if wrong != "" {
			r.fail(placeOf(n), fix, "%s: %s", what, wrong)
			return
		}
		*dst = v
	}
}

// pointer is scalar for a value whose absence matters.
func pointer[T any](r *reader, dst **T, what, example string, parse func(string) (T, string, string)) func(ast.Node) {
	return func(n ast.Node) {
		var v T
		before := len(r.problems)
		scalar(r, &v, what, example, parse)(n)
		if len(r.problems) == before {
			*dst = &v
		}
	}
}

// nameRule is what a name may be: it becomes a metric's label, a level of an MQTT topic and a column.
const nameRule = "use letters, digits, dot, dash and underscore, at most 64, the first a letter or digit"

var nameForm = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$`)

func parseName(s string) (string, string, string) {
	if !nameForm.MatchString(s) {
		return "", fmt.Sprintf("%q is no name", shorten(s)), nameRule
	}
	return s, "", ""
}

func parseDuration(s string) (time.Duration, string, string) {
	d, err := time.ParseDuration(s)
	switch {
	case err != nil:
		if _, err := strconv.ParseFloat(s, 64); err == nil {
			return 0, fmt.Sprintf("%s has no unit", shorten(s)), fmt.Sprintf("write %ss for seconds or %sm for minutes", shorten(s), shorten(s))
		}
		return 0, fmt.Sprintf("%q is no duration", shorten(s)), "write a number with its unit, such as 90s, 5m or 1h30m"
	case d < 0:
		return 0, fmt.Sprintf("%s is less than nothing", shorten(s)), "write it without the minus sign"
	}
	return d, "", ""
}

var tempForm = regexp.MustCompile(`^([+-]?[0-9]{1,6}(?:\.[0-9]{1,6})?)(C|F)$`)

// parseDegrees splits a number with its unit.
func parseDegrees(s, example string) (v float64, unit, wrong, fix string) {
	m := tempForm.FindStringSubmatch(s)
	if m == nil {
		short := shorten(s)
		switch _, err := strconv.ParseFloat(s, 64); {
		case err == nil:
			return 0, "", fmt.Sprintf("%s has no unit", short), fmt.Sprintf("write %sF or %sC", short, short)
		case tempForm.MatchString(tidy(s)):
			return 0, "", fmt.Sprintf("%q is not in the form read here", short), "write " + tidy(s)
		}
		return 0, "", fmt.Sprintf("%q is no temperature", short), "write a number with its unit, such as " + example
	}
	v, err := strconv.ParseFloat(m[1], 64)
	if err != nil {
		return 0, "", fmt.Sprintf("%q is no temperature", shorten(s)), "write a number with its unit, such as " + example
	}
	return v, m[2], "", ""
}

// tidy turns what people write into the form that is read: "150 °f" into "150F".
func tidy(s string) string {
	return strings.ToUpper(strings.NewReplacer(" ", "", "°", "", ",", ".").Replace(s))
}

func parseTemp(s string) (sensor.Temp, string, string) {
	v, unit, wrong, fix := parseDegrees(s, "150F or 65.5C")
	if wrong != "" {
		return 0, wrong, fix
	}
	convert := sensor.FromCelsius
	if unit == "F" {
		convert = sensor.FromFahrenheit
	}
	t, ok := convert(v)
	if !ok || t > 1_000_000 {
		return 0, fmt.Sprintf("%s is no temperature of a kitchen", s), "write one between absolute zero and 1000C"
	}
	return t, "", ""
}

// parseDifference reads a difference of temperatures: a degree Fahrenheit is five ninths of a kelvin, and
// no zero moves. The half-width of 50 K is far beyond what a working probe needs.
func parseDifference(s string) (sensor.Temp, string, string) {
	v, unit, wrong, fix := parseDegrees(s, "1F or -0.4C")
	if wrong != "" {
		return 0, wrong, fix
	}
	if unit == "F" {
		v = v * 5 / 9
	}
	if v < -50 || v > 50 {
		return 0, fmt.Sprintf("a difference of %s is too much", s), "write at most 50C; a probe that is so far off is broken"
	}
	t, _ := sensor.FromCelsius(v)
	return t, "", ""
}

func parsePositiveDifference(s string) (sensor.Temp, string, string) {
	t, wrong, fix := parseDifference(s)
	if wrong == "" && t < 0 {
		return 0, fmt.Sprintf("%s is less than nothing", s), "write it without the minus sign"
	}
	return t, wrong, fix
}

func parseSlew(s string) (sensor.Temp, string, string) {
	return parsePositiveDifference(strings.TrimSuffix(s, "/s"))
}

func parseBool(s string) (bool, string, string) {
	switch s {
	case "true":
		return true, "", ""
	case "false":
		return false, "", ""
	}
	return false, fmt.Sprintf("%q is neither true nor false", shorten(s)), "write true or false"
}

// parseSecretPath is parsePath without the text in the error: what stands there by mistake may be the
// secret itself.
func parseSecretPath(s string) (string, string, string) {
	if name, is := strings.CutPrefix(s, "$CREDENTIALS_DIRECTORY/"); is && nameForm.MatchString(name) {
		return s, "", ""
	}
	path, wrong, fix := parsePath(s)
	if wrong != "" {
		return "", "that is no whole path of a file", fix + ", or $CREDENTIALS_DIRECTORY/name for what the unit's LoadCredential= calls name"
	}
	return path, "", ""
}

func parsePath(s string) (string, string, string) {
	if !strings.HasPrefix(s, "/") || strings.HasSuffix(s, "/") {
		return "", fmt.Sprintf("%q is no whole path of a file", shorten(s)), "write the path from the root, such as /etc/holdbell/name"
	}
	return s, "", ""
}

// oneOf makes the parser of a closed set of words.
func oneOf[T ~string](known ...T) func(string) (T, string, string) {
	return func(s string) (T, string, string) {
		words := make([]string, len(known))
		for i, k := range known {
			if words[i] = string(k); s == words[i] {
				return k, "", ""
			}
		}
		return "", fmt.Sprintf("%q is not known here", shorten(s)), didYouMean(s, words)
	}
}

// oneNumber is oneOf for whole numbers.
func oneNumber(known ...int) func(string) (int, string, string) {
	return func(s string) (int, string, string) {
		words := make([]string, len(known))
		for i, k := range known {
			if words[i] = strconv.Itoa(k); s == words[i] {
				return k, "", ""
			}
		}
		return 0, fmt.Sprintf("%q is not possible here", shorten(s)), "write one of: " + strings.Join(words, ", ")
	}
}

func shorten(s string) string {
	if r := []rune(s); len(r) > 60 {
		return string(r[:60]) + "…"
	}
	return s
}
