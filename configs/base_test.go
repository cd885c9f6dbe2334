package configs

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"github.com/goccy/go-yaml/ast"
	"golang.org/x/tools/txtar"
	"pgregory.net/rapid"
)

// files reads from a map, and as missing whatever it lacks.
func files(m map[string]string) func(string) ([]byte, error) {
	return func(path string) ([]byte, error) {
		text, ok := m[path]
		if !ok {
			return nil, &fs.PathError{Op: "open", Path: path, Err: fs.ErrNotExist}
		}
		return []byte(text), nil
	}
}

// TestBase holds what two files make: every testdata/base/X.txtar has them and, behind, what Show gives or the whole
// error text.
func TestBase(t *testing.T) {
	archives, err := filepath.Glob("testdata/base/*.txtar")
	if err != nil {
		t.Fatal(err)
	}
	shown, refused := 0, 0
	for _, file := range archives {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".txtar"), func(t *testing.T) {
			archive, err := txtar.ParseFile(file)
			if err != nil {
				t.Fatal(err)
			}
			m := map[string]string{}
			var golden string
			kept := archive.Files[:0]
			for _, f := range archive.Files {
				if strings.HasSuffix(f.Name, ".yaml") {
					m[f.Name] = string(f.Data)
					kept = append(kept, f)
				} else {
					golden = f.Name + "\n" + string(f.Data)
				}
			}
			c, err := Load("kitchen.yaml", files(m))
			name, got := "show", ""
			if err != nil {
				refused++
				name, got = "error", err.Error()+"\n"
				checkProblems(t, err)
				if c != nil || strings.Contains(got, "canary-7391") {
					t.Errorf("%v beside %s", c, got)
				}
			} else {
				shown++
				got = c.Show()
				sameAgain(t, c)
			}
			if updating() {
				archive.Files = append(kept, txtar.File{Name: name, Data: []byte(got)})
				if err := os.WriteFile(file, txtar.Format(archive), 0o644); err != nil {
					t.Fatal(err)
				}
			} else if name+"\n"+got != golden {
				t.Errorf("got %s\n%swant %s", name, got, golden)
			}
		})
	}
	if shown < 5 || refused < 15 {
		t.Errorf("%d pairs can run and %d cannot: cases are missing", shown, refused)
	}
}

// sameAgain: what Show gives is read as the same configuration, warnings and all.
func sameAgain(t testing.TB, c *Config) {
	t.Helper()
	again, err := Parse("shown.yaml", []byte(c.Show()))
	if err != nil {
		t.Fatalf("%v\nin what was shown:\n%s", err, c.Show())
	}
	if again.Hash != c.Hash {
		t.Errorf("the hash %s became %s by\n%s", c.Hash, again.Hash, c.Show())
	}
	if len(c.Hash) != 16 || !strings.HasPrefix(c.Show(), "# configuration "+c.Hash+": ") {
		t.Errorf("the hash is %q in\n%s", c.Hash, c.Show())
	}
	if a, b := placeless(c), placeless(again); !reflect.DeepEqual(a, b) {
		t.Errorf("was %+v\nis  %+v\nby\n%s", a, b, c.Show())
	}
}

// placeless is a configuration without where anything stood.
func placeless(c *Config) Config {
	out := *c
	out.shown, out.Warnings, out.Base = "", nil, ""
	out.Probes = nil
	for _, p := range c.Probes {
		if p.Check != nil {
			check := *p.Check
			check.date = Problem{}
			p.Check = &check
		}
		out.Probes = append(out.Probes, p)
	}
	said := map[string]int{}
	for _, w := range c.Warnings {
		said[w.What+w.Fix]++
	}
	for text, n := range said {
		out.Warnings = append(out.Warnings, Problem{What: text, Line: n})
	}
	(&reader{}).sort(out.Warnings)
	sortByText(out.Warnings)
	return out
}

func sortByText(p []Problem) {
	for i := range p {
		for j := i; j > 0 && p[j].What < p[j-1].What; j-- {
			p[j], p[j-1] = p[j-1], p[j]
		}
	}
}

// whole gives the texts of configurations that are one file: the examples and those of the tests.
func whole(t testing.TB) map[string]string {
	t.Helper()
	all := map[string]string{"contract": contract, "least": least}
	paths, err := filepath.Glob("examples/*.yaml")
	if err != nil || len(paths) == 0 {
		t.Fatalf("no examples: %v", err)
	}
	for _, path := range append(paths, "../cmd/holdbell/testdata/day/kitchen.yaml", "../systemd/package/kitchen.yaml") {
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		all[path] = string(data)
	}
	return all
}

