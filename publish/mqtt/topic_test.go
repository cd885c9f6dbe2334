package mqtt

import (
	"strings"
	"testing"
	"unicode/utf8"

	"pgregory.net/rapid"
)

func TestLevels(t *testing.T) {
	for name, want := range map[string]string{
		"warmer":     "warmer",
		"Brisket 1":  "Brisket%201",
		"":           "-",
		"-":          "%2D",
		"--":         "--",
		"a/b":        "a%2Fb",
		"+":          "%2B",
		"#":          "%23",
		"*":          "%2A",
		">":          "%3E",
		"100 %":      "100%20%25",
		"a\x00b\n":   "a%00b%0A",
		"Hähnchen":   "Hähnchen",
		"\xff":       "%FF",
		"\ufffd":     "%EF%BF%BD",
		"\u0085":     "%C2%85",
		"\u202e":     "%E2%80%AE",
		"\U0010ffff": "%F4%8F%BF%BF",
	} {
		if got := level(name); got != want && !(name == "\ufffd" && got == name) {
			t.Errorf("%q is %q, want %q", name, got, want)
		}
	}
	long := strings.Repeat("é", 100)
	if got := level(long); len(got) > maxLevel || !strings.Contains(got, hashMark) || got == level(long+"x") {
		t.Errorf("a long name is %q", got)
	}
	if got := level(strings.Repeat("x", maxLevel)); got != strings.Repeat("x", maxLevel) {
		t.Errorf("a name that just fits is %q", got)
	}
}

func TestLevelsAreSafeAndDistinct(t *testing.T) {
	names := rapid.OneOf(rapid.String(), rapid.Map(rapid.SliceOfN(rapid.Byte(), 0, 300), func(b []byte) string { return string(b) }),
		rapid.StringMatching(`[-%~/+# *>.a0-9A-F]{0,6}`), rapid.StringMatching(`(aé/){30,60}`))
	rapid.Check(t, func(t *rapid.T) {
		a, b := names.Draw(t, "a"), names.Draw(t, "b")
		la, lb := level(a), level(b)
		if (a == b) != (la == lb) {
			t.Fatalf("%q and %q become %q and %q", a, b, la, lb)
		}
		if la == "" || len(la) > maxLevel || !utf8.ValidString(la) || strings.ContainsAny(la, "/+# *>\x00") {
			t.Fatalf("%q becomes %q", a, la)
		}
	})
}

func TestAnAlarmsTopic(t *testing.T) {
	tp := newTopics("kitchens/north", "demo/kitchen")
	for want, got := range map[string]string{
		"kitchens/north/demo%2Fkitchen/alarm/pit/probe-fault/brisket": tp.alarm("pit", "probe-fault", "brisket", "core"),
		"kitchens/north/demo%2Fkitchen/alarm/pit/probe-fault/core":    tp.alarm("pit", "probe-fault", "", "core"),
		"kitchens/north/demo%2Fkitchen/alarm/board/record-trouble/-":  tp.alarm("board", "record-trouble", "", ""),
		"kitchens/north/demo%2Fkitchen/alarm/pit/below-hot-limit/%2D": tp.alarm("pit", "below-hot-limit", "-", ""),
	} {
		if got != want {
			t.Errorf("got %s, want %s", got, want)
		}
	}
}
