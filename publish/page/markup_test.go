package page

import (
	"fmt"
	"io"
	"maps"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"golang.org/x/net/html"
)

// textOf is what a reader of the page reads, attributes and tags left out.
func textOf(t testing.TB, body string) string {
	t.Helper()
	var b strings.Builder
	walk(t, body, func(n *html.Node) {
		if n.Type == html.TextNode {
			b.WriteString(n.Data)
		}
	})
	return b.String()
}

func walk(t testing.TB, body string, f func(*html.Node)) {
	t.Helper()
	doc, err := html.Parse(strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	for n := range doc.Descendants() {
		f(n)
	}
}

// The pages are well-formed and can be used by a screen reader: every element closed in order, ids
// unique, every reference met, every field and button with a name, headings without a leap.
func TestMarkup(t *testing.T) {
	pages := 0
	for name, p := range views(t) {
		for _, path := range append(slices.Collect(maps.Values(paths())), "/mark?note=a", "/lot?name=%3Cscript%3Ealert%28%22x%22%29%3C%2Fscript%3E") {
			_, body := get(t, p, path)
			pages++
			if err := balanced(body); err != nil {
				t.Errorf("%s%s: %v", name, path, err)
			}
			accessible(t, name+path, body)
		}
	}
	if pages == 0 {
		t.Fatal("no page was looked at")
	}
	for _, bad := range []string{"<p><b>x</p></b>", "<div>", "</p>"} {
		if balanced(bad) == nil {
			t.Errorf("the check finds nothing wrong with %s", bad)
		}
	}
}

// balanced reads tags as they are written; the parser of whole pages would mend them.
func balanced(body string) error {
	void := []string{"meta", "link", "input", "br"}
	var open []string
	z := html.NewTokenizer(strings.NewReader(body))
	for {
		switch z.Next() {
		case html.ErrorToken:
			if z.Err() != io.EOF {
				return z.Err()
			}
			if len(open) > 0 {
				return fmt.Errorf("never closed: %v", open)
			}
			return nil
		case html.StartTagToken:
			if name, _ := z.TagName(); !slices.Contains(void, string(name)) {
				open = append(open, string(name))
			}
		case html.EndTagToken:
			name, _ := z.TagName()
			if len(open) == 0 || open[len(open)-1] != string(name) {
				return fmt.Errorf("</%s> closes %v", name, open)
			}
			open = open[:len(open)-1]
		}
	}
}

func accessible(t *testing.T, where, body string) {
	ids, labels := map[string]int{}, map[string]bool{}
	var refs []string
	landmarks := map[string]int{}
	level := 0
	walk(t, body, func(n *html.Node) {
		if n.Type != html.ElementNode {
			return
		}
		attr := map[string]string{}
		for _, a := range n.Attr {
			attr[a.Key] = a.Val
		}
		if id, ok := attr["id"]; ok {
			ids[id]++
		}
		for _, key := range []string{"aria-labelledby", "aria-describedby", "list", "for"} {
			refs = append(refs, strings.Fields(attr[key])...)
		}
		if frag, ok := strings.CutPrefix(attr["href"], "#"); ok {
			refs = append(refs, frag)
		}
		switch n.Data {
		case "label":
			labels[attr["for"]] = true
		case "header", "main", "footer", "nav":
			landmarks[n.Data]++
		case "h1", "h2", "h3", "h4":
			now := int(n.Data[1] - '0')
			if now > level+1 {
				t.Errorf("%s: a heading leaps from %d to %d", where, level, now)
			}
			level = now
		case "button", "a", "summary":
			if strings.TrimSpace(inner(n)) == "" {
				t.Errorf("%s: a %s without words", where, n.Data)
			}
		case "svg":
			if attr["aria-hidden"] != "true" {
				t.Errorf("%s: a shape that a screen reader stumbles over", where)
			}
		case "html":
			if attr["lang"] == "" {
				t.Errorf("%s: no language", where)
			}
		}
	})
	walk(t, body, func(n *html.Node) {
		if n.Type != html.ElementNode || n.Data != "input" && n.Data != "select" {
			return
		}
		id, kind := "", ""
		for _, a := range n.Attr {
			switch a.Key {
			case "id":
				id = a.Val
			case "type":
				kind = a.Val
			}
		}
		if kind != "hidden" && !labels[id] {
			t.Errorf("%s: the field %q has no label", where, id)
		}
	})
	for id, n := range ids {
		if n != 1 {
			t.Errorf("%s: the id %s stands %d times", where, id, n)
		}
	}
	for _, ref := range refs {
		if ids[ref] == 0 {
			t.Errorf("%s: a reference to %q leads nowhere", where, ref)
		}
	}
	for _, l := range []string{"header", "main", "footer"} {
		if landmarks[l] != 1 {
			t.Errorf("%s: %d landmarks %s", where, landmarks[l], l)
		}
	}
}

func attr(n *html.Node, key string) string {
	for _, a := range n.Attr {
		if a.Key == key {
			return a.Val
		}
	}
	return ""
}

func inner(n *html.Node) string {
	var b strings.Builder
	for c := range n.Descendants() {
		if c.Type == html.TextNode {
			b.WriteString(c.Data)
		}
	}
	return b.String()
}

// Text keeps a contrast of 4.5:1 against what it stands on, and the shapes of controls 3:1, light and dark
// (WCAG 2.2, 1.4.3 and 1.4.11; relative luminance as WCAG defines it).
func TestContrast(t *testing.T) {
	css, err := web.ReadFile("web/style.css")
	if err != nil {
		t.Fatal(err)
	}
	schemes := regexp.MustCompile(`(?s):root \{(.*?)\}`).FindAllStringSubmatch(string(css), -1)
	if len(schemes) != 2 {
		t.Fatalf("%d colour schemes, want light and dark", len(schemes))
	}
	text := [][2]string{{"ink", "room"}, {"ink", "paper"}, {"soft", "room"}, {"soft", "paper"}, {"link", "room"}, {"link", "paper"},
		{"on-discard", "discard"}, {"act", "act-paper"}, {"ok", "paper"}, {"ink", "band"}, {"ink", "door"}}
	shapes := [][2]string{{"ink", "bar"}, {"discard", "paper"}, {"act", "paper"}, {"discard", "room"}, {"soft", "paper"}}
	for i := range 8 {
		shapes = append(shapes, [2]string{fmt.Sprintf("line-%d", i+1), "paper"})
	}
	for i, s := range schemes {
		colour := map[string]float64{}
		for _, m := range regexp.MustCompile(`--([a-z0-9-]+): #([0-9a-f]{6})`).FindAllStringSubmatch(s[1], -1) {
			colour[m[1]] = luminance(t, m[2])
		}
		for _, set := range []struct {
			least float64
			pairs [][2]string
		}{{4.5, text}, {3, shapes}} {
			for _, p := range set.pairs {
				a, okA := colour[p[0]]
				b, okB := colour[p[1]]
				if !okA || !okB {
					t.Fatalf("scheme %d has no colour for %v", i, p)
				}
				if ratio := (max(a, b) + 0.05) / (min(a, b) + 0.05); ratio < set.least {
					t.Errorf("scheme %d: %s on %s has a contrast of %.2f, want %.1f", i, p[0], p[1], ratio, set.least)
				}
			}
		}
	}
}

func luminance(t *testing.T, rgb string) float64 {
	t.Helper()
	sum := 0.0
	for i, weight := range []float64{0.2126, 0.7152, 0.0722} {
		v, err := strconv.ParseUint(rgb[2*i:2*i+2], 16, 8)
		if err != nil {
			t.Fatal(err)
		}
		c := float64(v) / 255
		if c <= 0.04045 {
			c /= 12.92
		} else {
			c = math.Pow((c+0.055)/1.055, 2.4)
		}
		sum += weight * c
	}
	return sum
}
