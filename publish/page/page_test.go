package page

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/html"

	"holdbell/publish/publishtest"
	"holdbell/rules"
	"holdbell/rules/terms"
	"holdbell/sensor"
)

var update = flag.Bool("update", false, "write the golden pages anew")

func anyone(*http.Request) Visitor { return Visitor{MayMark: true} }

func noMark(context.Context, rules.Mark) (string, error) {
	return "", errors.New("no mark was expected")
}

// get asks the page for a path and gives status and body.
func get(t testing.TB, p *Page, path string) (int, string) {
	t.Helper()
	w := httptest.NewRecorder()
	p.Handler().ServeHTTP(w, httptest.NewRequest(http.MethodGet, path, nil))
	return w.Code, w.Body.String()
}

func unbelieved(i sensor.Instant) sensor.Instant { i.Believed = false; return i }

func views(t *testing.T) map[string]*Page {
	calm := publishtest.State(3)
	calm.At = ago(time.Second)
	return map[string]*Page{
		"rich":    kitchen(t, rich(), noon, noMark),
		"doubt":   kitchen(t, rich(), unbelieved(noon).Add(10*time.Minute), noMark),
		"empty":   kitchen(t, nil, noon, noMark),
		"calm":    kitchen(t, calm, noon, nil),
		"no-lots": kitchen(t, &rules.State{Site: "bare", Units: rules.Celsius, At: noon}, noon, noMark),
	}
}

// paths are every page of the rich kitchen, by a name for its golden file.
func paths() map[string]string {
	return map[string]string{"": "/", "-mark": "/mark?lot=brisket&station=warmer", "-check": "/mark?mark=check&lot=brisket&station=warmer",
		"-station": "/station?name=warmer", "-lot": "/lot?name=pulled+pork", "-alarms": "/alarms", "-board": "/board", "-record": "/record",
		"-figures": "/figures?station=warmer", "-gone": "/lot?name=nothing"}
}

