package samplecsv

import (
	"fmt"
	"strings"
)

// A Kind says what is wrong with a row.
type Kind uint8

// The kinds of bad rows.
const (
	Malformed Kind = iota
	OutOfOrder
	Repeated
	NotFinite // NaN, infinite, or beyond any gauge

	kindCount
)

var kindNames = [kindCount]string{"malformed", "out of order", "repeated", "not finite"}

// String is the kind in words.
func (k Kind) String() string { return kindNames[k] }

// Counts are numbers of rows by kind.
type Counts [kindCount]int

// Total is the number of all of them.
func (c Counts) Total() int {
	n := 0
	for _, v := range c {
		n += v
	}
	return n
}

// String names each kind that there is, as "2 malformed, 1 repeated".
func (c Counts) String() string {
	var parts []string
	for k, n := range c {
		if n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n, Kind(k)))
		}
	}
	if parts == nil {
		return "none"
	}
	return strings.Join(parts, ", ")
}

// An Error says what is wrong with a log, where, and what to do.
type Error struct {
	File   string
	Line   int    // from 1; 0: the whole file
	Column string // "": the whole line
	Kind   Kind
	What   string
	Do     string
}

func (e *Error) Error() string {
	var b strings.Builder
	b.WriteString(e.File)
	if e.Line > 0 {
		fmt.Fprintf(&b, ":%d", e.Line)
	}
	if e.Column != "" {
		b.WriteString(": " + e.Column)
	}
	b.WriteString(": " + e.What)
	if e.Do != "" {
		b.WriteString("; " + e.Do)
	}
	return b.String()
}

// Cut shortens what stands in a file so that a message stays a line.
func Cut(text string) string {
	const most = 40
	if len(text) <= most {
		return text
	}
	return strings.ToValidUTF8(text[:most], "") + "…"
}
