package eval_test

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"text/tabwriter"
)

// A figure is a row of the scores.
type figure struct {
	what, measured, of, bound, aim string
	ok                             bool
	why                            string   // where it is missed: what forbids it; empty: nothing does
	less                           []string // the same figure in the other ways
	notes                          []string // where it went wrong
}

// A board is what is scored: rows with an aim, and rows for information.
type board struct {
	rows, facts []figure
	ways        bool // figures have less
}

func (b *board) row(f figure)  { b.rows = append(b.rows, f) }
func (b *board) fact(f figure) { b.facts = append(b.facts, f) }

func (f *figure) verdict() string {
	switch {
	case f.ok:
		return "held"
	case f.why != "":
		return "MISSED: " + f.why
	}
	return "MISSED"
}

// print writes the board for people, and fails the test for every aim that is missed, but for those that something forbids.
func (b *board) print(t *testing.T, title string) {
	t.Helper()
	fmt.Fprintf(t.Output(), "\n%s\n", title)
	tw := tabwriter.NewWriter(t.Output(), 0, 0, 2, ' ', 0)
	fmt.Fprintln(tw, "figure\tmeasured\tof\t95 % bound\taim\t")
	for _, f := range b.rows {
		fmt.Fprintf(tw, "%s\t%s\t%s\t%s\t%s\t%s\n", f.what, f.measured, f.of, f.bound, f.aim, f.verdict())
		if !f.ok && f.why == "" {
			t.Errorf("%s: %s of %s, aim %s", f.what, f.measured, f.of, f.aim)
		}
	}
	for _, f := range b.facts {
		fmt.Fprintf(tw, "%s\t%s\t%s\t%s\t\tfor information\n", f.what, f.measured, f.of, f.bound)
	}
	if b.ways {
		fmt.Fprint(tw, "\nwith less\t")
		for _, w := range ways[1:] {
			fmt.Fprintf(tw, "%s\t", w.name)
		}
		for _, f := range slices.Concat(b.rows, b.facts) {
			if len(f.less) > 0 {
				fmt.Fprintf(tw, "\n%s\t%s\t", f.what, strings.Join(f.less, "\t"))
			}
		}
		fmt.Fprintln(tw)
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
	if b.ways {
		s.WriteString("\nThe same logs with less in them:\n\n| figure |")
		for _, w := range ways[1:] {
			fmt.Fprintf(&s, " %s |", w.name)
		}
		s.WriteString("\n|---|" + strings.Repeat("---|", len(ways)-1) + "\n")
		for _, f := range slices.Concat(b.rows, b.facts) {
			if len(f.less) > 0 {
				fmt.Fprintf(&s, "| %s | %s |\n", f.what, strings.Join(f.less, " | "))
			}
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
of a share of time Student's t, a pot as one observation. Sites under seeds 1 to 999 are for tuning and are never scored.
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
	b.ways = true
	b.rows[1].why, b.rows[0].less = "nothing tells", []string{"1 of 2", "none", "3 of 4", "5 of 6"}
	for _, want := range []string{"| v | 1 | 9 | x | none | MISSED: nothing tells |\n", "| figure | no nozzle point | vessel + control only | 5 Hz | noisy gauges |\n|---|---|---|---|---|\n| w | 1 of 2 | none | 3 of 4 | 5 of 6 |\n"} {
		if !strings.Contains(b.markdown(), want) {
			t.Errorf("no %q in\n%s", want, b.markdown())
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
