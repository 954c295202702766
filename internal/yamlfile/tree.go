package yamlfile

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

type kind uint8

const (
	empty kind = iota // nothing after the key, or null
	scalar
	list
	mapping
)

var kindNames = [...]string{"empty", "a single value", "a list", "a mapping"}

// A node is a value of the file, free of the YAML library.
type node struct {
	kind    kind
	line    int
	text    string // scalar: as written, without quotes
	items   []*node
	entries []*entry

	opened bool     // mapping: a reader has it
	asked  []string // mapping: keys that readers asked for, to guess what an unknown one was meant to be
}

type entry struct {
	key   string
	line  int
	value *node
	asked bool
}

func (n *node) entry(key string) *entry {
	for _, e := range n.entries {
		if e.key == key {
			return e
		}
	}
	return nil
}

// parse makes the tree, or notes problems; never nil. Everything that could make the library recurse without bound
// is refused on its tokens, which it cuts in a loop.
func (d *Doc) parse(text []byte) *node {
	none := &node{}
	if len(text) > MaxSize {
		d.note(0, "", fmt.Sprintf("is over %d bytes; split it or look whether it is the right file", MaxSize))
		return none
	}
	text = bytes.TrimPrefix(text, []byte("\xef\xbb\xbf"))
	if line := badText(text); line > 0 {
		d.note(line, "", "holds bytes that are not UTF-8 text; save the file as UTF-8")
		return none
	}
	tokens, err := tokenize(string(text))
	if err != nil {
		d.note(0, "", err.Error())
		return none
	}
	if line, why := refused(tokens); why != "" {
		d.note(line, "", why)
		return none
	}
	file, err := parseTokens(tokens)
	if err != nil {
		line, why := syntax(err)
		d.note(line, "", "is not YAML: "+why)
		return none
	}
	var body ast.Node
	for _, doc := range file.Docs {
		if body != nil && doc.Body != nil {
			d.note(lineOf(doc.Body), "", "starts a second document; one file holds one")
			return none
		}
		if doc.Body != nil {
			body = doc.Body
		}
	}
	if body == nil {
		d.note(0, "", "is empty")
		return none
	}
	return d.tree(body, "", 0)
}

// badText is the first line that is not UTF-8 or holds a control character; 0 if there is none.
func badText(text []byte) int {
	line := 1
	for len(text) > 0 {
		r, size := utf8.DecodeRune(text)
		switch {
		case r == utf8.RuneError && size == 1, r < ' ' && r != '\n' && r != '\r' && r != '\t', r >= 0x7f && r < 0xa0:
			return line
		case r == '\n':
			line++
		}
		text = text[size:]
	}
	return 0
}

// A panic of the library is its fault, but the file's reader must still learn that the file cannot be read.
func tokenize(text string) (tokens token.Tokens, err error) {
	defer catch(&err)
	return lexer.Tokenize(text), nil
}

func parseTokens(tokens token.Tokens) (file *ast.File, err error) {
	defer catch(&err)
	return parser.Parse(tokens, 0, parser.AllowDuplicateMapKey())
}

func catch(err *error) {
	if p := recover(); p != nil {
		*err = fmt.Errorf("cannot be read as YAML (%v); look for an unclosed quote or bracket", p)
	}
}

// syntax takes line and message out of the library's error, which would span several lines.
func syntax(err error) (int, string) {
	var at interface {
		GetToken() *token.Token
		GetMessage() string
	}
	if !errors.As(err, &at) {
		return 0, err.Error()
	}
	if t := at.GetToken(); t != nil && t.Position != nil {
		return t.Position.Line, at.GetMessage()
	}
	return 0, at.GetMessage()
}

// refused is the first token of a kind that is not taken here, or that nests too deep.
func refused(tokens token.Tokens) (line int, why string) {
	flow, line, colons := 0, 0, 0
	type level struct{ column, keys int }
	var block []level // open block mappings and lists
	for _, t := range tokens {
		switch t.Type {
		case token.AnchorType, token.AliasType, token.MergeKeyType:
			return t.Position.Line, "anchors, aliases and merge keys are not taken here; write the value out"
		case token.TagType:
			return t.Position.Line, "tags (!) are not taken here; write the plain value, or put it in quotes"
		case token.DirectiveType:
			return t.Position.Line, "directives (%) are not taken here; take the line out"
		case token.MappingKeyType:
			return t.Position.Line, "keys marked with ? are not taken here; write key: value"
		case token.LiteralType, token.FoldedType:
			return t.Position.Line, "blocks of text (| and >) are not taken here; write the value on one line"
		case token.InvalidType:
			return t.Position.Line, "is not YAML: " + t.Error
		case token.MappingStartType, token.SequenceStartType:
			flow++
		case token.MappingEndType, token.SequenceEndType:
			flow--
		}
		if t.Position.Line != line {
			line, colons = t.Position.Line, 0
		}
		if t.Type == token.MappingValueType && flow <= 0 {
			colons++
		}
		if flow <= 0 {
			for len(block) > 0 && block[len(block)-1].column > t.Position.Column {
				block = block[:len(block)-1]
			}
			key := t.Next != nil && t.Next.Type == token.MappingValueType
			if key || t.Type == token.SequenceEntryType {
				if len(block) == 0 || block[len(block)-1].column < t.Position.Column {
					block = append(block, level{column: t.Position.Column})
				}
			}
			if key {
				if block[len(block)-1].keys++; block[len(block)-1].keys > maxKeys {
					return t.Position.Line, fmt.Sprintf("has over %d keys in one mapping", maxKeys)
				}
			}
		}
		if flow+len(block) > MaxDepth || colons > MaxDepth {
			return t.Position.Line, fmt.Sprintf("nests deeper than %d levels", MaxDepth)
		}
	}
	return 0, ""
}

