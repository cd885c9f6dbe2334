package configs

import (
	"bytes"
	"errors"
	"fmt"
	"unicode/utf8"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

// The bounds of what is read. A kitchen of a hundred probes needs a hundredth of the bytes and a third of
// the words; the parser's time grows with the square of words and nesting.
const (
	maxBytes = 1 << 20
	maxWords = 20_000
	maxDepth = 16
)

// document gives the top mapping of a configuration, nil after having reported why there is none.
func (r *reader) document(data []byte) ast.Node {
	if len(data) > maxBytes {
		r.fail(place{1, 1}, "is this the right file?", "the file has %d bytes, more than %d", len(data), maxBytes)
		return nil
	}
	data = bytes.TrimPrefix(data, []byte("\xef\xbb\xbf")) // what some editors put before UTF-8
	if at, bad := badByte(data); bad {
		r.fail(at, "save the file as plain UTF-8 text", "the file holds a byte that is no text")
		return nil
	}
	file, err := r.parse(data)
	var syntax interface {
		GetToken() *token.Token
		GetMessage() string
	}
	switch {
	case err == nil && file == nil:
		return nil
	case errors.As(err, &syntax):
		at := place{1, 1}
		if t := syntax.GetToken(); t != nil && t.Position != nil {
			at = place{max(1, t.Position.Line), max(1, t.Position.Column)}
		}
		r.fail(at, "look at indentation, brackets and quotes here and on the line before", "this is no YAML: %s", syntax.GetMessage())
		return nil
	case err != nil:
		r.fail(place{1, 1}, "look at indentation, brackets and quotes", "this is no YAML: %v", err)
		return nil
	}
	var top ast.Node
	for _, doc := range file.Docs {
		switch {
		case doc.Body == nil:
		case top != nil:
			r.fail(placeOf(doc.Body), "keep one and remove the line ---", "the file holds more than one document")
			return nil
		default:
			top = doc.Body
		}
	}
	if top == nil {
		r.fail(place{1, 1}, "start from one of the shipped examples", "the file says nothing")
	}
	return top
}

// parse runs the YAML library over words that were looked at first. The recover is for the library alone:
// whatever odd text makes it panic is a bad file, and no reason to stop a daemon that reloads.
func (r *reader) parse(data []byte) (file *ast.File, err error) {
	defer func() {
		if p := recover(); p != nil {
			file, err = nil, fmt.Errorf("the YAML reader gave up (%v)", p)
		}
	}()
	r.words = lexer.Tokenize(string(data))
	if !r.plain(r.words) {
		return nil, nil
	}
	return parser.Parse(r.words, 0, parser.AllowDuplicateMapKey())
}

// plain refuses what a configuration does not need and what makes YAML dear to read: references to other
// places, tags, complex keys and deep nesting.
func (r *reader) plain(words token.Tokens) bool {
	if len(words) > maxWords {
		at := words[maxWords].Position
		r.fail(place{at.Line, at.Column}, "is this the right file?", "the file has more than %d words and signs", maxWords)
		return false
	}
	before := len(r.problems)
	depth, dashes, line := 0, 0, 0
	for _, w := range words {
		at := place{w.Position.Line, w.Position.Column}
		if at.line != line {
			dashes, line = 0, at.line
		}
		switch w.Type {
		case token.AnchorType, token.AliasType, token.MergeKeyType:
			r.fail(at, "write the values out", "anchors, aliases and merges (&, *, <<) are not read")
		case token.TagType:
			r.fail(at, "remove it", "tags (!) are not read")
		case token.MappingKeyType:
			r.fail(at, "write key: value", "keys introduced by ? are not read")
		case token.DirectiveType:
			r.fail(at, "remove it", "directives (%%) are not read")
		case token.SequenceStartType, token.MappingStartType:
			depth++
		case token.SequenceEndType, token.MappingEndType:
			depth--
		case token.SequenceEntryType:
			dashes++
		}
		if depth > maxDepth || dashes > maxDepth {
			r.fail(at, "no key of a configuration lies so deep", "nested deeper than %d", maxDepth)
			return false
		}
	}
	return len(r.problems) == before
}

// badByte finds the first byte that is no UTF-8, or a control character that no text holds.
func badByte(data []byte) (place, bool) {
	at := place{1, 1}
	for i := 0; i < len(data); {
		c, n := utf8.DecodeRune(data[i:])
		switch {
		case c == '\n':
			at = place{at.line + 1, 0}
		case c == utf8.RuneError && n <= 1, c < ' ' && c != '\t' && c != '\r', c == 0x7f:
			return at, true
		}
		at.column++
		i += n
	}
	return place{}, false
}
