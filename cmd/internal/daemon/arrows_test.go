package daemon

import (
	"bytes"
	"encoding/json"
	"errors"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// listed is what `go list -json` says of one package of ours.
type listed struct {
	ImportPath string
	Dir        string
	GoFiles    []string
	Imports    []string
}

func ourPackages(t *testing.T) []listed {
	t.Helper()
	cmd := exec.Command("go", "list", "-json=ImportPath,Dir,GoFiles,Imports", "holdbell/...")
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("go list: %v\n%s", err, stderr.String())
	}
	var all []listed
	for dec := json.NewDecoder(bytes.NewReader(out)); ; {
		var p listed
		if err := dec.Decode(&p); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		all = append(all, p)
	}
	if len(all) < 10 {
		t.Fatalf("go list found %d packages of ours only", len(all))
	}
	return all
}

// under reports whether path is one of the rooms or lies beneath one.
func under(path string, rooms ...string) bool {
	for _, r := range rooms {
		if path == "holdbell/"+r || strings.HasPrefix(path, "holdbell/"+r+"/") {
			return true
		}
	}
	return false
}

// mayImport are the arrows: sensor <- rules <- {publish, configs} <- cmd. The first room that a package
// lies in decides, so the narrow ones stand before the wide ones.
func mayImport(from, to string) bool {
	switch {
	case under(from, "cmd"):
		return true
	case under(from, "systemd"):
		return false
	case under(from, "sensor/condition", "sensor/its90", "sensor/resist", "sensor/recording", "sensor/live", "sensor/bus"):
		return to == "holdbell/sensor" || under(to, "sensor/condition")
	case under(from, "sensor/sysfs"):
		return to == "holdbell/sensor" || under(to, "sensor/its90", "sensor/resist")
	case under(from, "sensor/kitchen"):
		return under(to, "sensor") || to == "holdbell/rules" || under(to, "rules/marks")
	case from == "holdbell/sensor":
		return false
	case under(from, "sensor"):
		return under(to, "sensor")
	case under(from, "rules"):
		return under(to, "sensor", "rules")
	case under(from, "publish"):
		return under(to, "sensor", "rules", "publish")
	case under(from, "configs"):
		return under(to, "sensor", "rules", "configs")
	}
	return false
}

func TestImportArrows(t *testing.T) {
	for _, p := range ourPackages(t) {
		for _, imp := range p.Imports {
			if !strings.HasPrefix(imp, "holdbell/") {
				continue
			}
			if !mayImport(p.ImportPath, imp) {
				t.Errorf("%s imports %s, against the arrows", p.ImportPath, imp)
			}
		}
		if slices.Contains(p.Imports, "periph.io/x/host/v3/sysfs") && !under(p.ImportPath, "sensor/bus") {
			t.Errorf("%s opens buses; only sensor/bus does", p.ImportPath)
		}
	}
}

// TestSensorIsStandardLibraryOnly holds the contract package to what every board has.
func TestSensorIsStandardLibraryOnly(t *testing.T) {
	for _, p := range ourPackages(t) {
		if p.ImportPath != "holdbell/sensor" {
			continue
		}
		for _, imp := range p.Imports {
			if strings.Contains(strings.SplitN(imp, "/", 2)[0], ".") {
				t.Errorf("sensor imports %s", imp)
			}
		}
		return
	}
	t.Fatal("there is no package sensor")
}