func TestGoldenPages(t *testing.T) {
	for suffix, path := range paths() {
		// Each page is drawn by a kitchen of its own, so that the ids on it do not hang on the order.
		for name, p := range views(t) {
			if suffix != "" && name != "rich" {
				continue
			}
			status, got := get(t, p, path)
			if (status == http.StatusNotFound) != (suffix == "-gone") || status >= 500 {
				t.Errorf("%s: status %d", name, status)
			}
			// A change of a style sheet or a script alone changes no golden page.
			got = regexp.MustCompile(`\?v=[0-9a-f]{12}|(?s:<style>.*?</style>)`).ReplaceAllString(got, "")
			file := filepath.Join("testdata", name+suffix+".golden.html")
			if *update {
				if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if got != string(want) {
				t.Errorf("%s differs from %s%s; look at it and run the test with -update", path, file, firstDifference(got, string(want)))
			}
		}
	}
}

func firstDifference(got, want string) string {
	g, w := strings.Split(got, "\n"), strings.Split(want, "\n")
	for i := range min(len(g), len(w)) {
		if g[i] != w[i] {
			return fmt.Sprintf("\nline %d\n got %s\nwant %s", i+1, g[i], w[i])
		}
	}
	return " in length"
}

// Every station, lot, verdict, alarm and probe of a state is on the page by name.
func TestPageNamesEverything(t *testing.T) {
	st := rich()
	words := ""
	for _, path := range []string{"/", "/alarms", "/board"} {
		_, body := get(t, kitchen(t, st, noon, noMark), path)
		words += textOf(t, body)
	}
	want := []string{"Discard", "Act", "Ok", "Unacknowledged", "Acknowledged", "Returned to normal, unacknowledged", "Shelved", "Out of service",
		"value unknown", "calibrated hand thermometer", "health department"}
	for _, l := range st.Lots {
		want = append(want, l.Lot, l.Station, l.Basis, l.Action)
	}
	for _, s := range st.Stations {
		want = append(want, s.Name)
	}
	for _, a := range st.Alarms {
		want = append(want, a.Text, string(a.Priority), terms.Label(a.Alarm))
	}
	for _, p := range st.Probes {
		want = append(want, p.Name)
		if !p.Reading.Valid() {
			want = append(want, terms.Label(p.Reading.Fault), terms.Of(p.Reading.Fault).Means)
		}
	}
	for _, w := range want {
		if !strings.Contains(strings.ToLower(words), strings.ToLower(w)) && w != "value unknown" {
			t.Errorf("the page does not say %q", w)
		}
	}
	if !strings.Contains(words, "no valid reading says how it stands") {
		t.Error("an alarm whose value is unknown does not say so")
	}
}

// Tickets stand in the order in which they need a hand, ended ones that do not apart.
func TestTicketOrder(t *testing.T) {
	open, ended := kitchen(t, rich(), noon, noMark).scene(look{}, noon).tickets(nil)
	var got []string
	for _, k := range open {
		name := k.Lot
		if strings.HasPrefix(name, "🍗") {
			name = "emoji"
		}
		got = append(got, string(k.Verdict)+" "+name)
	}
	want := []string{"discard wings", "act warmer", "act stock", "act buffet eggs", "act gravy", "act pulled pork", "ok brisket", `ok <script>alert("x")</script>`, "ok emoji"}
	if !slices.Equal(got, want) {
		t.Errorf("tickets stand as\n%q, want\n%q", got, want)
	}
	if len(ended) != 1 || ended[0].Lot != "ribs" {
		t.Errorf("ended lots: %+v", ended)
	}
}

// Time left runs on while the state is old; no time is left past the limit.
func TestTimeLeft(t *testing.T) {
	held := rules.LotState{Verdict: rules.OK, DangerLimit: 4 * time.Hour, Charged: time.Hour}
	late := rules.LotState{Verdict: rules.Act, DangerLimit: 4 * time.Hour, Charged: time.Hour, Deadline: noon.Add(-time.Second)}
	due := rules.LotState{Verdict: rules.Act, DangerLimit: 4 * time.Hour, Charged: 3 * time.Hour, Deadline: noon.Add(30 * time.Minute)}
	cooling := rules.LotState{Verdict: rules.Act, Stage: rules.Cooling, DangerLimit: 4 * time.Hour, Deadline: noon.Add(30 * time.Minute),
		Cooling: &rules.CoolingState{Started: noon.Add(-90 * time.Minute), Result: rules.Running}}
	lost := rules.LotState{Verdict: rules.Act, UnknownLength: true, DangerLimit: 4 * time.Hour}
	none := rules.LotState{Verdict: rules.OK}
	for _, c := range []struct {
		name    string
		lot     rules.LotState
		unseen  time.Duration
		words   string
		percent int
		bar     bool
	}{
		{"held", held, 0, "3 h left", 75, true},
		{"held, stale", held, time.Hour, "2 h left", 50, true},
		{"late", late, 0, "No time left", 0, true},
		{"due", due, 0, "30 min left", 12, true},
		{"cooling", cooling, 0, "30 min left", 25, true},
		{"discard", rules.LotState{Verdict: rules.Discard, DangerLimit: 4 * time.Hour}, 0, "No time left", 0, true},
		{"lost", lost, 0, "Time left is not known", 0, false},
		{"none", none, 0, "No limit counts down", 0, false},
	} {
		got := leftOf(&c.lot, clock{noon, time.UTC}, c.unseen)
		if got.Words != c.words || got.Percent != c.percent || got.Bar != c.bar {
			t.Errorf("%s: %+v, want %s, %d %%, bar %v", c.name, got, c.words, c.percent, c.bar)
		}
	}
}

func TestStaleAndDoubt(t *testing.T) {
	for _, c := range []struct {
		name         string
		now          sensor.Instant
		stale, doubt bool
	}{
		{"fresh", noon, false, false},
		{"at the bound", ago(-4 * time.Second), false, false},
		{"past it", ago(-4*time.Second - time.Millisecond), true, false},
		{"another boot, clock not set", sensor.Instant{Wall: noon.Wall, Boot: sensor.BootID{1}}, true, true},
		{"clock not set", unbelieved(noon), false, true},
	} {
		_, body := get(t, kitchen(t, rich(), c.now, noMark), "/")
		if got := strings.Contains(body, `<strong role="alert">Stale.</strong>`); got != c.stale {
			t.Errorf("%s: says stale %v", c.name, got)
		}
		if got := strings.Contains(body, "clock is not set"); got != c.doubt {
			t.Errorf("%s: says that the clock is not set %v", c.name, got)
		}
		if c.doubt {
			if at := regexp.MustCompile(`\b[0-2][0-9]:[0-5][0-9]\b`).FindString(textOf(t, body)); at != "" {
				t.Errorf("%s: shows the clock time %s", c.name, at)
			}
		}
	}
}

func TestEscaping(t *testing.T) {
	evil := `"><script>alert('x')</script><img src=x onerror=y>`
	st := rich()
	for i := range st.Lots {
		l := &st.Lots[i]
		l.Lot, l.Food, l.Station, l.Action, l.Basis, l.Text, l.Probe = evil, evil, evil, evil, evil, evil, evil
		l.Probes = []string{evil, evil}
	}
	for i := range st.Stations {
		st.Stations[i].Name = evil
	}
	for i := range st.Alarms {
		a := &st.Alarms[i]
		a.Text, a.Lot, a.Station, a.Probe, a.AckBy = evil, evil, evil, evil, evil
	}
	for i := range st.Probes {
		st.Probes[i].Name = evil
	}
	st.Site = evil
	p := kitchen(t, st, noon, noMark)
	if err := p.Deliver(t.Context(), "l", rules.Event{Seq: 99, Text: evil, By: evil}); err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{"/", "/alarms", "/board", "/record", "/figures", "/station?name=" + url.QueryEscape(evil), "/lot?name=" + url.QueryEscape(evil), "/lot?name=x" + url.QueryEscape(evil), "/mark", "/mark?lot=" + strings.ReplaceAll("%22%3E%3Cscript%3E", " ", "+") + "&mark=%3Cscript%3E&station=%3Cscript%3E&note=%22%3E%3Cscript%3E"} {
		_, body := get(t, p, path)
		walk(t, body, func(n *html.Node) {
			if n.Type == html.ElementNode && (n.Data == "script" && (n.FirstChild != nil || !strings.HasPrefix(attr(n, "src"), filePath)) || n.Data == "img") {
				t.Errorf("%s: a name became the element %s", path, n.Data)
			}
			for _, a := range n.Attr {
				if strings.HasPrefix(a.Key, "on") {
					t.Errorf("%s: a name became the attribute %s", path, a.Key)
				}
			}
		})
	}
}

func TestHeaders(t *testing.T) {
	p := kitchen(t, rich(), noon, noMark)
	for _, path := range []string{"/", "/mark", "/state", "/healthz", "/nowhere", p.files.urls["icon.svg"]} {
		w := httptest.NewRecorder()
		p.Handler().ServeHTTP(w, httptest.NewRequest(http.MethodGet, path, nil))
		h := w.Header()
		if !strings.Contains(h.Get("Content-Security-Policy"), "default-src 'none'") || h.Get("X-Content-Type-Options") != "nosniff" ||
			h.Get("Referrer-Policy") != "same-origin" || h.Get("Cache-Control") == "" {
			t.Errorf("%s: headers %v", path, h)
		}
		if want := map[bool]int{true: 404, false: 200}[path == "/nowhere"]; w.Code != want {
			t.Errorf("%s: status %d, want %d", path, w.Code, want)
		}
	}
}

func TestRefresh(t *testing.T) {
	p := kitchen(t, rich(), noon, noMark)
	const meta = `http-equiv="refresh"`
	if _, body := get(t, p, "/"); !strings.Contains(body, meta) {
		t.Error("the page does not follow along")
	}
	for _, path := range []string{"/?refresh=off", "/mark"} {
		if _, body := get(t, p, path); strings.Contains(body, meta) {
			t.Errorf("%s loads itself anew", path)
		}
	}
}

// The far end of the suite is the page's own list of events: broken while somebody holds its turn.
func TestPublisher(t *testing.T) {
	publishtest.Run(t, func(t *testing.T) publishtest.Rig {
		p := kitchen(t, nil, noon, nil)
		return publishtest.Rig{Publisher: p,
			Received: func() (keys []publishtest.Key) {
				for _, d := range *p.events.Load() {
					keys = append(keys, publishtest.Key{Ledger: d.ledger, Seq: d.ev.Seq})
				}
				return keys
			},
			Break: func() { p.turn <- struct{}{} },
			Mend:  func() { <-p.turn },
		}
	})
}

func TestEventsAreBounded(t *testing.T) {
	early := publishtest.Events(maxEvents + 20)
	p, err := New(Options{Now: func() sensor.Instant { return noon }, Events: early[:maxEvents+10]})
	if err != nil {
		t.Fatal(err)
	}
	// The last ten of before come again, as after a kill.
	for _, ev := range early[maxEvents:] {
		if err := p.Deliver(t.Context(), "l", ev); err != nil {
			t.Fatal(err)
		}
	}
	kept := *p.events.Load()
	if len(kept) != maxEvents || kept[0].ev.Seq != 21 || kept[maxEvents-1].ev.Seq != maxEvents+20 {
		t.Errorf("%d events kept, from %d to %d", len(kept), kept[0].ev.Seq, kept[len(kept)-1].ev.Seq)
	}
}

func TestNewRefusesBadOptions(t *testing.T) {
	now := func() sensor.Instant { return noon }
	for _, o := range []Options{{}, {Now: now, Period: -1}, {Now: now, Refresh: -1}} {
		if _, err := New(o); err == nil {
			t.Errorf("New(%+v) gives no error", o)
		}
	}
}

func BenchmarkRail(b *testing.B) {
	p := kitchen(b, rich(), noon, noMark)
	var bytes int
	b.ReportAllocs()
	for b.Loop() {
		w := httptest.NewRecorder()
		p.Handler().ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/", nil))
		bytes = w.Body.Len()
	}
	b.ReportMetric(float64(bytes), "bytes/page")
}
