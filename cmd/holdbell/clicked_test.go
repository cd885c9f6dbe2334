package main

import (
	"context"
	"fmt"
	"strings"
	"syscall"
	"testing"

	"holdbell/publish/publishtest/chromium"
)

// clickSpeed lets the demo's breaker trip 19 s after the start and its food fall below the limit after 40 s,
// which leaves that time to load a piece first.
const clickSpeed = "240"

// kitchenTab is a person at the demo's page.
type kitchenTab struct {
	t    *testing.T
	tab  context.Context
	page string
}

func (k *kitchenTab) until(expression string) {
	k.t.Helper()
	chromium.Until(k.t, k.tab, expression)
}

// reads waits for a text on the page, whatever is loaded meanwhile.
func (k *kitchenTab) reads(text string) {
	k.t.Helper()
	k.until(fmt.Sprintf("document.body?.innerText.includes(%q)", text))
}

func (k *kitchenTab) press(selector string) {
	k.t.Helper()
	chromium.Press(k.t, k.tab, selector)
}

func (k *kitchenTab) on(path string) {
	k.t.Helper()
	k.until(fmt.Sprintf("location.pathname === %q && document.readyState === 'complete'", path))
}

// TestTheStoryClickedThrough is the whole story at the page of the running demo: a piece is loaded, a door
// stands open, the breaker trips, the alarm comes by itself, somebody answers it, does something about it and
// throws the piece away, and the record tells it all.
func TestTheStoryClickedThrough(t *testing.T) {
	browser := chromium.Start(t)
	tab := chromium.Tab(t, browser)
	chromium.Size(t, tab, 360, 740, "light")
	demo := start(t, "holdbell", "demo", "--speed", clickSpeed)
	k := &kitchenTab{t, tab, strings.TrimPrefix(demo.until("page http"), "page ")}
	chromium.Open(t, tab, k.page)

	// From the rail to a loaded piece: the station, its button, the form.
	k.press(`a[href="/station?name=warmer"]`)
	k.on("/station")
	k.press("#hand-load a")
	k.on("/mark")
	chromium.Type(t, tab, "#f-lot", "brisket-7")
	chromium.Type(t, tab, "#f-food", "beef")
	chromium.Type(t, tab, "#f-by", "night cook")
	k.press("form.sheet button.primary")
	k.on("/station")
	k.reads("brisket-7 is in warmer")
	k.press(`a[href="/"]`)
	k.on("/")
	k.until(`[...document.querySelectorAll("#lots ~ .rail h3")].some((h) => h.innerText === "brisket-7")`)

	// From here on the page is not loaded anew: the door and the alarm come to it.
	chromium.Get[struct{}](t, tab, "window.same = true;undefined")
	k.reads("warmer stands open")
	ring := `[...document.querySelectorAll("#ringing > li")].find((li) => li.innerText.includes("Below hot limit of brisket-7"))`
	k.until(ring)
	if !chromium.Get[bool](t, tab, "window.same") {
		t.Error("the page was loaded anew to show the alarm")
	}
	if n := chromium.Get[int](t, tab, `[...document.querySelectorAll("#ringing > li")].filter((li) => li.innerText.includes("Below hot limit of brisket-7")).length`); n != 1 {
		t.Errorf("the alarm is on the page %d times", n)
	}
	chromium.Picture(t, tab, "story-1-alarm")

	// One press acknowledges it.
	k.press("#" + chromium.Get[string](t, tab, ring+".id") + " form button")
	k.reads("Answer:")
	k.until("!(" + ring + ")")
	chromium.Picture(t, tab, "story-2-acknowledged")
	k.press(`a[href="/alarms"]`)
	k.on("/alarms")
	k.until(`[...document.querySelectorAll(".alarm")].some((a) => a.innerText.includes("Below hot limit: brisket-7") && a.querySelector(".state").innerText.includes("Acknowledged"))`)

	// What was done about it, then what could not be helped.
	k.press(`nav a[href="/"]`)
	k.on("/")
	k.press(`.ticket h3 a[href="/lot?name=brisket-7"]`)
	k.on("/lot")
	k.press("#hand-corrective a")
	k.on("/mark")
	chromium.Type(t, tab, "#f-note", "breaker reset, piece too cold to go on")
	k.press("form.sheet button.primary")
	k.on("/lot")
	k.reads("breaker reset")
	k.press("#hand-discard a")
	k.on("/mark")
	k.press("form.sheet button.primary")
	k.on("/lot")
	k.reads("discarded")
	chromium.Picture(t, tab, "story-3-discarded")

	// The record has it, newest first.
	k.press(`nav a[href="/record"]`)
	k.on("/record")
	all := chromium.Text(t, tab)
	for range 20 {
		older := chromium.Get[string](t, tab, `[...document.querySelectorAll("a.button")].find((a) => a.innerText === "Older")?.href || ""`)
		if older == "" {
			break
		}
		chromium.Open(t, tab, older)
		all += chromium.Text(t, tab)
	}
	// A busy machine lets the door open before the piece is loaded.
	if !strings.Contains(all, "warmer stands open") {
		t.Error("the record does not tell of the door")
	}
	for _, told := range []string{"brisket-7 was discarded", "breaker reset, piece too cold to go on", "Acknowledged, unsigned: below hot limit at warmer", "brisket-7 in warmer at 134", "brisket-7 is in warmer"} {
		_, older, found := strings.Cut(all, told)
		if !found {
			t.Fatalf("the record does not tell %q, or not in the order of time; it says\n%s", told, chromium.Text(t, tab))
		}
		all = older
	}

	// The same on paper: the day, and the piece beside the other one of the day.
	chromium.Open(t, tab, k.page+"record/print?day=2026-05-02")
	k.reads("breaker reset, piece too cold to go on")
	chromium.Open(t, tab, k.page+"compare?a=brisket-7%402026-05-02&b=pork-1%402026-05-02")
	k.until(`document.querySelector("figure[data-drawn]")`)
	k.press(`a[href^="/compare/print"]`)
	k.on("/compare/print")
	k.reads("brisket-7 of 2026-05-02, the whole line")
	chromium.Sound(t, tab)
	if got := demo.end(syscall.SIGTERM); got != exitOK {
		t.Errorf("SIGTERM ended the demo with %d", got)
	}
}

// TestTheDemosViews looks at every view of the demo's kitchen while its alarm rings, on a phone, a tablet and
// a wall screen, light and dark.
func TestTheDemosViews(t *testing.T) {
	browser := chromium.Start(t)
	demo := start(t, "holdbell", "demo", "--speed", "300")
	page := strings.TrimPrefix(demo.until("page http"), "page ")
	demo.until("VERDICT act       warmer")
	for _, view := range []struct{ name, path string }{
		{"rail", ""}, {"alarms", "alarms"}, {"station", "station?name=warmer"}, {"pit", "station?name=pit"}, {"lot", "lot?name=warmer"},
		{"record", "record"}, {"board", "board"}, {"figures", "figures?station=warmer&hours=1"}, {"load", "mark?mark=load&station=warmer"},
		{"check", "mark?mark=check&lot=warmer"}, {"mark", "mark"}, {"compare", "compare?a=warmer%402026-05-02&b=pork-1%402026-05-02"},
	} {
		t.Run(view.name, func(t *testing.T) {
			tab := chromium.Tab(t, browser)
			chromium.Open(t, tab, page+view.path)
			chromium.Look(t, tab, "demo-"+view.name)
			chromium.Sound(t, tab)
		})
	}
}
