package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"holdbell/publish/page"
	"holdbell/rules"
)

// TestReloadKeepsClocks: SIGHUP takes a configuration whole or not at all. One with an error changes nothing, not
// even the part before the error; one without is in force with the next sweep. Over both the lot's clock runs on
// as the machine's does, and the alarm that stood is the same one.
func TestReloadKeepsClocks(t *testing.T) {
	v := newVictim(t)
	p := start(t, "holdbell", "run", "--config", v.config, "--socket", v.socket, "--root", filepath.Join(v.dir, "root"))
	client := page.NewClient(v.socket)
	look := func(what string, holds func(watched) bool) (w watched) {
		t.Helper()
		eventually(t, what, func() bool {
			raw, err := client.State(t.Context())
			w = watched{}
			return err == nil && json.Unmarshal(raw, &w) == nil && holds(w)
		})
		return w
	}
	look("the watch", func(w watched) bool { return w.Sweeps > 0 })
	load := rules.MarkFields{Mark: "load", Lot: "reference", Station: "counter", Note: "food=beef probe=steady", ID: "reference"}
	if _, err := client.Mark(t.Context(), load); err != nil {
		t.Fatal(err)
	}
	before := look("the lot rings", func(w watched) bool { return w.rings("reference") > 0 })
	goesOn := func(site string) {
		t.Helper()
		after := look("the site "+site, func(w watched) bool { return w.Site == site && w.Sweeps > before.Sweeps+2 })
		went, aged := after.Monotonic-before.Monotonic, after.danger("reference")-before.danger("reference")
		if d := aged - went; d > 0.002 || d < -0.002 {
			t.Errorf("%.3f s went by and the lot aged %.3f s", went, aged)
		}
		if was, is := before.rings("reference"), after.rings("reference"); was != is {
			t.Errorf("the alarm of event %d is now that of event %d", was, is)
		}
		before = after
	}
	edit := func(old, new string) {
		t.Helper()
		text, err := os.ReadFile(v.config)
		if err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(string(text), old) {
			t.Fatalf("there is no %q in the configuration", old)
		}
		put(t, v.config, strings.ReplaceAll(string(text), old, new))
		hup(t, p)
	}

	edit("site: killed", "site: never\nnonsense: true")
	p.until("nonsense")
	goesOn("killed")

	// What only the rules can tell: the lot's station is gone.
	edit("nonsense: true\n", "")
	look("the site before", func(w watched) bool { return w.Site == "never" })
	before.Site = "never"
	goesOn("never")
	edit("name: counter", "name: bar")
	p.until("no longer has")
	goesOn("never")

	edit("name: bar", "name: counter")
	edit("site: never", "site: last")
	goesOn("last")

	// A base counts as the file does: it is read anew, and taken whole or not at all.
	base := filepath.Join(v.dir, "common.yaml")
	put(t, base, "site: shared\n")
	edit("site: last", "base: common.yaml")
	look("the base's site", func(w watched) bool { return w.Site == "shared" })
	before.Site = "shared"
	goesOn("shared")
	put(t, base, "site: torn\nrubbish: true\n")
	hup(t, p)
	p.until("rubbish")
	goesOn("shared")
	put(t, base, "site: mended\n")
	hup(t, p)
	goesOn("mended")
	if got := p.end(syscall.SIGTERM); got != exitOK {
		t.Errorf("SIGTERM ended it with %d", got)
	}
}
