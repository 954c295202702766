package lines_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"gritwatch/agent/internal/ascii/lines"
)

// split gives the lines of input, and what was thrown away in angle brackets.
func split(s *lines.Splitter, input string) []string {
	var out []string
	for _, c := range []byte(input) {
		line, err := s.Add(c)
		switch {
		case err != nil:
			word, _, _ := strings.Cut(strings.TrimPrefix(err.Error(), "line "), ":")
			out = append(out, "<"+word+">")
		case line != nil:
			out = append(out, string(line))
		}
	}
	return out
}

func TestSplitter(t *testing.T) {
	long := strings.Repeat("x", lines.MaxLine)
	const part, noise, tooLong = "<may be the tail of a line>", "<holds what is no text>", "<is too long>"
	for _, c := range []struct {
		part  bool
		input string
		want  []string
	}{
		{false, "a\rb\nc\r\nd", []string{"a", "b", "c"}},
		{false, "\r\n\n\r a\t\r", []string{" a\t"}},
		{true, "3.4\r\n+1.2\r\n", []string{part, "+1.2"}},
		{true, "\n+1.2\r", []string{part, "+1.2"}}, // a line's whole end may be its tail
		{true, "\x00" + long + long + "\r+1.2\r", []string{part, "+1.2"}},
		{false, long + "\rb\r", []string{long, "b"}},
		{false, long + "y\rb\r", []string{tooLong, "b"}},
		{false, strings.Repeat(long, 9) + "\rb\r", []string{tooLong, "b"}},
		{false, "1\x002\rb\r", []string{noise, "b"}}, // NUL: a character with wrong parity
		{false, "1\xb22\r\x7f\r\x02a\x03\rb\r", []string{noise, noise, noise, "b"}},
		{false, long + "\x00\rb\r", []string{noise, "b"}},
	} {
		var s lines.Splitter
		s.Reset(c.part)
		if got := split(&s, c.input); fmt.Sprint(got) != fmt.Sprint(c.want) {
			t.Errorf("%.40q: %q, want %q", c.input, got, c.want)
		}
	}
	var s lines.Splitter
	split(&s, "half a li")
	s.Reset(false)
	if got := split(&s, "new\r"); len(got) != 1 || got[0] != "new" {
		t.Errorf("after Reset: %q", got)
	}
}

func TestSplitterAllocatesNothing(t *testing.T) {
	var s lines.Splitter
	input := []byte("+012.34\r\nnoise\x00\r\n")
	if n := testing.AllocsPerRun(100, func() {
		for _, c := range input {
			if _, err := s.Add(c); err != nil && !errors.Is(err, lines.ErrNoise) {
				t.Fatal(err)
			}
		}
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
}