func lineOf(n ast.Node) int {
	if t := n.GetToken(); t != nil && t.Position != nil {
		return t.Position.Line
	}
	return 0
}

func (d *Doc) tree(n ast.Node, field string, depth int) *node {
	out := &node{line: lineOf(n)}
	if depth > 2*MaxDepth {
		d.note(out.line, field, "nests too deep")
		return out
	}
	switch n := n.(type) {
	case *ast.NullNode:
	case *ast.StringNode, *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode, *ast.InfinityNode, *ast.NanNode:
		out.kind, out.text = scalar, n.GetToken().Value
		if len(out.text) > maxScalar {
			d.note(out.line, field, fmt.Sprintf("is over %d bytes long", maxScalar))
		}
		if strings.ContainsAny(strings.TrimSpace(n.GetToken().Origin), "\n\r") || strings.ContainsAny(out.text, "\n\r") {
			d.note(out.line, field, "runs over several lines; write the value on one line")
		}
	case *ast.SequenceNode:
		out.kind = list
		for i, v := range n.Values {
			out.items = append(out.items, d.tree(v, fmt.Sprintf("%s[%d]", field, i), depth+1))
		}
	case *ast.MappingNode:
		out.kind = mapping
		d.entries(out, n.Values, field, depth)
	case *ast.MappingValueNode:
		out.kind = mapping
		d.entries(out, []*ast.MappingValueNode{n}, field, depth)
	default:
		d.note(out.line, field, "is of a kind that is not taken here; write a value, a list or a mapping")
	}
	return out
}

func (d *Doc) entries(out *node, values []*ast.MappingValueNode, field string, depth int) {
	seen := make(map[string]int, len(values))
	for i, v := range values {
		t := v.Key.GetToken()
		line := lineOf(v.Key)
		if i == 0 {
			out.line = line
		}
		if _, ok := v.Key.(*ast.StringNode); !ok || t == nil || t.Value == "" || len(t.Value) > 64 {
			d.note(line, field, "has a key that is not a plain name")
			continue
		}
		key, inner := t.Value, join(field, t.Value)
		if first, dup := seen[key]; dup {
			d.note(line, inner, fmt.Sprintf("stands here a second time; it was given in line %d", first))
			continue
		}
		seen[key] = line
		out.entries = append(out.entries, &entry{key: key, line: line, value: d.tree(v.Value, inner, depth+1)})
	}
}

func join(field, key string) string {
	if field == "" {
		return key
	}
	return field + "." + key
}

// unasked notes every key that no reader asked for, in the mappings that readers opened.
func unasked(d *Doc, n *node, field string, out *[]Problem) {
	for _, e := range n.entries {
		inner := join(field, e.key)
		if n.opened && !e.asked {
			if len(*out) >= maxKept {
				d.lost++
				continue
			}
			text := "unknown key"
			if guess := nearest(e.key, n.asked); guess != "" {
				text += "; did you mean " + guess + "?"
			} else if len(n.asked) > 0 {
				text += "; keys here: " + strings.Join(n.asked, ", ")
			}
			*out = append(*out, Problem{File: d.file, Line: e.line, Field: inner, Text: text})
			continue
		}
		unasked(d, e.value, inner, out)
	}
	for i, v := range n.items {
		unasked(d, v, fmt.Sprintf("%s[%d]", field, i), out)
	}
}

// nearest is the known key that takes the fewest edits, if those are few; "" otherwise.
func nearest(key string, known []string) string {
	best, guess := len(key)/3+1, ""
	for _, k := range known {
		if n := edits(key, k); n <= best && n < len(key) && (guess == "" || n < best) {
			best, guess = n, k
		}
	}
	return guess
}

// edits is the Levenshtein distance of two short words.
func edits(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := 1; i <= len(a); i++ {
		diagonal := row[0]
		row[0] = i
		for j := 1; j <= len(b); j++ {
			above := row[j]
			row[j] = min(row[j]+1, row[j-1]+1, diagonal+boolInt(a[i-1] != b[j-1]))
			diagonal = above
		}
	}
	return row[len(b)]
}

func boolInt(b bool) int {
	if b {
		return 1
	}
	return 0
}
