package configs

import (
	"errors"
	"io/fs"
	"path/filepath"
	"slices"

	"github.com/goccy/go-yaml/ast"
)

// baseKey names the file beneath a board's own.
const baseKey = "base"

// listKey is the key by which the entries of a list are told apart, by where the list stands: an entry of the board's
// file goes over that of the same name in the base. Any other list is one value and has none.
func listKey(path string) string {
	switch path {
	case "probes", "stations", "publish.mqtt.users":
		return "name"
	case "publish.phone":
		return "url_file"
	}
	return ""
}

// withBase gives top over the base that it names; top itself without one, nil after having reported what is wrong.
func (k *kitchen) withBase(top ast.Node, read func(path string) ([]byte, error)) ast.Node {
	values, _ := pairs(top)
	i := slices.IndexFunc(values, func(v *ast.MappingValueNode) bool { return keyOf(v) == baseKey })
	if i < 0 || empty(values[i].Value) { // an empty key is told with the others
		return top
	}
	n := values[i].Value
	path, ok := k.text(n, baseKey, "common.yaml")
	if !ok {
		return nil
	}
	at := placeOf(n)
	switch {
	case path == "":
		k.fail(at, "write the path of the file that the boards share, or remove base:", "base is empty")
		return nil
	case read == nil:
		k.fail(at, "write what the base says into this file", "a base cannot be read here")
		return nil
	case !filepath.IsAbs(path):
		path = filepath.Join(filepath.Dir(k.file), path)
	}
	if path = filepath.Clean(path); path == filepath.Clean(k.file) {
		k.fail(at, "name the file that the boards share, or remove base:", "the file names itself as its base")
		return nil
	}
	data, err := read(path)
	if err != nil {
		fix := "see that it is a file of plain text that holdbell may read"
		if errors.Is(err, fs.ErrNotExist) {
			fix = "put the file there, or write its path from this file's folder"
		}
		k.fail(at, fix, "the base cannot be read: %v", err)
		return nil
	}
	under := k.readBase(path, data)
	if under == nil {
		return nil
	}
	return merge(under, top, "")
}

// readBase gives the top mapping of a base, with its lines counted on; nil after having reported what is wrong.
func (k *kitchen) readBase(path string, data []byte) ast.Node {
	b := reader{file: path}
	under := b.document(data)
	if under != nil {
		values, ok := pairs(under)
		if !ok {
			b.fail(placeOf(under), "write keys with values, as in the board's own file", "a base holds keys, not %s", kind(under))
		}
		for _, v := range values {
			if keyOf(v) == baseKey {
				b.fail(placeOf(v.Key), "write what that file says into this one, or name it in the board's own file", "a base has no base of its own")
			}
		}
		if len(b.words)+len(k.words) > maxWords {
			b.fail(place{1, 1}, "is this the right file?", "the base and the board's file have together more than %d words and signs", maxWords)
		}
	}
	if len(b.problems) > 0 {
		k.problems = append(k.problems, b.problems...)
		return nil
	}
	// Without the ranks, which follow from what a board's file adds: the base's hash is the same on every board.
	k.c.Base = (&reader{}).hash(under)
	k.base = path
	for _, w := range b.words {
		if w.Position.Line <= maxBytes { // a position may be shared
			w.Position.Line += maxBytes
		}
	}
	return under
}

// merge gives over with what under has beside it. Mappings go key by key and lists with a listKey entry by entry, the
// base's first; of everything else over stands whole. What stands twice in one file stays there twice, to be told.
func merge(under, over ast.Node, path string) ast.Node {
	beneath, ok := pairs(under)
	above, both := pairs(over)
	if ok && both {
		return mergeKeys(beneath, above, over, path)
	}
	a, ok := under.(*ast.SequenceNode)
	b, both := over.(*ast.SequenceNode)
	if key := listKey(path); key != "" && ok && both {
		list := *b
		list.Values = mergeEntries(a.Values, b.Values, key, path)
		return &list
	}
	return over
}

func mergeKeys(under, over []*ast.MappingValueNode, whole ast.Node, path string) ast.Node {
	values := slices.Clone(over)
	at := make(map[string]int, len(over))
	for i, v := range slices.Backward(over) {
		at[keyOf(v)] = i
	}
	for _, u := range under {
		key := keyOf(u)
		i, both := at[key]
		if !both {
			values = append(values, u)
			continue
		}
		if values[i] != over[i] { // the base has the key twice
			values = append(values, u)
			continue
		}
		within := key
		if path != "" {
			within = path + "." + key
		}
		v := *over[i]
		v.Value = merge(u.Value, v.Value, within)
		values[i] = &v
	}
	m := &ast.MappingNode{BaseNode: &ast.BaseNode{}, Start: whole.GetToken()}
	if flow, ok := whole.(*ast.MappingNode); ok {
		*m = *flow
	}
	m.Values = values
	return m
}

func mergeEntries(under, over []ast.Node, key, path string) []ast.Node {
	values := slices.Clone(under)
	at := make(map[string]int, len(under))
	for i, u := range slices.Backward(under) {
		if name := nameOf(u, key); name != "" {
			at[name] = i
		}
	}
	for _, o := range over {
		i, both := at[nameOf(o, key)]
		if !both || values[i] != under[i] { // new, or twice in the board's file
			values = append(values, o)
			continue
		}
		values[i] = merge(under[i], o, path)
	}
	return values
}

// nameOf is the value of an entry's key; empty without one.
func nameOf(entry ast.Node, key string) string {
	values, _ := pairs(entry)
	for _, v := range values {
		if keyOf(v) == key && !empty(v.Value) {
			if t := v.Value.GetToken(); t != nil {
				return t.Value
			}
		}
	}
	return ""
}
