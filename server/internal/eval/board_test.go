package eval_test

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"text/tabwriter"
)

// A figure is a row of the scores.
type figure struct {
	what, measured, of, bound, aim string
	ok                             bool
	notes                          []string // where it went wrong
}

// A board is what is scored: rows with an aim, and rows for information.
type board struct {
	rows, facts []figure
}

func (b *board) row(f figure)  { b.rows = append(b.rows, f) }
func (b *board) fact(f figure) { b.facts = append(b.facts, f) }

func (f *figure) verdict() string {
	if f.ok {
		return "held"
	}
	return "MISSED"
}

// print writes the board for people, and fails the test for every aim that is missed.
func (b *board) print(t *testing.T, title string) {
	t.Helper()
	fmt.Fprintf(t.Output(), "\n%s\n", title)
	tw := tabwriter.NewWriter(t.Output(), 0, 0, 2, ' ', 0)
	fmt.Fprintln(tw, "figure\tmeasured\tof\t95 % bound\taim\t")
	for _, f := range b.rows {
		fmt.Fprintf(tw, "%s\t%s\t%s\t%s\t%s\t%s\n", f.what, f.measured, f.of, f.bound, f.aim, f.verdict())
		if !f.ok {
			t.Errorf("%s: %s of %s, aim %s", f.what, f.measured, f.of, f.aim)
		}
	}
	for _, f := range b.facts {
		fmt.Fprintf(tw, "%s\t%s\t%s\t%s\t\tfor information\n", f.what, f.measured, f.of, f.bound)
	}
	if err := tw.Flush(); err != nil {
		t.Error(err)
	}
	for _, f := range append(b.rows[:len(b.rows):len(b.rows)], b.facts...) {
		for _, n := range f.notes {
			t.Logf("%s: %s", f.what, n)
		}
	}
}

// markdown is the board for SCORES.md.
func (b *board) markdown() string {
	var s strings.Builder
	s.WriteString("| figure | measured | of | 95 % bound | aim | |\n|---|---|---|---|---|---|\n")
	for _, f := range b.rows {
		fmt.Fprintf(&s, "| %s | %s | %s | %s | %s | %s |\n", f.what, f.measured, f.of, f.bound, f.aim, f.verdict())
	}
	if len(b.facts) > 0 {
		s.WriteString("\nFor information, without an aim:\n\n| figure | measured | of | 95 % bound |\n|---|---|---|---|\n")
		for _, f := range b.facts {
			fmt.Fprintf(&s, "| %s | %s | %s | %s |\n", f.what, f.measured, f.of, f.bound)
		}
	}
	return s.String()
}

// Sections of SCORES.md: each run writes its own and leaves the other as it is.
const (
	quickHead = "## Quick: `make eval`"
	fullHead  = "## Full: `make eval FULL=1`"
	scoreHead = `# Scores

Written by the two commands below, each its own section; nobody edits it. Bounds are one-sided, of 95 %: of a share the rule of
three where none was seen, else Clopper and Pearson's; of a p95 the order statistic that is over it whatever the distribution;
of a share of time Student's t, a pot as one observation. Sites under seeds 1 to 99 are for tuning and are never scored.
`
	notYet = "\nNot run yet.\n"
)

// scores is the file with one section written anew.
func scores(old, head, section string) string {
	sections := map[string]string{quickHead: notYet, fullHead: notYet}
	for name := range sections {
		if _, rest, ok := strings.Cut("\n"+old, "\n"+name+"\n"); ok {
			sections[name], _, _ = strings.Cut(rest, "\n## ")
		}
	}
	sections[head] = "\n" + section
	var out strings.Builder
	out.WriteString(scoreHead)
	for _, name := range []string{quickHead, fullHead} {
		fmt.Fprintf(&out, "\n%s\n\n%s\n", name, strings.TrimSpace(sections[name]))
	}
	return out.String()
}

// keep writes a section of the file at path.
func keep(path, head, section string) error {
	old, err := os.ReadFile(path)
	if err != nil && !os.IsNotExist(err) {
		return err
	}
	return os.WriteFile(path, []byte(scores(string(old), head, section)), 0o644)
}

// Each run replaces its own section alone, and the same section twice gives the same file.
func TestScores(t *testing.T) {
	var b board
	b.row(figure{what: "w", measured: "no samples", of: "9", bound: "x", aim: "none", ok: true})
	b.row(figure{what: "v", measured: "1", of: "9", bound: "x", aim: "none"})
	b.fact(figure{what: "lag", measured: "2", of: "3", bound: "y"})
	text := b.markdown()
	for _, want := range []string{"| w | no samples | 9 | x | none | held |\n", "| v | 1 | 9 | x | none | MISSED |\n", "| lag | 2 | 3 | y |\n"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}
	path := filepath.Join(t.TempDir(), "SCORES.md")
	read := func() string {
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	for _, step := range []struct{ head, text string }{{fullHead, "of the full run\n\n| a |\n"}, {quickHead, text}, {quickHead, text}} {
		if err := keep(path, step.head, step.text); err != nil {
			t.Fatal(err)
		}
	}
	first := read()
	if strings.Count(first, "of the full run\n\n| a |") != 1 || strings.Count(first, "| lag |") != 1 || strings.Contains(first, "Not run yet") {
		t.Errorf("%s", first)
	}
	if err := keep(path, quickHead, "another"); err != nil {
		t.Fatal(err)
	}
	if now := read(); strings.Contains(now, "| lag |") || !strings.Contains(now, "of the full run\n\n| a |") || strings.Index(now, quickHead) > strings.Index(now, fullHead) {
		t.Errorf("%s", now)
	}
	if err := keep(path, quickHead, text); err != nil || !bytes.Equal([]byte(first), []byte(read())) {
		t.Errorf("%v\n%s", err, read())
	}
	if !strings.Contains(scores("", quickHead, "x"), fullHead+"\n\nNot run yet.\n") {
		t.Error("a section that was never run is not there")
	}
}
