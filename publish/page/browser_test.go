package page

import (
	"fmt"
	"net/http"
	"net/http/httptest"
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
	if _, err := chromedp.Call(tab, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{Source: `const real = Date.now; Date.now = () => real() - 315360000000;`}); err != nil {
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
	cut.Store(false)
	show(rich().Alarms[:1])
	chromium.Until(t, tab, `document.getElementById("offline").hidden && document.querySelectorAll("#ringing > li").length === 1`)

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
	_, url := served(b, rich(), fixed(noon), noMark)
	tab := chromium.Tab(b, browser)
	chromium.Size(b, tab, 768, 1024, "light")
	paint, drawn := 0.0, 0.0
	for b.Loop() {
		chromium.Open(b, tab, url+"/")
		chromium.Until(b, tab, `performance.getEntriesByName("first-contentful-paint").length`)
		paint += chromium.Get[float64](b, tab, `performance.getEntriesByName("first-contentful-paint")[0].startTime`)
		chromium.Open(b, tab, url+"/board?hours=24")
		chromium.Until(b, tab, `document.querySelector("figure[data-drawn]")`)
		drawn += chromium.Get[float64](b, tab, `Number(document.querySelector("figure[data-drawn]").dataset.drawn)`)
	}
	b.ReportMetric(paint/float64(b.N), "ms-first-paint")
	b.ReportMetric(drawn/float64(b.N), "ms-chart")
}
