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
	r := runSite(t, []pot{{name: "alder"}, {name: "birch", start: "12 s"}, {name: "cedar", start: "20 s"}})
	eventually(t, 60*time.Second, "alder VENTED", func() bool { return r.word("alder") == "vented" })
	r.lookAt("real.stack", "GRITWATCH_SECONDS=35", fmt.Sprintf("GRITWATCH_SERVER_PID=%d", r.server.cmd.Process.Pid))
}

// TestPageAlarms lets a vent stall, and a person at the page hear of it, read what to do and acknowledge it.
func TestPageAlarms(t *testing.T) {
	t.Parallel()
	r := runSite(t, []pot{{name: "alder"}, {name: "rowan", start: "10 s", events: []string{"{at: 20 s, for: 20 min, exhaust_shut: 100 %}", "{at: 20 s, for: 20 min, nozzle: plugged}"}}})
	r.lookAt("alarms.stack", "GRITWATCH_HELD=rowan")
}

// lookAt runs the tests of a file of dashboard/tests/e2e against the site's page.
func (r *runningSite) lookAt(file string, env ...string) {
	r.t.Helper()
	if _, err := os.Stat("../../dashboard/dist/index.html"); err != nil {
		r.t.Fatal("the page is not built: make page")
	}
	cmd := exec.Command("npm", "run", "stack", "--", file)
	cmd.Dir = "../../dashboard"
	cmd.Env = append(append(os.Environ(), "GRITWATCH_URL=http://"+r.http+"/"), env...)
	if out, err := cmd.CombinedOutput(); err != nil {
		r.t.Errorf("%v\n%s", err, tail(string(out), 60))
	}
}
