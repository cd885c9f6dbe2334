package page

import (
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"holdbell/publish/publishtest/chromium"
	"holdbell/rules"
	"holdbell/sensor"
)

// browserPaths are every page of the rich kitchen in a browser.
func browserPaths() map[string]string {
	all := paths()
	all["-rail"] = all[""]
	delete(all, "")
	all["-load"] = "/mark?mark=load&station=warmer"
	all["-compare"] = "/compare?a=ribs%402026-03-01&b=ribs%402026-02-20"
	return all
}

// Every view, light and dark, on a phone, a tablet and a wall screen: nothing is cut off, no script fails,
// the browser refuses nothing, and a checker of WCAG finds nothing.
func TestEveryViewInABrowser(t *testing.T) {
	browser := chromium.Start(t)
	_, url := served(t, rich(), fixed(noon), noMark)
	for name, path := range browserPaths() {
		t.Run(name[1:], func(t *testing.T) {
			tab := chromium.Tab(t, browser)
			chromium.Open(t, tab, url+path)
			chromium.Look(t, tab, name[1:])
			chromium.Sound(t, tab)
		})
	}
}

type chromiumVoid = struct{}

// An open page follows along without being loaded anew: an alarm arrives, what a person has opened and typed
// stays, a connection that was lost comes back, a device whose clock is wrong shows the same ages.
func TestAnOpenPage(t *testing.T) {
	browser := chromium.Start(t)
	d := &desk{}
	st := rich()
	st.Alarms = st.Alarms[1:3]
	p := kitchen(t, st, noon, d.take)
	begin := time.Now()
	p.opt.Now = func() sensor.Instant { return noon.Add(time.Since(begin)) }
	var cut atomic.Bool
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if cut.Load() {
			panic(http.ErrAbortHandler)
		}
		p.Handler().ServeHTTP(w, r)
	}))
	t.Cleanup(s.Close)
	t.Cleanup(s.CloseClientConnections)
	show := func(alarms []rules.AlarmState) {
		next := rich()
		next.At, next.Seq, next.Alarms = p.opt.Now(), p.state.Load().Seq+1, alarms
		p.Show(next)
	}
	tab := chromium.Tab(t, browser)
	// This device believes that it is ten years ago.
	if _, err := chromedp.Call(tab, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{Source: `const real = Date.now; Date.now = () => real() - 315360000000 + (window.shift || 0);`}); err != nil {
		t.Fatal(err)
	}
	chromium.Size(t, tab, 768, 1024, "light")
	chromium.Open(t, tab, s.URL+"/")
	chromium.Until(t, tab, `!document.querySelector(".alive").hidden`)
	chromium.Get[chromiumVoid](t, tab, `window.same = true; document.querySelector("#count-act").dataset.mine = "1"; document.querySelector("details").open = true; document.querySelector("summary").focus()`)
	first := chromium.Get[string](t, tab, `document.querySelector("details").closest("li").id`)

	show(rich().Alarms)
	chromium.Until(t, tab, `document.querySelector("#ringing .p-critical")`)
	if !chromium.Get[bool](t, tab, fmt.Sprintf(`window.same && document.getElementById(%q).querySelector("details").open && document.activeElement.localName === "summary"`, first)) {
		t.Error("an update closed what was open, or took the focus away")
	}
	if n := chromium.Get[int](t, tab, `document.querySelectorAll("#ringing .p-critical").length`); n != 1 {
		t.Errorf("the alarm stands %d times", n)
	}
	if ago := chromium.Get[string](t, tab, `document.querySelector("#age .ago").textContent`); !strings.HasSuffix(ago, " s ago") {
		t.Errorf("on a device whose clock is wrong the last sweep was %s", ago)
	}

	// The connection goes, and comes back.
	cut.Store(true)
	s.CloseClientConnections()
	chromium.Until(t, tab, `!document.getElementById("offline").hidden && document.body.classList.contains("lost")`)
	if text := chromium.Get[string](t, tab, `document.getElementById("offline").innerText`); !strings.Contains(text, "No connection to the board.") || !strings.Contains(text, " s old.") {
		t.Errorf("offline it says %q", text)
	}
	chromium.Picture(t, tab, "offline")
	// It stays away for an hour, as far as this device can tell.
	chromium.Get[chromiumVoid](t, tab, `window.shift = 3600000;undefined`)
	chromium.Until(t, tab, `document.querySelector("#offline .ago").innerText === "1 h" && document.querySelector("#age .ago").innerText === "1 h ago"`)
	cut.Store(false)
	show(rich().Alarms[:1])
	chromium.Until(t, tab, `document.getElementById("offline").hidden && document.querySelectorAll("#ringing > li").length === 1 && document.querySelector("#age .ago").innerText.endsWith(" s ago")`)

	// A week of events and readings leaves no trace in the page.
	size := `document.querySelectorAll("*").length`
	before := chromium.Get[int](t, tab, size)
	for i := range 500 {
		ev := rules.Event{Seq: uint64(1000 + i), Kind: rules.VerdictChanged, At: p.opt.Now(), Text: fmt.Sprintf("Event %d.", i)}
		if err := p.Deliver(t.Context(), "ledger", ev); err != nil {
			t.Fatal(err)
		}
		show(rich().Alarms[i%2 : i%2+2])
	}
	chromium.Until(t, tab, `document.querySelector('[data-region="events"]').innerText.includes("Event 499.")`)
	if after := chromium.Get[int](t, tab, size); after > before+300 {
		t.Errorf("the page had %d elements and has %d", before, after)
	}

	// A double click is one mark, and the answer follows.
	show(rich().Alarms[:1])
	chromium.Until(t, tab, `document.querySelector('#ringing form [name="lot"]')?.value === "pulled pork"`)
	chromium.Get[chromiumVoid](t, tab, `{ const b = document.querySelector("#ringing form button"); b.click(); b.click() }`)
	chromium.Until(t, tab, `document.body?.innerText.includes("Taken: acknowledge of pulled pork.")`)
	if d.mu.Lock(); len(d.marks) != 1 || d.marks[0].Alarm != rules.BelowHotLimit {
		t.Errorf("%d marks: %+v", len(d.marks), d.marks)
	}
	d.mu.Unlock()
	chromium.Sound(t, tab)
}

