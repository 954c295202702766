package lines_test

import (
	"regexp"
	"strings"
	"testing"

	"gritwatch/agent/internal/ascii/lines"
	"gritwatch/protocol/si"
)

// Whatever comes, the lines are those that stand between line ends, whole, printable and not too long; and a pattern
// finds in them a value that stands there and nowhere else.
func FuzzLines(f *testing.F) {
	f.Add([]byte("12.5\r\n#+012.5\r\n\x00\r-  1.0\r"), false)
	f.Add([]byte(strings.Repeat("x", 300)+"\r+1.0\r"), true)
	patterns := []*lines.Pattern{
		compile(f, `#?(?P<value>[-+][0-9]{3}\.[0-9])`, lines.NoCheck, 1),
		compile(f, `(?P<value>[-+ ]*[0-9.]+) *(?P<unit>[a-zA-Z]*)`, lines.NoCheck, 0),
		compile(f, `(?P<body>(?P<value>[-+]?[0-9]+))\*(?P<check>[0-9a-fA-F]+)`, lines.XOR, 1),
	}
	ends := regexp.MustCompile(`[\r\n]`)
	f.Fuzz(func(t *testing.T, input []byte, part bool) {
		var want []string
		pieces := ends.Split(string(input), -1)
		for i, p := range pieces {
			whole := i < len(pieces)-1 && !(part && i == 0)
			if whole && p != "" && len(p) <= lines.MaxLine && strings.Trim(p, "\t !\"#$%&'()*+,-./0123456789:;<=>?@ABCDEFGHIJKLMNOPQRSTUVWXYZ[\\]^_`abcdefghijklmnopqrstuvwxyz{|}~") == "" {
				want = append(want, p)
			}
		}
		var s lines.Splitter
		s.Reset(part)
		for _, c := range input {
			line, err := s.Add(c)
			if err != nil || line == nil {
				continue
			}
			if len(want) == 0 || string(line) != want[0] {
				t.Fatalf("line %q, want %q", line, want)
			}
			want = want[1:]
			for _, p := range patterns {
				r, err := p.Match(line)
				v := r.Own
				if err != nil && r != (lines.Reading{}) {
					t.Fatalf("%v beside %v", r, err)
				}
				if err == nil && (v < 0) != (strings.Contains(string(line), "-") && v != 0) {
					t.Fatalf("%q is %v", line, float64(v))
				}
			}
		}
		if len(want) > 0 {
			t.Fatalf("lost %q", want)
		}
	})
}

// Whatever is compiled: lazy instead of greedy, the expression finds the same value; widths and sign are as told.
func FuzzCompile(f *testing.F) {
	for _, p := range []string{plain, signed, `.*(?P<value>[0-9.]+).*`, `(?:(?P<value>-?[0-9])|x*){2}`, `(?P<value>[0-9]{1,3}(?:,[0-9])?) ?x*?`,
		`[^.]*(?P<value>[0-9]\.[0-9])`, `(?P<value>1|12)2?`, `\b(?P<value>[0-9]+)\b.?`, `(?i)p(?P<value>[-+0-9]+)`, `(?P<body>(?P<value>[0-9]+)),(?P<check>..)`} {
		f.Add(p, ">+012.34")
		f.Add(p, "122")
		f.Add(p, "P-5")
	}
	f.Fuzz(func(t *testing.T, pattern, line string) {
		p, err := lines.Compile(pattern, lines.NoCheck, si.PSI)
		if err != nil {
			if p != nil || strings.HasPrefix(err.Error(), "%!") {
				t.Fatal(err)
			}
			return
		}
		for _, c := range []byte(line) {
			if c != '\t' && (c < ' ' || c > '~') {
				return // no line that a Splitter gives
			}
		}
		r, err := p.Match([]byte(line))
		v := r.Own
		if err != nil {
			return
		}
		low := p.Shortest()
		high, known := p.Longest()
		if len(line) < low || known && len(line) > high || v < 0 && !p.Signed() {
			t.Fatalf("%q: %v from a line of %d bytes, %d to %d, signed %v", line, v.PSI(), len(line), low, high, p.Signed())
		}
		lazy, err := regexp.Compile(`^(?U:` + pattern + `)$`)
		if err != nil {
			t.Fatal(err)
		}
		greedy := regexp.MustCompile(`^(?:` + pattern + `)$`)
		value := func(re *regexp.Regexp) string {
			return strings.TrimLeft(re.FindStringSubmatch(line)[re.SubexpIndex("value")], " \t")
		}
		if a, b := value(greedy), value(lazy); a != b {
			t.Fatalf("%q in %q is %q or %q", pattern, line, a, b)
		}
	})
}
