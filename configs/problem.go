package configs

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/token"
)

// Problem is one thing that is wrong with a configuration: where, what, and the fix. Lines and columns
// count from 1; columns count characters.
type Problem struct {
	File         string
	Line, Column int
	What         string
	Fix          string
}

// String gives "kitchen.yaml:3:5: what is wrong; the fix".
func (p Problem) String() string {
	return fmt.Sprintf("%s:%d:%d: %s; %s", p.File, p.Line, p.Column, p.What, p.Fix)
}

// Error is everything that is wrong with a configuration, sorted by position, the board's own file before its base.
type Error struct{ Problems []Problem }

// Error gives one line a problem.
func (e *Error) Error() string {
	lines := make([]string, len(e.Problems))
	for i, p := range e.Problems {
		lines[i] = p.String()
	}
	return strings.Join(lines, "\n")
}

// Problems gives the single problems of an error from Parse; nil for any other error.
func Problems(err error) []Problem {
	var e *Error
	if errors.As(err, &e) {
		return e.Problems
	}
	return nil
}

// place is a line and a column. The lines of a base are counted on from maxBytes, which no file has more lines than: so
// one number tells file and line.
type place struct{ line, column int }

// placeOf is where a person looks for a node: a block mapping's own token is the colon of its first key,
// so that the key itself is better.
func placeOf(n ast.Node) place {
	if n == nil {
		return place{1, 1}
	}
	switch m := n.(type) {
	case *ast.MappingNode:
		if !m.IsFlowStyle && len(m.Values) > 0 {
			return placeOf(m.Values[0].Key)
		}
	case *ast.MappingValueNode:
		return placeOf(m.Key)
	}
	t := n.GetToken()
	if t == nil || t.Position == nil {
		return place{1, 1}
	}
	return place{max(1, t.Position.Line), max(1, t.Position.Column)}
}

// reader collects problems while a configuration is read.
type reader struct {
	file     string
	base     string       // the file beneath it; empty without one
	words    token.Tokens // of the file
	problems []Problem
	warnings []Problem
	// rank orders the keys of each mapping as they are known to the daemon, wherever they stood.
	rank map[*ast.MappingValueNode]int
}

// at is a problem at a place.
func (r *reader) at(at place) Problem {
	if at.line > maxBytes {
		return Problem{File: r.base, Line: at.line - maxBytes, Column: at.column}
	}
	return Problem{File: r.file, Line: at.line, Column: at.column}
}

// line names the line of a place within the board's own file, or else with its file.
func (r *reader) line(at place) string {
	if p := r.at(at); p.File != r.file {
		return fmt.Sprintf("line %d of %s", p.Line, p.File)
	}
	return fmt.Sprintf("line %d", at.line)
}

func (r *reader) fail(at place, fix, what string, args ...any) {
	p := r.at(at)
	p.What, p.Fix = fmt.Sprintf(what, args...), fix
	r.problems = append(r.problems, p)
}

func (r *reader) warn(at place, fix, what string, args ...any) {
	p := r.at(at)
	p.What, p.Fix = fmt.Sprintf(what, args...), fix
	r.warnings = append(r.warnings, p)
}

func (r *reader) err() error {
	if len(r.problems) == 0 {
		return nil
	}
	r.sort(r.problems)
	return &Error{r.problems}
}

// sort puts the board's own file before its base.
func (r *reader) sort(p []Problem) {
	slices.SortStableFunc(p, func(a, b Problem) int {
		if a.File != b.File {
			if a.File == r.file {
				return -1
			}
			return 1
		}
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
	})
}

// didYouMean is the fix for a word that is not one of the known ones.
func didYouMean(word string, known []string) string {
	best, distance := "", 3
	for _, k := range known {
		if d := edits(strings.ToLower(word), strings.ToLower(k)); d < distance && d < len(k) {
			best, distance = k, d
		}
	}
	switch {
	case best != "":
		return fmt.Sprintf("did you mean %s?", best)
	case len(known) == 0:
		return "remove it"
	}
	return "write one of: " + strings.Join(known, ", ")
}

// edits counts the insertions, deletions and replacements that lead from a to b (Levenshtein 1966). Words
// too long to be a slip of the hand are not counted out.
func edits(a, b string) int {
	if len(a) > 64 || len(b) > 64 {
		return 64
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		left := row[0]
		row[0] = i + 1
		for j := range len(b) {
			d := left
			if a[i] != b[j] {
				d = 1 + min(left, row[j], row[j+1])
			}
			left, row[j+1] = row[j+1], d
		}
	}
	return row[len(b)]
}