func TestShowSaysTheSame(t *testing.T) {
	for name, text := range whole(t) {
		t.Run(name, func(t *testing.T) { sameAgain(t, mustParse(t, text)) })
	}
}

// TestHashOfTheContract pins how the hash is made: it may not change by a new version of the daemon, or a whole fleet
// would seem to have another configuration.
func TestHashOfTheContract(t *testing.T) {
	const want = "e3874fff6a287916"
	for _, text := range []string{contract,
		strings.ReplaceAll(contract, "site: demo-kitchen            # label of everything published\n", "") + "site: 'demo-kitchen'\n",
		strings.NewReplacer("chip: max31855, bus: SPI0.0", "bus: SPI0.0,   chip: \"max31855\"", "[warmer-core]", "[ 'warmer-core' ]").Replace(contract)} {
		if got := mustParse(t, text).Hash; got != want {
			t.Errorf("the hash is %s, want %s, of\n%s", got, want, text)
		}
	}
	for _, other := range []string{strings.Replace(contract, "150F", "151F", 1), strings.Replace(contract, "gap_allowance: 5m\n", "", 1)} {
		if mustParse(t, other).Hash == want {
			t.Errorf("another configuration has the same hash:\n%s", other)
		}
	}
}

// TestHoweverDivided: a configuration is the same one however it was divided over two files, and whatever the base had
// to say where the board's file knows better.
func TestHoweverDivided(t *testing.T) {
	for name, text := range whole(t) {
		want := mustParse(t, text)
		t.Run(name, func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				r := reader{file: "kitchen.yaml"}
				top := r.document([]byte(text))
				under, over := divide(t, top, "")
				base, board := "# nothing\nsite: other\n", "base: common.yaml\n"
				if under != nil {
					base = strings.Join(r.block(under, true), "\n") + "\n"
				} else if want.Site == DefaultSite {
					t.Skip("a base may not be empty")
				}
				if over != nil {
					board += strings.Join(r.block(over, true), "\n") + "\n"
				}
				if under == nil && !strings.Contains(board, "\nsite:") {
					t.Skip("the other site would count")
				}
				c, err := Load("kitchen.yaml", files(map[string]string{"kitchen.yaml": board, "common.yaml": base}))
				if err != nil {
					t.Fatalf("%v\n-- base --\n%s\n-- board --\n%s", err, base, board)
				}
				if c.Hash != want.Hash || !reflect.DeepEqual(placeless(c), placeless(want)) {
					t.Fatalf("the hash is %s, want %s\n-- base --\n%s\n-- board --\n%s", c.Hash, want.Hash, base, board)
				}
			})
		})
	}
}

// divide gives a node as two, of which the second goes over the first; nil for nothing of it.
func divide(t *rapid.T, n ast.Node, path string) (under, over ast.Node) {
	if values, ok := pairs(n); ok && len(values) > 0 && rapid.Bool().Draw(t, "within "+path) {
		return divideKeys(t, values, path, "")
	}
	list, ok := n.(*ast.SequenceNode)
	if key := listKey(path); ok && key != "" && len(list.Values) > 0 && rapid.Bool().Draw(t, "entries of "+path) {
		beneath, above := *list, *list
		beneath.Values, above.Values = nil, nil
		kept := rapid.IntRange(0, len(list.Values)).Draw(t, "beneath")
		for i, v := range list.Values {
			values, _ := pairs(v)
			switch {
			case i >= kept:
				above.Values = append(above.Values, v)
			case rapid.Bool().Draw(t, "divided"):
				u, o := divideKeys(t, values, path, key)
				beneath.Values, above.Values = append(beneath.Values, u), append(above.Values, o)
			default:
				beneath.Values = append(beneath.Values, v)
			}
		}
		return &beneath, &above
	}
	switch rapid.IntRange(0, 2).Draw(t, "where "+path) {
	case 0:
		return n, nil
	case 1:
		return nil, n
	}
	if _, keys := pairs(n); keys || ok && listKey(path) != "" {
		return n, n // over itself it changes nothing
	}
	return &ast.StringNode{BaseNode: &ast.BaseNode{}, Token: n.GetToken(), Value: "decoy"}, n
}

// divideKeys is divide for a mapping; the key both is kept in both.
func divideKeys(t *rapid.T, values []*ast.MappingValueNode, path, both string) (under, over ast.Node) {
	u, o := &ast.MappingNode{BaseNode: &ast.BaseNode{}}, &ast.MappingNode{BaseNode: &ast.BaseNode{}}
	for _, v := range values {
		within := keyOf(v)
		if path != "" {
			within = path + "." + within
		}
		a, b := *v, *v
		if keyOf(v) != both {
			a.Value, b.Value = divide(t, v.Value, within)
		}
		if a.Value != nil {
			u.Values = append(u.Values, &a)
		}
		if b.Value != nil {
			o.Values = append(o.Values, &b)
		}
	}
	if len(u.Values) > 0 {
		under = u
	}
	if len(o.Values) > 0 {
		over = o
	}
	return under, over
}