// How long a person waits: the rail's first paint, and a chart of a day of eight probes from tap to drawn.
func BenchmarkPaint(b *testing.B) {
	browser := chromium.Start(b)
	st := rich()
	// A name of 300 emoji makes a browser look through every font of the machine.
	st.Lots = slices.DeleteFunc(st.Lots, func(l rules.LotState) bool { return len(l.Lot) > 100 })
	_, url := served(b, st, fixed(noon), noMark)
	tab := chromium.Tab(b, browser)
	chromium.Size(b, tab, 768, 1024, "light")
	// What a page of one word takes is the browser's own.
	word := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/html")
		_, _ = io.WriteString(w, "<!DOCTYPE html><title>x</title><p>word")
	}))
	b.Cleanup(word.Close)
	// Other work on the machine only adds: the least of some runs is nearest to what the page takes, the middle one is
	// what a person meets.
	all := map[string][]float64{}
	took := func(what, url, until, figure string) {
		chromium.Open(b, tab, url)
		chromium.Until(b, tab, until)
		all[what] = append(all[what], chromium.Get[float64](b, tab, figure))
	}
	const painted, at = `performance.getEntriesByName("first-contentful-paint").length`, `performance.getEntriesByName("first-contentful-paint")[0].startTime`
	for b.Loop() {
		took("ms-paint-of-one-word", word.URL, painted, at)
		took("ms-first-paint", url+"/", painted, at)
		took("ms-chart", url+"/board?hours=24", `document.querySelector("figure[data-drawn]")`, `Number(document.querySelector("figure[data-drawn]").dataset.drawn)`)
	}
	for what, ms := range all {
		slices.Sort(ms)
		b.ReportMetric(ms[0], what+"-least")
		b.ReportMetric(ms[len(ms)/2], what+"-median")
	}
}
