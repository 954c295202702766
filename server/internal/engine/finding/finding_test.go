package finding_test

import (
	"regexp"
	"slices"
	"strings"
	"testing"

	"gritwatch/protocol/live"
	"gritwatch/server/internal/engine/finding"
)

// opening are words that would tell somebody to open what may be under pressure. That a drain or a choke valve is open is none.
var opening = regexp.MustCompile(`(?i)\b(open the|open it|then open|opening|unbolt|unscrew|undo|slacken|loosen|remove|take off|uncover)\b`)

// Every finding has a word of its own and a sentence, and messages know the same words.
func TestWords(t *testing.T) {
	seen := map[string]bool{}
	for _, f := range finding.All() {
		name := f.String()
		if name == "" || seen[name] || !slices.Contains(live.Findings(), name) {
			t.Errorf("finding %d: %q", f, name)
		}
		seen[name] = true
		if s := f.Says(); len(s) < 30 || strings.HasSuffix(s, ".") || strings.ToLower(s[:1]) != s[:1] {
			t.Errorf("%s says %q", name, s)
		}
		if s := f.Says(); opening.MatchString(s) {
			t.Errorf("%s tells to open something: %q", name, s)
		}
	}
	if len(seen) != len(live.Findings()) {
		t.Errorf("%d findings, messages have %d", len(seen), len(live.Findings()))
	}
	if finding.None.String() != "" || finding.None.Says() != "" {
		t.Error("none says something")
	}
}
