package finding_test

import (
	"slices"
	"strings"
	"testing"

	"gritwatch/protocol/live"
	"gritwatch/server/internal/engine/finding"
)

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
	}
	if len(seen) != len(live.Findings()) {
		t.Errorf("%d findings, messages have %d", len(seen), len(live.Findings()))
	}
	if finding.None.String() != "" || finding.None.Says() != "" {
		t.Error("none says something")
	}
}
