package terminal_test

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"gritwatch/internal/terminal"

	"github.com/creack/pty"
)

func TestSize(t *testing.T) {
	master, tty, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer master.Close()
	defer tty.Close()
	if cols, rows, ok := terminal.Size(tty); !ok || cols != 80 || rows != 24 {
		t.Errorf("without a size: %d x %d, %v", cols, rows, ok)
	}
	if err := pty.Setsize(master, &pty.Winsize{Cols: 132, Rows: 50}); err != nil {
		t.Fatal(err)
	}
	if cols, rows, ok := terminal.Size(tty); !ok || cols != 132 || rows != 50 {
		t.Errorf("%d x %d, %v", cols, rows, ok)
	}
	file, err := os.Create(filepath.Join(t.TempDir(), "out"))
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	if terminal.Is(file) || terminal.Is(&bytes.Buffer{}) || !terminal.Is(tty) {
		t.Error("a file or a buffer is taken for a terminal, or a terminal is not")
	}
}

// grid plays what is written on a terminal of a size: enough of ECMA-48 (cursor up, erase in line, erase in display)
// to see what a user sees.
type grid struct {
	cols, row, col int
	lines          [][]rune
}

func (g *grid) Write(p []byte) (int, error) {
	text := []rune(string(p))
	for i := 0; i < len(text); i++ {
		for len(g.lines) <= g.row {
			g.lines = append(g.lines, nil)
		}
		switch c := text[i]; c {
		case '\r':
			g.col = 0
		case '\n': // as a terminal in its usual mode
			g.row, g.col = g.row+1, 0
		case '\x1b':
			n := 0
			for i += 2; text[i] >= '0' && text[i] <= '9'; i++ {
				n = 10*n + int(text[i]-'0')
			}
			switch text[i] {
			case 'A':
				g.row = max(g.row-n, 0)
			case 'K':
				g.lines[g.row] = g.lines[g.row][:min(g.col, len(g.lines[g.row]))]
			case 'J':
				g.lines = append(g.lines[:g.row], g.lines[g.row][:min(g.col, len(g.lines[g.row]))])
			default:
				panic("unknown sequence")
			}
		default:
			for len(g.lines[g.row]) <= g.col {
				g.lines[g.row] = append(g.lines[g.row], ' ')
			}
			g.lines[g.row][g.col] = c
			if g.col++; g.col >= g.cols {
				panic("a line reaches the edge: the terminal would wrap it")
			}
		}
	}
	return len(p), nil
}

func (g *grid) String() string {
	var out []string
	for _, l := range g.lines {
		out = append(out, string(l))
	}
	return strings.TrimRight(strings.Join(out, "\n"), "\n")
}

func TestBlock(t *testing.T) {
	cols, rows := 10, 5
	g := &grid{cols: 80}
	g.Write([]byte("before\n"))
	b := terminal.NewBlock(g, func() (int, int) { return cols, rows })
	for _, c := range []struct {
		cols, rows int
		lines, see string
	}{
		{10, 5, "one\ntwo\nthree", "before\none\ntwo\nthree"},
		{10, 5, "1\n2\n3\n4", "before\n1\n2\n3\n4"},
		{10, 5, "only this", "before\nonly this"},
		{10, 5, "much too long for it\ntwo", "before\nmuch too…\ntwo"},
		{10, 3, "a\nb\nc\nd", "before\nmuch too…\ntwo\na\nb"}, // another size: begun anew below
		{10, 3, "e\nf\ng\nh", "before\nmuch too…\ntwo\ne\nf"},
	} {
		cols, rows = c.cols, c.rows
		if err := b.Draw(strings.Split(c.lines, "\n")); err != nil {
			t.Fatal(err)
		}
		if g.String() != c.see {
			t.Fatalf("after %q:\n%s\nwant\n%s", c.lines, g, c.see)
		}
	}
}

func TestCut(t *testing.T) {
	for _, c := range []struct {
		text string
		n    int
		want string
	}{{"abc", 3, "abc"}, {"abcd", 3, "ab…"}, {"äöüß", 4, "äöüß"}, {"äöüß", 3, "äö…"}, {"abc", 0, ""}, {"abc", -1, ""}, {"", 0, ""}} {
		if got := terminal.Cut(c.text, c.n); got != c.want {
			t.Errorf("%q to %d: %q", c.text, c.n, got)
		}
	}
}

func TestStatusIsForTerminals(t *testing.T) {
	var b bytes.Buffer
	terminal.Status(&b)("half way")
	if b.Len() > 0 {
		t.Errorf("written to a file: %q", b.String())
	}
	master, tty, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer master.Close()
	defer tty.Close()
	terminal.Status(tty)("half way")
	buf := make([]byte, 100)
	if n, err := master.Read(buf); err != nil || string(buf[:n]) != "\rhalf way\x1b[K" {
		t.Errorf("%q, %v", buf[:n], err)
	}
}