// TestRulesArePure walks what rules/... and the conditioning stage import and call. Readers and writers
// that are handed in (io) are allowed: they are the caller's.
func TestRulesArePure(t *testing.T) {
	banned := []string{"os", "os/exec", "net", "net/http", "math/rand", "math/rand/v2", "crypto/rand", "log",
		"log/slog", "syscall", "sync", "context", "path/filepath", "unsafe"}
	clocks := []string{"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "NewTimer", "NewTicker", "Tick", "Local"}
	found := 0
	for _, p := range ourPackages(t) {
		if !under(p.ImportPath, "rules", "sensor/condition", "sensor/its90", "sensor/resist", "sensor/accuracy") {
			continue
		}
		found++
		for _, imp := range p.Imports {
			if slices.Contains(banned, imp) {
				t.Errorf("%s imports %s", p.ImportPath, imp)
			}
		}
		eachFile(t, p, func(fset *token.FileSet, f *ast.File) {
			ast.Inspect(f, func(n ast.Node) bool {
				switch n := n.(type) {
				case *ast.GoStmt:
					t.Errorf("%s starts a goroutine", fset.Position(n.Pos()))
				case *ast.SelectorExpr:
					if x, ok := n.X.(*ast.Ident); ok && x.Name == "time" && x.Obj == nil && slices.Contains(clocks, n.Sel.Name) {
						t.Errorf("%s asks a clock: time.%s", fset.Position(n.Pos()), n.Sel.Name)
					}
				}
				return true
			})
		})
	}
	if found < 2 {
		t.Fatalf("found %d pure packages", found)
	}
}

// TestNoPackageState allows as package-level variables what nothing can change in passing: error
// sentinels (named Err… or err…), embedded files, and compiled patterns and templates, which are safe
// constants in all but name; unexported literal tables; and values behind a sync.OnceValue. A table that
// is computed at the start is named here, one by one. Everything else belongs in a struct. No package has
// an init.
func TestNoPackageState(t *testing.T) {
	computed := []string{"holdbell/sensor/its90.solvers"}
	for _, p := range ourPackages(t) {
		eachFile(t, p, func(fset *token.FileSet, f *ast.File) {
			for _, decl := range f.Decls {
				switch d := decl.(type) {
				case *ast.FuncDecl:
					if d.Recv == nil && d.Name.Name == "init" {
						t.Errorf("%s: func init", fset.Position(d.Pos()))
					}
				case *ast.GenDecl:
					if d.Tok != token.VAR {
						continue
					}
					for _, s := range d.Specs {
						spec := s.(*ast.ValueSpec)
						if !constantInAllButName(d, spec) && !slices.Contains(computed, p.ImportPath+"."+spec.Names[0].Name) {
							t.Errorf("%s: package-level variable %s", fset.Position(spec.Pos()), spec.Names[0].Name)
						}
					}
				}
			}
		})
	}
}

func constantInAllButName(d *ast.GenDecl, spec *ast.ValueSpec) bool {
	for _, doc := range []*ast.CommentGroup{d.Doc, spec.Doc} {
		if doc != nil && slices.ContainsFunc(doc.List, func(c *ast.Comment) bool { return strings.HasPrefix(c.Text, "//go:embed ") }) {
			return true
		}
	}
	name := spec.Names[0].Name
	// `var _ Interface = …` is a check at compile time and no variable.
	if name == "_" || strings.HasPrefix(name, "Err") || strings.HasPrefix(name, "err") {
		return true
	}
	if len(spec.Values) != 1 {
		return false
	}
	// An array of words or coefficients, unexported: a table of constants that Go has no word for.
	if lit, ok := spec.Values[0].(*ast.CompositeLit); ok {
		_, array := lit.Type.(*ast.ArrayType)
		return array && !ast.IsExported(name)
	}
	call, ok := spec.Values[0].(*ast.CallExpr)
	if !ok {
		return false
	}
	for {
		sel, ok := call.Fun.(*ast.SelectorExpr)
		if !ok {
			return false
		}
		if inner, ok := sel.X.(*ast.CallExpr); ok {
			call = inner
			continue
		}
		pkg, ok := sel.X.(*ast.Ident)
		return ok && slices.Contains([]string{"regexp.MustCompile", "template.Must", "template.New", "sync.OnceValue", "crc32.MakeTable"}, pkg.Name+"."+sel.Sel.Name)
	}
}

func eachFile(t *testing.T, p listed, visit func(*token.FileSet, *ast.File)) {
	t.Helper()
	for _, name := range p.GoFiles {
		fset := token.NewFileSet()
		f, err := parser.ParseFile(fset, filepath.Join(p.Dir, name), nil, parser.ParseComments)
		if err != nil {
			t.Fatal(err)
		}
		visit(fset, f)
	}
}

// TestTopLevel holds the fixed top level: a new thing finds its room under one of these.
func TestTopLevel(t *testing.T) {
	want := strings.Fields("cmd sensor rules publish configs systemd go.mod go.sum README.md DEVELOPERS.md LICENSE .ci .gitignore")
	entries, err := exec.Command("git", "-C", filepath.Join("..", "..", ".."), "ls-files", "--full-name", ":/").Output()
	if errors.Is(err, exec.ErrNotFound) {
		t.Skip("git is not installed: the top level was not looked at")
	}
	if err != nil {
		if _, err := os.Stat(filepath.Join("..", "..", "..", ".git")); os.IsNotExist(err) {
			t.Skip("this is no git checkout: the top level was not looked at")
		}
		t.Fatal(err)
	}
	if len(entries) == 0 {
		t.Fatal("git lists no file")
	}
	for _, path := range strings.Fields(string(entries)) {
		if top := strings.SplitN(path, "/", 2)[0]; !slices.Contains(want, top) {
			t.Errorf("%s lies at the top level; its room is under one of %s", strconv.Quote(top), strings.Join(want, ", "))
		}
	}
}
