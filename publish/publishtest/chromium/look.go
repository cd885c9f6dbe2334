package chromium

import (
	"context"
	_ "embed"
	"encoding/json"
	"fmt"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

//go:embed axe/axe.min.js
var axe string

// windows are the sizes in which a page has to be right: a phone, a tablet, a screen on the wall.
var windows = [][2]int64{{360, 740}, {768, 1024}, {1920, 1080}}

// Look looks at the page that a tab is on in every size and scheme: a checker of WCAG finds nothing, nothing
// is wider than its window. Each is kept as a Picture, also what the window shows first.
func Look(t testing.TB, tab context.Context, name string) {
	t.Helper()
	for _, scheme := range []string{"light", "dark"} {
		for _, size := range windows {
			Size(t, tab, size[0], size[1], scheme)
			Until(t, tab, fmt.Sprintf("innerWidth === %d", size[0]))
			// A chart is drawn anew for its size, and said to be empty where nothing was recorded.
			Until(t, tab, `[...document.querySelectorAll("figure[data-chart] .canvas")].every((c) => c.firstElementChild ? c.firstElementChild.clientWidth === c.clientWidth : c.closest("figure").querySelector(".drawn").innerText === c.closest("figure").dataset.none)`)
			if wide := Get[int64](t, tab, `document.documentElement.scrollWidth`); wide > size[0] {
				t.Errorf("%s at %d: it is %d wide", name, size[0], wide)
			}
			Picture(t, tab, fmt.Sprintf("%s-%d-%s", name, size[0], scheme))
		}
		// Colours hang on the scheme, what is folded on the width: each is looked at once.
		size := windows[map[string]int{"light": 0, "dark": 2}[scheme]]
		Size(t, tab, size[0], size[1], scheme)
		Accessible(t, tab, fmt.Sprintf("%s at %d, %s", name, size[0], scheme))
	}
}

// Accessible lets axe-core look at the page.
func Accessible(t testing.TB, tab context.Context, name string) {
	t.Helper()
	Get[chromedp.Void](t, tab, axe+";undefined")
	Get[chromedp.Void](t, tab, `window.found = null; axe.run(document, { resultTypes: ["violations"] }).then((r) => { window.found = JSON.stringify(r.violations.map((v) => ({ id: v.id, help: v.help, nodes: v.nodes.map((n) => n.html.slice(0, 200) + " :: " + n.failureSummary) }))) });undefined`)
	Until(t, tab, `window.found`)
	var found []struct {
		ID, Help string
		Nodes    []string
	}
	if err := json.Unmarshal([]byte(Get[string](t, tab, `window.found`)), &found); err != nil {
		t.Fatal(err)
	}
	for _, f := range found {
		t.Errorf("%s: %s: %s\n%.600q", name, f.ID, f.Help, f.Nodes)
	}
}

// Press presses a link or a button by the keyboard: what moves meanwhile is not missed, and nothing else hit.
func Press(t testing.TB, tab context.Context, selector string) {
	t.Helper()
	Until(t, tab, fmt.Sprintf("document.querySelector(%q)", selector))
	Do(t, tab, chromedp.SendKeys(chromedp.CSS(selector), kb.Enter))
}

// Type types into a field.
func Type(t testing.TB, tab context.Context, selector, text string) {
	t.Helper()
	Until(t, tab, fmt.Sprintf("document.querySelector(%q)", selector))
	Do(t, tab, chromedp.SendKeys(chromedp.CSS(selector), text))
}
