package records

import (
	"os/exec"
	"regexp"
	"strings"
	"testing"

	"os"
)

// TestLibc: modernc.org/sqlite works with the one version of modernc.org/libc that its own go.mod names, as its documentation
// says. Nothing but this keeps another requirement from raising it.
func TestLibc(t *testing.T) {
	list := func(format, module string) string {
		t.Helper()
		out, err := exec.Command("go", "list", "-m", "-f", format, module).Output()
		if err != nil {
			t.Fatal(err)
		}
		return strings.TrimSpace(string(out))
	}
	text, err := os.ReadFile(list("{{.GoMod}}", "modernc.org/sqlite"))
	if err != nil {
		t.Fatal(err)
	}
	want := regexp.MustCompile(`modernc\.org/libc (v[0-9.]+)`).FindSubmatch(text)
	if got := list("{{.Version}}", "modernc.org/libc"); want == nil || got != string(want[1]) {
		t.Errorf("modernc.org/libc is %s, but modernc.org/sqlite was made with %s: go get modernc.org/libc@%[2]s, and a goose that asks for no newer one", got, want[1])
	}
}
