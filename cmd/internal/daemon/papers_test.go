package daemon

import (
	"fmt"
	"net/http"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"holdbell/rules"
)

// The papers of a running daemon are made of its own record: two lots that were marked side by side, their chart, both
// on paper, and the day. What cannot be made says what is there.
func TestPapersOfTheDaemon(t *testing.T) {
	source := newLine(noon(), 2, true)
	mark := func(after time.Duration, kind rules.MarkKind, lot, by string) {
		source.marks = append(source.marks, rules.Mark{At: noon().Add(after), Kind: kind, Lot: lot, Station: "warmer", By: by, ID: fmt.Sprintf("m%d", len(source.marks))})
	}
	mark(10*time.Second, rules.MarkLoad, "ribs", "R")
	mark(20*time.Minute, rules.MarkClose, "ribs", "R")
	mark(25*time.Minute, rules.MarkLoad, "ham", "R")
	mark(30*time.Minute, rules.MarkNote, "ham", "R")
	source.marks[len(source.marks)-1].Note = "turned <b>over</b>"
	mark(55*time.Minute, rules.MarkClose, "ham", "R")
	source.play(3600, 150).play(60, 151)
	r := begin(t, parsed(t, onPort("127.0.0.1:0")), filepath.Join(t.TempDir(), "l.db"), always(source))
	r.ear.until(t, "ham closed", func(ev *rules.Event) bool { return ev.Kind == rules.LotEnded && ev.Lot == "ham" })
	url := <-r.pages
	const two = "?a=ribs%402026-03-01&b=ham%402026-03-01"
	// The last readings may wait for their commit; what is printed is made anew each time.
	eventually(t, "both lots are in the record to their ends", func() bool {
		status, body := get(t, url+"/compare/print"+two)
		return status == http.StatusOK && strings.Contains(body, "20 min") && strings.Contains(body, "30 min")
	})
	for _, c := range []struct {
		path   string
		status int
		has    []string
	}{
		{"/compare", 200, []string{"ham@2026-03-01", "ribs@2026-03-01"}},
		{"/compare" + two, 200, []string{"ribs of 2026-03-01", "ham of 2026-03-01", "/compare/print" + strings.ReplaceAll(two, "&", "&amp;")}},
		{"/compare.json" + two, 200, []string{`"since":true`, `"A ribs of 2026-03-01"`, `"B ham of 2026-03-01"`, `1500`}},
		{"/compare/print" + two, 200, []string{"Two cooks side by side", "ribs of 2026-03-01, the whole line", "turned &lt;b&gt;over&lt;/b&gt;"}},
		{"/record/print?day=2026-03-01", 200, []string{"ribs", "ham", "turned &lt;b&gt;over&lt;/b&gt;"}},
		{"/compare?a=ribs&b=pork", 404, []string{"o lot pork is recorded; the newest that are: ", "ham@2026-03-01, ribs@2026-03-01"}},
		{"/compare/print?a=ribs&b=ribs", 404, []string{"o second lot ribs"}},
		{"/record/print?day=2026-02-01", 404, []string{"othing is recorded in that span; the record goes from 2026-03-01T12:00:0"}},
		{"/record/print?day=yesterday", 404, []string{"he day cannot be read; write it as 2026-03-01"}},
	} {
		status, body := get(t, url+c.path)
		if status != c.status {
			t.Errorf("%s: %d %.300s", c.path, status, body)
		}
		for _, want := range c.has {
			if !strings.Contains(body, want) {
				t.Errorf("%s lacks %q", c.path, want)
			}
		}
	}
	r.end()
}
