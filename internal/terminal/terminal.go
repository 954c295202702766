// Package terminal tells whether something is written to a terminal and how large that is, and redraws a block of
// lines in place.
package terminal

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"unicode/utf8"

	"golang.org/x/sys/unix"
)

// What a terminal is taken for that does not tell its size.
const (
	defaultCols = 80
	defaultRows = 24
)

// Size is the size of the terminal behind w in characters; not ok where w is no terminal.
func Size(w io.Writer) (cols, rows int, ok bool) {
	f, isFile := w.(*os.File)
	if !isFile {
		return 0, 0, false
	}
	if _, err := unix.IoctlGetTermios(int(f.Fd()), unix.TCGETS); err != nil {
		return 0, 0, false
	}
	cols, rows = defaultCols, defaultRows
	if size, err := unix.IoctlGetWinsize(int(f.Fd()), unix.TIOCGWINSZ); err == nil && size.Col > 0 && size.Row > 0 {
		cols, rows = int(size.Col), int(size.Row)
	}
	return cols, rows, true
}

// Is tells whether w is a terminal.
func Is(w io.Writer) bool {
	_, _, ok := Size(w)
	return ok
}

// A Block is lines that each Draw writes over the lines of the one before. What stood above stays, and the last block
// stays when the program ends.
type Block struct {
	out        io.Writer
	size       func() (cols, rows int)
	cols, rows int
	drawn      int // lines
}

// NewBlock makes a block on a terminal whose size may change.
func NewBlock(out io.Writer, size func() (cols, rows int)) *Block {
	return &Block{out: out, size: size}
}

// Draw replaces the block. Lines are cut at the terminal's edge, and so are those that its height has no room for.
// After a change of the size, which tears what is drawn, the block begins anew below.
func (b *Block) Draw(lines []string) error {
	cols, rows := b.size()
	if cols != b.cols || rows != b.rows {
		b.cols, b.rows, b.drawn = cols, rows, 0
	}
	lines = lines[:min(len(lines), max(rows-1, 1))]
	var out bytes.Buffer
	if b.drawn > 0 {
		fmt.Fprintf(&out, "\r\x1b[%dA", b.drawn)
	}
	for _, line := range lines {
		out.WriteString(Cut(line, cols-1) + "\x1b[K\n")
	}
	out.WriteString("\x1b[J")
	b.drawn = len(lines)
	_, err := b.out.Write(out.Bytes())
	return err
}

// Status is one line that replaces the one before it, "" none: for Progress on w, whose size may change.
func Status(w io.Writer) func(text string) {
	return func(text string) {
		cols, _, ok := Size(w)
		if !ok {
			return
		}
		fmt.Fprintf(w, "\r%s\x1b[K", Cut(text, cols-1))
	}
}

// Cut shortens text to n characters, the last of which then is "…".
func Cut(text string, n int) string {
	if utf8.RuneCountInString(text) <= n {
		return text
	}
	if n < 1 {
		return ""
	}
	return string([]rune(text)[:n-1]) + "…"
}
