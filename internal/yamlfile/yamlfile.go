// Package yamlfile reads the project's YAML files strictly: every error names file, line and field, and says what
// to write instead; a key that nobody asked for is an error.
//
// A reader asks a mapping for its keys and looks at Err once at the end:
//
//	doc, err := yamlfile.Parse("site.yaml", text)
//	if err != nil {
//		return err
//	}
//	m := doc.Map()
//	site := m.String("site")
//	for _, pot := range m.Maps("pots") {
//		vessel := pot.Map("vessel")
//		rated := vessel.GaugePressure("rated")
//		target := vessel.Optional().GaugePressure("target") // 0 where absent
//	}
//	return doc.Err()
//
// A getter that fails notes the problem and gives the zero value, so that one run finds all the problems of a file.
//
// Of YAML the files use mappings, lists, and scalars on one line. Anchors, aliases, merge keys, tags, directives,
// blocks of text and several documents are refused: what a line says must stand in that line.
package yamlfile

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"slices"
	"strings"
	"unicode"
)

// Bounds of a file.
const (
	MaxSize     = 32 << 20 // bytes: of the largest site, 20,000 pots
	MaxDepth    = 32       // mappings and lists inside each other
	MaxProblems = 20       // reported at once
	maxScalar   = 4096     // bytes of one value
	maxKeys     = 1000     // of one mapping; the library's cost grows with their square
	maxLine     = 400      // bytes of one problem
	maxKept     = 1000     // problems kept, so that of many the first by line are shown
)

// A Problem is one thing wrong with a file, on one line of text.
type Problem struct {
	File  string
	Line  int    // from 1; 0: the file as a whole
	Field string // "pots[1].vessel.rated"; empty: the file as a whole
	Text  string // what is wrong and what to write instead
}

// Error is "site.yaml:7: pots[1].vessel.rated: "150" is not a pressure: …".
func (p Problem) Error() string {
	var b strings.Builder
	b.WriteString(p.File)
	if p.Line > 0 {
		fmt.Fprintf(&b, ":%d", p.Line)
	}
	if p.Field != "" {
		b.WriteString(": " + p.Field)
	}
	b.WriteString(": " + p.Text)
	return oneLine(b.String())
}

// oneLine makes text fit to stand on one line of a terminal.
func oneLine(s string) string {
	s = strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return ' '
		}
		return r
	}, s)
	if len(s) > maxLine {
		s = strings.ToValidUTF8(s[:maxLine], "") + "…"
	}
	return s
}

// An Error holds the problems of a file in the order of its lines, at most MaxProblems of them.
type Error struct {
	Problems []Problem
	More     int // how many were left out
}

// Error is one line a problem.
func (e *Error) Error() string {
	lines := make([]string, 0, len(e.Problems)+1)
	for _, p := range e.Problems {
		lines = append(lines, p.Error())
	}
	if e.More > 0 {
		lines = append(lines, fmt.Sprintf("and %d more", e.More))
	}
	return strings.Join(lines, "\n")
}

// A Doc is a file that was parsed, and the problems found in it so far. Not safe for concurrent use.
type Doc struct {
	file     string
	root     *node
	problems []Problem
	lost     int // problems over maxKept
}

// Read reads and parses the file of a path.
func Read(path string) (*Doc, error) {
	f, err := os.Open(path)
	if err != nil {
		var pe *fs.PathError
		if errors.As(err, &pe) {
			err = pe.Err
		}
		return nil, fmt.Errorf("%s: cannot be read: %w", path, err)
	}
	text, err := io.ReadAll(io.LimitReader(f, MaxSize+1))
	if err = errors.Join(err, f.Close()); err != nil {
		return nil, fmt.Errorf("%s: cannot be read: %w", path, err)
	}
	return Parse(path, text)
}

// Parse parses the text of a file; name stands in front of its errors. What is not YAML of the kind used here gives
// an *Error at once; all else shows when the values are asked for.
func Parse(name string, text []byte) (*Doc, error) {
	d := &Doc{file: name}
	d.root = d.parse(text)
	if len(d.problems) == 0 && d.root.kind != mapping {
		d.note(d.root.line, "", "is not a mapping; write lines of the form key: value")
	}
	if len(d.problems) > 0 {
		return nil, d.Err()
	}
	return d, nil
}

// Map is the mapping that the file is.
func (d *Doc) Map() Map { return Value{d: d, n: d.root}.Map() }

// Err is an *Error with all that was found so far, and every key that no reader asked for; nil if all is well.
func (d *Doc) Err() error {
	all, lost := slices.Clone(d.problems), d.lost
	unasked(d, d.root, "", &all)
	lost, d.lost = d.lost, lost // asking twice must not count twice
	if len(all) == 0 {
		return nil
	}
	slices.SortStableFunc(all, func(a, b Problem) int { return cmp.Compare(a.Line, b.Line) })
	e := &Error{Problems: all, More: lost}
	if n := len(all) - MaxProblems; n > 0 {
		e.Problems, e.More = all[:MaxProblems], e.More+n
	}
	return e
}

// note keeps a problem.
func (d *Doc) note(line int, field, text string) {
	if len(d.problems) >= maxKept {
		d.lost++
		return
	}
	d.problems = append(d.problems, Problem{File: d.file, Line: line, Field: field, Text: text})
}
