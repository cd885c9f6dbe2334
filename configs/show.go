package configs

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml/ast"
)

// hashBytes of SHA-256 stand in Config.Hash.
const hashBytes = 8

// Show gives the whole configuration as one file that says the same: base and board's file merged, keys in one order,
// every value in one spelling of quotes, what was left out left out. Its first line is a comment with the Hash; where
// there was a base, comments name the file of each part. Hash is the start of the SHA-256 of this text without its
// comments, in hexadecimal. The order of probes, stations and other lists counts; that of keys does not.
func (c *Config) Show() string { return c.shown }

// show gives hash and text of a configuration that was read whole.
func (r *reader) show(top ast.Node) (hash, text string) {
	values, _ := pairs(top)
	values = slices.DeleteFunc(slices.Clone(values), func(v *ast.MappingValueNode) bool { return keyOf(v) == baseKey })
	top = &ast.MappingNode{BaseNode: &ast.BaseNode{}, Values: values}
	hash = r.hash(top)
	from := plainName(r.file)
	if r.base != "" {
		from += " over " + plainName(r.base)
	}
	return hash, fmt.Sprintf("# configuration %s: %s\n%s\n", hash, from, strings.Join(r.block(top, r.base == ""), "\n"))
}

func (r *reader) hash(top ast.Node) string {
	sum := sha256.Sum256([]byte(strings.Join(r.block(top, true), "\n") + "\n"))
	return hex.EncodeToString(sum[:hashBytes])
}

// block writes a node as lines of YAML. told: whether where it comes from needs no words any more.
func (r *reader) block(n ast.Node, told bool) (lines []string) {
	if values, ok := pairs(n); ok {
		for _, v := range r.ordered(values) {
			note, told := r.note(v.Value, told)
			if s, one := inline(v.Value); one {
				lines = append(lines, keyOf(v)+": "+s+note)
				continue
			}
			lines = append(lines, keyOf(v)+":"+note)
			for _, l := range r.block(v.Value, told) {
				lines = append(lines, "  "+l)
			}
		}
		return lines
	}
	list, ok := n.(*ast.SequenceNode)
	if !ok {
		s, _ := inline(n)
		return []string{s}
	}
	for _, v := range list.Values {
		note, told := r.note(v, told)
		entry := []string{""}
		if s, one := inline(v); one {
			entry[0] = s
		} else {
			entry = r.block(v, told)
		}
		entry[0] += note
		lines = append(lines, "- "+entry[0])
		for _, l := range entry[1:] {
			lines = append(lines, "  "+l)
		}
	}
	return lines
}

// ordered gives the keys of a mapping in the order in which the daemon knows them.
func (r *reader) ordered(values []*ast.MappingValueNode) []*ast.MappingValueNode {
	return slices.SortedStableFunc(slices.Values(values), func(a, b *ast.MappingValueNode) int {
		return cmp.Or(cmp.Compare(r.rank[a], r.rank[b]), cmp.Compare(keyOf(a), keyOf(b)))
	})
}

// The files that a node comes from.
const (
	fromBoard = 1 << iota
	fromBase
)

func source(n ast.Node) (from int) {
	if values, ok := pairs(n); ok && len(values) > 0 {
		for _, v := range values {
			from |= source(v.Value)
		}
		return from
	}
	if list, ok := n.(*ast.SequenceNode); ok && len(list.Values) > 0 {
		for _, v := range list.Values {
			from |= source(v)
		}
		return from
	}
	if placeOf(n).line > maxBytes {
		return fromBase
	}
	return fromBoard
}

// note is the comment that says which file a node comes from, once it comes from one.
func (r *reader) note(n ast.Node, told bool) (comment string, nowTold bool) {
	if told {
		return "", true
	}
	switch source(n) {
	case fromBoard:
		return " # " + plainName(r.file), true
	case fromBase:
		return " # " + plainName(r.base), true
	}
	return "", false
}

// inline writes what stands on one line: a single value, and a list of such.
func inline(n ast.Node) (string, bool) {
	if values, ok := pairs(n); ok {
		return "{}", len(values) == 0
	}
	list, ok := n.(*ast.SequenceNode)
	if !ok {
		return quoted(n.GetToken().Value), true
	}
	words := make([]string, len(list.Values))
	for i, v := range list.Values {
		if _, ok := pairs(v); ok {
			return "", false
		}
		if _, ok := v.(*ast.SequenceNode); ok {
			return "", false
		}
		words[i] = quoted(v.GetToken().Value)
	}
	return "[" + strings.Join(words, ", ") + "]", true
}

// bare is what YAML takes for one word with and without quotes, wherever it stands.
var bare = regexp.MustCompile(`^(-?[0-9]|[A-Za-z/])[A-Za-z0-9._/-]*$`)

func quoted(s string) string {
	if bare.MatchString(s) && !strings.EqualFold(s, "null") {
		return s
	}
	return `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`).Replace(s) + `"`
}

// plainName is a file's name as it can stand in a comment.
func plainName(name string) string {
	if strings.ContainsFunc(name, func(c rune) bool { return !strconv.IsPrint(c) }) {
		return strconv.Quote(name)
	}
	return name
}