// TestFleetExamples: the shipped boards of one base can run, are warned of nothing, and differ.
func TestFleetExamples(t *testing.T) {
	hashes, bases := map[string]string{}, map[string]bool{}
	for _, name := range []string{"north-counter", "south-counter"} {
		c, err := Load("examples/fleet/"+name+".yaml", os.ReadFile)
		if err != nil {
			t.Fatal(err)
		}
		mustSetup(t, c)
		sameAgain(t, c)
		if c.Site != name || len(c.Warnings) > 0 {
			t.Errorf("site %s, warnings %v", c.Site, c.Warnings)
		}
		if other, twice := hashes[c.Hash]; twice {
			t.Errorf("%s and %s have one hash", name, other)
		}
		hashes[c.Hash] = name
		bases[c.Base] = true
	}
	if len(bases) != 1 || bases[""] {
		t.Errorf("one base has the hashes %v", bases)
	}
}

// TestBaseThatCannotBeRead names the base's place on the board, its error and the fix; errors of the board's own file
// are the caller's.
func TestBaseThatCannotBeRead(t *testing.T) {
	read := func(path string) ([]byte, error) {
		if path == "/etc/kitchen/board.yaml" {
			return []byte("site: a\nbase: ../common.yaml\n"), nil
		}
		return nil, &fs.PathError{Op: "open", Path: path, Err: fs.ErrPermission}
	}
	_, err := Load("/etc/kitchen/board.yaml", read)
	const want = "/etc/kitchen/board.yaml:2:7: the base cannot be read: open /etc/common.yaml: permission denied; see that it is a file of plain text that holdbell may read"
	if fmt.Sprint(err) != want {
		t.Errorf("got  %v\nwant %s", err, want)
	}
	if _, err := Load("none.yaml", read); !errors.Is(err, fs.ErrPermission) || Problems(err) != nil {
		t.Errorf("got %v", err)
	}
	if _, err := Parse("kitchen.yaml", []byte("base: common.yaml\n"+least)); err == nil || !strings.Contains(err.Error(), "cannot be read here") {
		t.Errorf("got %v", err)
	}
}

// TestBaseTooLarge: the bounds hold for the two together.
func TestBaseTooLarge(t *testing.T) {
	for name, base := range map[string]string{
		"bytes": strings.Repeat("# much\n", maxBytes/7+1),
		"words": least + "alarms: [" + strings.Repeat("a, ", maxWords/2-20) + "a]\n",
	} {
		_, err := Load("kitchen.yaml", files(map[string]string{"kitchen.yaml": "base: common.yaml\n" + contract, "common.yaml": base}))
		if p := Problems(err); len(p) != 1 || p[0].File != "common.yaml" || !strings.Contains(p[0].What, "more than") {
			t.Errorf("%s: %.300v", name, err)
		}
	}
}

// FuzzBase: whatever the two files hold, Load returns; an error has positions and fixes, and what is accepted is shown
// as the same, and is the same over itself.
func FuzzBase(f *testing.F) {
	archives, err := filepath.Glob("testdata/base/*.txtar")
	if err != nil || len(archives) == 0 {
		f.Fatalf("no seeds: %v", err)
	}
	for _, file := range archives {
		archive, err := txtar.ParseFile(file)
		if err != nil {
			f.Fatal(err)
		}
		var two [2]string
		for _, file := range archive.Files {
			switch file.Name {
			case "kitchen.yaml":
				two[0] = string(file.Data)
			case "common.yaml":
				two[1] = string(file.Data)
			}
		}
		f.Add(two[0], two[1])
	}
	for _, text := range whole(f) {
		f.Add("base: common.yaml\n", text)
	}
	f.Fuzz(func(t *testing.T, board, base string) {
		c, err := Load("kitchen.yaml", files(map[string]string{"kitchen.yaml": board, "common.yaml": base}))
		if err != nil {
			if c != nil {
				t.Fatal("half a configuration")
			}
			checkProblems(t, err)
			return
		}
		if _, err := c.Setup(); err != nil {
			t.Fatalf("accepted, but: %v", err)
		}
		sameAgain(t, c)
		over, err := Load("kitchen.yaml", files(map[string]string{"kitchen.yaml": "base: common.yaml\n" + c.Show(), "common.yaml": c.Show()}))
		if err != nil || over.Hash != c.Hash {
			t.Fatalf("over itself it is another: %v\n%s", err, c.Show())
		}
	})
}
