package ledger

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// headLine is a head as a second party has it from the broker.
func headLine(h Head) string {
	return fmt.Sprintf(`2026-05-02T11:50:00+0000 holdbell/demo-kitchen/head {"ledger":%q,"links":%d,"hash":%q,"at":null}`+"\n", h.Ledger, h.Links, h.Hash)
}

func TestReadHeads(t *testing.T) {
	a, b := Head{someID, 7, Hash{1, 2}}, Head{someID, 9, Hash{3}}
	heads, err := ReadHeads(strings.NewReader("\n" + headLine(a) + "the disk was full {\"ledger\":\"x\n" + `{"ledger":"x","links":1,"hash":"12"}` + "\r\n" + headLine(b)))
	if err != nil || !slices.Equal(heads, []Head{a, b}) {
		t.Errorf("%v, %v", heads, err)
	}
	for _, bad := range []string{"", "nothing\n{}\n", strings.Repeat("x", longestHeadLine+1)} {
		if _, err := ReadHeads(strings.NewReader(bad)); err == nil {
			t.Errorf("%.20q is taken", bad)
		}
	}
}

// A record whose past was written anew has a sound chain, and none of the heads that others kept of it.
func TestKept(t *testing.T) {
	b := chained(t)
	path := filepath.Join(fastDir(t), "ledger.db")
	must(t, os.WriteFile(path, b, 0o600))
	l, err := Open(path, Options{})
	must(t, err)
	first := l.Head()
	commit(t, l, Batch{Layout: twoProbes, FirstSweep: 41, Sweeps: sweepsFrom(41, 1, 2), Events: eventsFrom(13, 1)})
	newest := l.Head()
	must(t, l.Close())
	whole, err := os.ReadFile(path)
	must(t, err)

	anew, beyond := first, newest
	anew.Hash[0]++
	beyond.Links++
	foreign := Head{Ledger: "another", Links: first.Links, Hash: first.Hash}
	for _, c := range []struct {
		name   string
		kept   []Head
		heads  int
		others int
		lost   []Head
	}{
		{"all there, one twice", []Head{first, newest, first, foreign}, 2, 1, nil},
		{"none of this record", []Head{foreign}, 0, 1, nil},
		{"written anew", []Head{newest, anew}, 2, 0, []Head{anew}},
		{"cut off", []Head{beyond, first, anew}, 3, 0, []Head{anew, beyond}},
	} {
		v := tampered(t, whole, VerifyOptions{Kept: c.kept})
		if v.Break != nil || v.Kept.Heads != c.heads || v.Kept.Others != c.others || !slices.Equal(v.Kept.Lost, c.lost) {
			t.Errorf("%s: %+v, break %+v", c.name, v.Kept, v.Break)
		}
	}
	// Behind a break nothing can be said of the heads.
	v := tampered(t, whole, VerifyOptions{Kept: []Head{newest, beyond}}, fmt.Sprintf(`DELETE FROM chain WHERE n = %d`, newest.Links-1))
	if v.Break == nil || v.Kept.Heads != 2 || len(v.Kept.Lost) != 0 {
		t.Errorf("behind a break: %+v, break %+v", v.Kept, v.Break)
	}
	if v := tampered(t, whole, VerifyOptions{}); v.Kept != nil {
		t.Errorf("without heads: %+v", v.Kept)
	}
}

// Whatever stands in a file of heads, each that is read reads the same when it is written down again.
func FuzzHeads(f *testing.F) {
	f.Add([]byte(headLine(Head{someID, 7, Hash{1, 2}})))
	f.Add([]byte("2026-05-02 {\"ledger\":\"a\",\"links\":18446744073709551615,\"hash\":\"" + strings.Repeat("ab", 32) + "\"}\n{\n\n"))
	f.Add([]byte("{}{}\x00{\"links\":-1}\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		heads, err := ReadHeads(strings.NewReader(string(data)))
		if (err == nil) != (len(heads) > 0) {
			t.Fatalf("%d heads and the error %v", len(heads), err)
		}
		for _, h := range heads {
			if h.Ledger == "" || h.Links == 0 {
				t.Errorf("%+v is no head", h)
			}
			if again, ok := headIn([]byte(fmt.Sprintf(`{"ledger":%s,"links":%d,"hash":%q}`, quoted(h.Ledger), h.Links, h.Hash))); !ok || again != h {
				t.Errorf("%+v reads as %+v", h, again)
			}
		}
	})
}

func quoted(s string) string {
	b, err := json.Marshal(s)
	if err != nil {
		panic(err)
	}
	return string(b)
}
