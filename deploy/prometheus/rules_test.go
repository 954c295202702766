package prometheus_test

import (
	"os"
	"os/exec"
	"regexp"
	"strings"
	"testing"
)

func promtool(t *testing.T, args ...string) {
	t.Helper()
	tool, err := exec.LookPath("promtool")
	if err != nil {
		t.Fatal("promtool is not installed; it is in Debian's package prometheus (make test installs it)")
	}
	if out, err := exec.Command(tool, args...).CombinedOutput(); err != nil {
		t.Errorf("promtool %s: %v\n%s", strings.Join(args, " "), err, out)
	}
}

func TestFiles(t *testing.T) {
	promtool(t, "check", "rules", "rules.yaml")
	promtool(t, "check", "config", "prometheus.yaml")
}

// TestRules holds the rules to what is expected of the recorded site.
func TestRules(t *testing.T) { promtool(t, "test", "rules", "testdata/rules_test.yaml") }

// TestTexts: neither an alert nor the board says, in the present tense, that a vessel may be opened, is safe or vented; and
// every alert about a pot rests on a recorded series that goes on while the pot is not known.
func TestTexts(t *testing.T) {
	for _, file := range []string{"rules.yaml", "../grafana/board.json"} {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		told := regexp.MustCompile(`(?m)^\s*#.*$|word=\\?"vented\\?"`).ReplaceAllString(string(text), "")
		for _, word := range regexp.MustCompile(`(?i)\b(is|are|now) (proven )?(vented|safe|at zero|empty|ok)\b|\bsafe\b|(?-i:\bVENTED\b)`).FindAllString(told, -1) {
			t.Errorf("%s says %q", file, word)
		}
	}
	text, err := os.ReadFile("rules.yaml")
	if err != nil {
		t.Fatal(err)
	}
	_, pots, _ := strings.Cut(string(text), "- name: gritwatch-pots")
	pots, _, _ = strings.Cut(pots, "- name: gritwatch-server")
	alerts := regexp.MustCompile(`- alert: (\w+)\n\s+expr: (\S+)`).FindAllStringSubmatch(pots, -1)
	if len(alerts) < 8 {
		t.Fatalf("only %d alerts about pots", len(alerts))
	}
	for _, a := range alerts {
		record := regexp.MustCompile(`- record: ` + regexp.QuoteMeta(a[2]) + `\n\s+expr: \|\n((?:\s{10}.*\n)+)`).FindStringSubmatch(pots)
		if record == nil || a[2] != "gritwatch:pot_not_known" && !strings.Contains(record[1], "or ("+a[2]+" and on (site, pot) gritwatch:pot_not_known)") {
			t.Errorf("%s rests on %s, which ends when the pot is no longer heard", a[1], a[2])
		}
	}
}
