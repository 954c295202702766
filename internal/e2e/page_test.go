package e2e_test

import (
	"fmt"
	"os"
	"testing"
	"time"
)

// TestPage opens the page of a running site in a real browser: page and API agree for a cycle, a server that hangs and a
// page that is hidden fall back to NOT PROVEN, and both recover.
func TestPage(t *testing.T) {
	t.Parallel()
	seat(t)
	r := runSite(t, []pot{{name: "alder"}, {name: "birch", start: "12 s"}, {name: "cedar", start: "20 s"}})
	eventually(t, 60*time.Second, "alder VENTED", func() bool { return r.word("alder") == "vented" })
	r.lookAt("real.stack", "GRITWATCH_SECONDS=25", fmt.Sprintf("GRITWATCH_SERVER_PID=%d", r.server.cmd.Process.Pid))
}

// stalling is a pot whose vent stalls at 24 s, and which nobody presses again.
var stalling = pot{name: "rowan", start: "10 s", cycle: "press: 14 s, rest: 20 min", events: []string{"{at: 20 s, for: 20 min, " + shut + "}", "{at: 20 s, for: 20 min, " + plug + "}"}}

// TestPageAlarms lets a vent stall, and a person at the page hear of it, read what to do and acknowledge it. How each kind of alarm goes on is
// followed at the page in TestAlarms.
func TestPageAlarms(t *testing.T) {
	t.Parallel()
	r := runSite(t, []pot{{name: "alder"}, stalling})
	r.lookAt("alarms.stack", "GRITWATCH_HELD=rowan")
}

// TestPageViews goes through each view, where a pot is healthy, another's vessel still holds, and a third's vessel gauge has failed.
func TestPageViews(t *testing.T) {
	t.Parallel()
	r := runSite(t, []pot{{name: "alder"}, stalling, {name: "cedar", events: []string{"{at: 1 s, for: 20 min, gauge: vessel, failed: true}"}}})
	r.lookAt("views.stack", "GRITWATCH_HEALTHY=alder", "GRITWATCH_HELD=rowan", "GRITWATCH_BLIND=cedar")
}

// lookAt runs the tests of a file of dashboard/tests/e2e against the site's page.
func (r *runningSite) lookAt(file string, env ...string) {
	r.t.Helper()
	if _, err := os.Stat("../../dashboard/dist/index.html"); err != nil {
		r.t.Fatal("the page is not built: make page")
	}
	cmd := pageTests(file, append(env, "GRITWATCH_URL=http://"+r.http+"/")...)
	if out, err := cmd.CombinedOutput(); err != nil {
		r.t.Errorf("%v\n%s", err, tail(string(out), 60))
	}
}
