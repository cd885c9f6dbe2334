package mqtt

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"
)

const (
	maxLevel = 128 // bytes of one level
	hashMark = "%~"
	// hashBytes of SHA-256 stand at the end of a level that was cut.
	hashBytes = 8
)

// level writes a name as one level of a topic; the package's comment has the rule.
func level(name string) string {
	switch name {
	case "":
		return "-"
	case "-":
		return "%2D"
	}
	room := maxLevel - len(hashMark) - 2*hashBytes
	var b strings.Builder
	cut := 0 // how much of the level fits before the hash
	for i := 0; i < len(name); {
		r, n := utf8.DecodeRuneInString(name[i:])
		if plain(r, n) {
			b.WriteString(name[i : i+n])
		} else {
			for _, c := range []byte(name[i : i+n]) {
				fmt.Fprintf(&b, "%%%02X", c)
			}
		}
		i += n
		if b.Len() <= room {
			cut = b.Len()
		}
	}
	if b.Len() <= maxLevel {
		return b.String()
	}
	sum := sha256.Sum256([]byte(name))
	return b.String()[:cut] + hashMark + hex.EncodeToString(sum[:hashBytes])
}

func plain(r rune, n int) bool {
	return !(r == utf8.RuneError && n <= 1) && unicode.IsPrint(r) && !strings.ContainsRune("/+#% *>", r)
}

// topics are the topics of one site.
type topics struct{ base string }

func newTopics(prefix, site string) topics { return topics{prefix + "/" + level(site) + "/"} }

func (t topics) status() string           { return t.base + "status" }
func (t topics) config() string           { return t.base + "status/config" }
func (t topics) board() string            { return t.base + "status/board" }
func (t topics) event() string            { return t.base + "event" }
func (t topics) head() string             { return t.base + "head" }
func (t topics) mark() string             { return t.base + "command/mark" }
func (t topics) answer() string           { return t.base + "command/mark/answer" }
func (t topics) probe(name string) string { return t.base + "probe/" + level(name) }
func (t topics) lot(name string) string   { return t.base + "lot/" + level(name) }

func (t topics) station(name string) string { return t.base + "station/" + level(name) }

// look subscribes to what a run may leave behind. The head of the record is not looked for: one from before a record
// that cannot be opened is evidence, and stays.
func (t topics) look() map[string]byte {
	return map[string]byte{t.base + "probe/#": 0, t.base + "lot/#": 0, t.base + "station/#": 0, t.base + "alarm/#": 0}
}

// own is listened to while a connection stands: what is said of us, and who else speaks for our site.
func (t topics) own() map[string]byte { return map[string]byte{t.status(): 0, t.board(): 0} }

// alarm names the topic by station, alarm and subject: the lot, else the probe.
func (t topics) alarm(station, alarm, lot, probe string) string {
	subject := lot
	if subject == "" {
		subject = probe
	}
	return t.base + "alarm/" + level(station) + "/" + level(alarm) + "/" + level(subject)
}

// checkPrefix refuses a prefix that no broker would take as the start of a topic.
func checkPrefix(prefix string) error {
	levels := strings.Split(prefix, "/")
	for _, l := range levels {
		if l == "" || len(l) > maxLevel || strings.ContainsFunc(l, func(r rune) bool { return !plain(r, utf8.RuneLen(r)) }) {
			return fmt.Errorf("the prefix %q is no start of a topic; use letters, digits, dot, dash and underscore, with / between levels and none at either end", prefix)
		}
	}
	if strings.HasPrefix(prefix, "$") {
		return fmt.Errorf("the prefix %q begins with $, which belongs to the broker; begin with a letter", prefix)
	}
	return nil
}
