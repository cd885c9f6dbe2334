package main

import (
	"fmt"
	"strings"
	"sync"
	"syscall"
	"testing"

	"holdbell/publish/publishtest/chromium"
)

// Two people at two phones see the same alarm of the running demo and both acknowledge it at once, each with a double
// click, while a third page just stands open. It is in the record once; who was later reads who was first; all three show
// it, the open page without being loaded anew.
func TestTwoHandsOnOneAlarm(t *testing.T) {
	browser := chromium.Start(t)
	demo := start(t, "holdbell", "demo", "--speed", clickSpeed)
	page := strings.TrimPrefix(demo.until("page http"), "page ")
	names := []string{"night cook", "pit hand", ""}
	hands := make([]*kitchenTab, len(names))
	for i := range hands {
		tab := chromium.Tab(t, browser)
		chromium.Size(t, tab, 360, 740, "light")
		chromium.Open(t, tab, page+"alarms")
		hands[i] = &kitchenTab{t, tab, page}
		chromium.Get[struct{}](t, tab, "window.same = true;undefined")
	}
	const card = `[...document.querySelectorAll("li.alarm.rings")].find((a) => a.innerText.includes("Below hot limit: warmer"))`
	for i, h := range hands {
		h.until(card)
		// The story goes at its own speed: the names are typed and both press within one turn of their pages.
		if names[i] != "" {
			chromium.Get[struct{}](t, h.tab, fmt.Sprintf(`window.press = () => { const f = %s.querySelector("form"); f.querySelector("[name=by]").value = %q; const b = f.querySelector("button"); b.click(); b.click(); };undefined`, card, names[i]))
		}
	}
	var both sync.WaitGroup
	for _, h := range hands[:2] {
		both.Go(func() { chromium.Get[struct{}](t, h.tab, "press();undefined") })
	}
	both.Wait()
	answers := make([]string, 2)
	for i, h := range hands[:2] {
		h.reads("Answer:")
		answers[i] = chromium.Get[string](t, h.tab, `document.querySelector(".answer p").innerText`)
	}
	t.Logf("the answers: %q", answers)
	first := 0
	if strings.Contains(answers[0], "already") {
		first = 1
	}
	if want := "Acknowledged: below hot limit at warmer"; !strings.Contains(answers[first], want) {
		t.Errorf("who was first reads %q, want %q", answers[first], want)
	}
	if want := "was acknowledged already by " + names[first] + ", "; !strings.Contains(answers[1-first], want) {
		t.Errorf("who was later reads %q, want %q", answers[1-first], want)
	}
	for i, h := range hands {
		h.until(fmt.Sprintf(`[...document.querySelectorAll("li.alarm")].some((a) => a.innerText.includes("Below hot limit: warmer") && a.innerText.includes("by %s"))`, names[first]))
		chromium.Picture(t, h.tab, fmt.Sprintf("two-hands-%d", i))
		chromium.Sound(t, h.tab)
	}
	if !chromium.Get[bool](t, hands[2].tab, "window.same") {
		t.Error("the open page was loaded anew to show it")
	}
	// Of the record's newest page: one acknowledgement, of the first.
	chromium.Open(t, hands[0].tab, page+"record")
	told := chromium.Get[[]string](t, hands[0].tab, `[...document.querySelectorAll(".events li")].map((e) => e.innerText).filter((e) => e.includes("Alarm acknowledged"))`)
	if len(told) != 1 || !strings.Contains(told[0], "By "+names[first]) {
		t.Errorf("the record tells of %d acknowledgements: %q", len(told), told)
	}
	if got := demo.end(syscall.SIGTERM); got != exitOK {
		t.Errorf("SIGTERM ended the demo with %d", got)
	}
}
