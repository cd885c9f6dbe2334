package terms_test

import (
	"flag"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"unicode"

	"holdbell/rules"
	"holdbell/rules/terms"
	"holdbell/sensor"
)

var update = flag.Bool("update", false, "write the glossary anew")

// constants are the string constants of a type in a package's source.
func constants(t *testing.T, dir, typ string) (all []string) {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(dir, "*.go"))
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		file, err := parser.ParseFile(token.NewFileSet(), name, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(file, func(n ast.Node) bool {
			v, ok := n.(*ast.ValueSpec)
			if !ok || v.Type == nil || len(v.Values) != 1 {
				return true
			}
			if id, ok := v.Type.(*ast.Ident); !ok || id.Name != typ {
				return true
			}
			if lit, ok := v.Values[0].(*ast.BasicLit); ok {
				s, err := strconv.Unquote(lit.Value)
				if err != nil {
					t.Fatal(err)
				}
				all = append(all, s)
			}
			return true
		})
	}
	if len(all) == 0 {
		t.Fatalf("no constant of type %s in %s", typ, dir)
	}
	return all
}

func whole[K terms.Key](t *testing.T, keys []K) {
	t.Helper()
	for _, k := range keys {
		switch x := terms.Of(k); {
		case x.Means == "":
			t.Errorf("%T %v has no meaning: add it to the glossary", k, k)
		case !unicode.IsUpper(rune(x.Label[0])), strings.HasSuffix(x.Means, "."):
			t.Errorf("%T %v: a label begins with a capital, a meaning has no full stop: %+v", k, k, x)
		}
	}
}

func of[K ~string](t *testing.T, typ string) (all []K) {
	for _, s := range constants(t, "..", typ) {
		all = append(all, K(s))
	}
	return all
}

// Every word that the rules can say has its label and its meaning.
func TestEveryWordHasATerm(t *testing.T) {
	whole(t, of[rules.Purpose](t, "Purpose"))
	whole(t, of[rules.Verdict](t, "Verdict"))
	whole(t, of[rules.Priority](t, "Priority"))
	whole(t, of[rules.AlarmName](t, "AlarmName"))
	whole(t, of[rules.AlarmStatus](t, "AlarmStatus"))
	whole(t, of[rules.MarkKind](t, "MarkKind"))
	whole(t, of[rules.EventKind](t, "EventKind"))
	for f := sensor.None + 1; f < sensor.NumFaults; f++ {
		whole(t, []sensor.Fault{f})
	}
	var words []terms.Word
	for _, s := range constants(t, ".", "Word") {
		words = append(words, terms.Word(s))
	}
	whole(t, words)
}

// What the rules say of an alarm within a sentence is the glossary's word.
func TestAlarmsInSentences(t *testing.T) {
	for _, a := range of[rules.AlarmName](t, "AlarmName") {
		if a.Words() != terms.Lower(a) {
			t.Errorf("%s: the rules say %q, the glossary %q", a, a.Words(), terms.Lower(a))
		}
	}
}

// What a later version wrote into a record is still readable.
func TestUnknownWord(t *testing.T) {
	for in, want := range map[rules.AlarmName]string{"smoke-thin": "Smoke thin", "": "", "x": "X"} {
		if x := terms.Of(in); x.Label != want || x.Key != string(in) || x.Means != "" {
			t.Errorf("%q: %+v", in, x)
		}
	}
	for in, want := range map[rules.Verdict]string{rules.OK: "OK", rules.Act: "act"} {
		if got := terms.Lower(in); got != want {
			t.Errorf("%q within a sentence is %q", in, got)
		}
	}
}

// The glossary that people read is this one.
func TestGlossary(t *testing.T) {
	const name = "../../configs/glossary.md"
	var b strings.Builder
	b.WriteString("# The words\n\nEvery short word that holdbell says, the same on the page, on phones, at the cabinet, on paper and on the\ncommand line. It is written from `rules/terms` by `go test ./rules/terms -update`.\n")
	n := 0
	for _, g := range terms.Glossary() {
		fmt.Fprintf(&b, "\n## %s\n\nFrom: %s.\n\n| word | in the record | what it tells |\n|---|---|---|\n", g.Title, g.From)
		for _, x := range g.Terms {
			n++
			fmt.Fprintf(&b, "| %s | `%s` | %s |\n", x.Label, x.Key, x.Means)
		}
	}
	if n < 100 {
		t.Fatalf("only %d terms", n)
	}
	if *update {
		if err := os.WriteFile(name, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	got, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	if string(got) != b.String() {
		t.Errorf("%s is not what rules/terms says; run go test ./rules/terms -update and read the difference", name)
	}
}
