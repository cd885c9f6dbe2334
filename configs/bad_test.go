package configs

import (
	"errors"
	"flag"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// update rewrites the golden files instead of comparing: go test ./configs -update, then read the diff.
func updating() bool {
	f := flag.Lookup("update")
	return f != nil && f.Value.String() == "true"
}

func TestMain(m *testing.M) {
	flag.Bool("update", false, "rewrite the golden files")
	os.Exit(m.Run())
}

// TestBad holds what people are told about a bad configuration: every testdata/bad/X.yaml has its whole
// error text beside it in X.txt.
func TestBad(t *testing.T) {
	files, err := filepath.Glob("testdata/bad/*.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if len(files) < 80 {
		t.Fatalf("only %d bad configurations found", len(files))
	}
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".yaml"), func(t *testing.T) {
			data, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			c, err := Parse("kitchen.yaml", data)
			if err == nil {
				t.Fatalf("accepted: %+v", c)
			}
			if c != nil {
				t.Error("half a configuration was returned beside the error")
			}
			checkProblems(t, err)
			if strings.Contains(err.Error(), "canary-7391") {
				t.Errorf("the secret stands in the error: %v", err)
			}
			golden := strings.TrimSuffix(file, ".yaml") + ".txt"
			got := err.Error() + "\n"
			if updating() {
				if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
				return
			}
			want, err := os.ReadFile(golden)
			if err != nil {
				t.Fatal(err)
			}
			if got != string(want) {
				t.Errorf("got\n%swant\n%s", got, want)
			}
		})
	}
}

// checkProblems holds what every error of Parse and Load has: a position, what is wrong, the fix, and order.
func checkProblems(t *testing.T, err error) {
	t.Helper()
	var e *Error
	if !errors.As(err, &e) || len(e.Problems) == 0 {
		t.Fatalf("%T holds no problems", err)
	}
	for _, p := range e.Problems {
		if p.File != "kitchen.yaml" && p.File != "common.yaml" || p.Line < 1 || p.Column < 1 || p.What == "" || p.Fix == "" {
			t.Errorf("incomplete: %+v", p)
		}
		if strings.ContainsAny(p.String(), "\n\r\x00") {
			t.Errorf("a problem runs over several lines: %q", p.String())
		}
	}
	if !slices.IsSortedFunc(e.Problems, func(a, b Problem) int {
		if a.File != b.File {
			return strings.Compare(b.File, a.File) // the board's own first
		}
		if a.Line != b.Line {
			return a.Line - b.Line
		}
		return a.Column - b.Column
	}) {
		t.Errorf("not sorted:\n%v", err)
	}
}
