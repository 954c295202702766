package e2e_test

import (
	"fmt"
	"os"
	"os/exec"
	"testing"
	"time"
)

// TestPage opens the page of a running site in a real browser: page and API agree for a cycle, a server that hangs and a
// page that is hidden fall back to NOT PROVEN, and both recover.
func TestPage(t *testing.T) {
	t.Parallel()
	if _, err := os.Stat("../../dashboard/dist/index.html"); err != nil {
		t.Fatal("the page is not built: make page")
	}
	r := runSite(t, []pot{{name: "alder"}, {name: "birch", start: "12 s"}, {name: "cedar", start: "20 s"}})
	eventually(t, 60*time.Second, "alder VENTED", func() bool { return r.word("alder") == "vented" })
	cmd := exec.Command("npm", "run", "stack")
	cmd.Dir = "../../dashboard"
	cmd.Env = append(os.Environ(), "GRITWATCH_URL=http://"+r.http+"/", "GRITWATCH_SECONDS=35", fmt.Sprintf("GRITWATCH_SERVER_PID=%d", r.server.cmd.Process.Pid))
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Errorf("%v\n%s", err, tail(string(out), 60))
	}
}
