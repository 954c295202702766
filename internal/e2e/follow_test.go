package e2e_test

import (
	"cmp"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"
)

// A toFollow is an alarm that is going to be raised, and what a person at the page does with it, as Expected in
// dashboard/tests/e2e/follow.ts.
type toFollow struct {
	Pot         string `json:"pot,omitempty"` // or Agent
	Agent       string `json:"agent,omitempty"`
	Kind        string `json:"kind"`
	Point       string `json:"point,omitempty"`       // of a gauge's fault; empty: any
	Acknowledge string `json:"acknowledge,omitempty"` // the state in which it is acknowledged; empty: as it is found
	Shelve      bool   `json:"shelve,omitempty"`      // it is shelved first, and brought back
	Stays       bool   `json:"stays,omitempty"`       // its end is not waited for
}

func (a *toFollow) who() string { return cmp.Or(a.Pot, a.Agent) }

// A followed alarm is what was seen of one at the page.
type followed struct {
	toFollow
	ID           string   `json:"id"`
	Title        string   `json:"title"`
	Priority     string   `json:"priority"`
	States       []string `json:"states"` // without repetitions; the last one is ended
	Pictures     []string `json:"pictures"`
	Facts        []string `json:"facts"`
	Steps        []string `json:"steps"`
	Offers       []string `json:"offers"`
	Shelved      bool     `json:"shelved"`
	Acknowledged string   `json:"acknowledged"` // the state in which it was
	Lasted       string   `json:"lasted"`
	Done         bool     `json:"done"`
	Wrong        []string `json:"wrong"`

	// Of the first two lines alone.
	Ready bool `json:"ready"` // the browser runs
	Open  bool `json:"open"`  // the page is open

	// Of the last line alone.
	Others []struct{ ID, Who, Title string } `json:"others"` // seen and not expected, or come again
	Errors []string                          `json:"errors"` // of the page
	// The history, gone through in pages of four.
	History struct {
		Pages  int    `json:"pages"`
		Alarms int    `json:"alarms"`
		Wrong  string `json:"wrong"`
	} `json:"history"`
}

// A pageFollower is a person at a page of a site, in a real browser, who has its Alarms view open.
type pageFollower struct {
	t    testing.TB
	path string // of what it tells
	all  []toFollow
	p    *program
}

// follow starts the browser, which opens the page as soon as there is a server, and has Ida follow the alarms that are going to be raised, for so long at most: she reads each as it comes,
// acknowledges it, and looks for it in the history when it is over.
func (s *site) follow(all []toFollow, within time.Duration) *pageFollower {
	s.t.Helper()
	if _, err := os.Stat("../../dashboard/dist/index.html"); err != nil {
		s.t.Fatal("the page is not built: make page")
	}
	list, err := json.Marshal(all)
	if err != nil {
		s.t.Fatal(err)
	}
	f := &pageFollower{t: s.t, path: filepath.Join(s.dir, "followed.jsonl"), all: all}
	if err := os.WriteFile(f.path, nil, 0o644); err != nil {
		s.t.Fatal(err)
	}
	cmd := pageTests("follow.stack", "GRITWATCH_URL=http://"+s.http+"/", "GRITWATCH_FOLLOW="+string(list), "GRITWATCH_FOLLOWED="+f.path,
		fmt.Sprintf("GRITWATCH_SECONDS=%.0f", within.Seconds()))
	f.p = &program{t: s.t, name: "the page's follower", cmd: cmd, done: make(chan struct{})}
	cmd.Stdout, cmd.Stderr = &f.p.out, &f.p.out
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	if err := cmd.Start(); err != nil {
		s.t.Fatal(err)
	}
	go func() {
		f.p.err = cmd.Wait()
		close(f.p.done)
	}()
	s.t.Cleanup(f.end)
	f.says("the browser runs", func(x followed) bool { return x.Ready })
	return f
}

// opened waits until the page is open.
func (f *pageFollower) opened() { f.says("the page is open", func(x followed) bool { return x.Open }) }

func (f *pageFollower) says(what string, ok func(followed) bool) {
	eventually(f.t, 3*time.Minute, what, func() bool { return f.ended() || slices.ContainsFunc(jsonLines[followed](f.t, f.path), ok) })
}

// end ends it, if it goes on. Its browser ends with it.
func (f *pageFollower) end() {
	select {
	case <-f.p.done:
	default:
		_ = syscall.Kill(-f.p.cmd.Process.Pid, syscall.SIGKILL)
		<-f.p.done
	}
}

// ended tells whether it has seen all that there is, or has given up.
func (f *pageFollower) ended() bool {
	select {
	case <-f.p.done:
		return true
	default:
		return false
	}
}

// seen is what was seen so far of the alarm of a kind.
func (f *pageFollower) seen(who, kind string) followed {
	all := jsonLines[followed](f.t, f.path)
	for i := len(all) - 1; i >= 0; i-- {
		if all[i].who() == who && all[i].Kind == kind {
			return all[i]
		}
	}
	return followed{}
}

// acknowledged tells whether the alarm of a kind was acknowledged at the page.
func (f *pageFollower) acknowledged(who, kind string) bool {
	return f.seen(who, kind).Acknowledged != ""
}

// has tells whether an alarm is one of those that are acknowledged at the page: not the second of its kind, and not one by others.
func (f *pageFollower) has(id, who, kind string) bool {
	x := f.seen(who, kind)
	return (x.ID == "" || x.ID == id) && slices.ContainsFunc(f.all, func(a toFollow) bool { return a.who() == who && a.Kind == kind })
}

// compare fails for each alarm that was told outside and whose life was not seen at the page as it was told. Call it when the
// follower has ended.
func (f *pageFollower) compare(got []hooked) {
	f.t.Helper()
	for _, a := range f.all {
		x := f.seen(a.who(), a.Kind)
		first, told := after(got, a.who(), a.Kind)
		fail := func(format string, args ...any) {
			f.t.Helper()
			f.t.Errorf("%s of %q on the page: %s", a.Kind, a.who(), fmt.Sprintf(format, args...))
		}
		for _, w := range x.Wrong {
			fail("%s", w)
		}
		switch {
		case x.ID == "":
			fail("was never shown")
			continue
		case x.ID != first.ID || x.Priority != first.Priority:
			fail("%s, %s; was told as %s, %s", x.ID, x.Priority, first.ID, first.Priority)
		case !x.Done:
			fail("was not followed to its end: %+v", x)
		case !slices.Equal(x.Steps, first.Do):
			fail("says to do %q, was told as %q", x.Steps, first.Do)
		case x.Priority == "critical" && slices.Contains(x.Offers, "Shelve"):
			fail("may be shelved: %q", x.Offers)
		case x.Shelved != a.Shelve || x.Acknowledged == "":
			fail("shelved %v, acknowledged when %q", x.Shelved, x.Acknowledged)
		}
		// What was told outside was seen at the page too, in this order; the end is normal there.
		i := 0
		for _, state := range append([]string{first.State}, strings.Fields(strings.ReplaceAll(told, "normal", "ended"))...) {
			k := slices.Index(x.States[i:], state)
			if k < 0 {
				fail("was told as %s %s, and shown as %q", first.State, told, x.States)
				break
			}
			i += k
		}
		f.t.Logf("%s of %q on the page: %q, %s, %q, acknowledged when %s, lasted %s; %q %q", a.Kind, a.who(), x.Title, x.Priority, x.States, x.Acknowledged, x.Lasted, x.Pictures, x.Facts)
	}
	paged := false
	for _, x := range jsonLines[followed](f.t, f.path) {
		if len(x.Errors) > 0 {
			f.t.Errorf("errors of the page: %q", x.Errors)
		}
		if h := x.History; h.Wrong != "" {
			f.t.Errorf("the history on the page: %s", h.Wrong)
		}
		paged = paged || x.History.Pages > 1 && x.History.Alarms > 4*(x.History.Pages-1)
	}
	if !paged && len(f.all) > 4 {
		f.t.Errorf("the history of %d alarms was not gone through from page to page", len(f.all))
	}
	if f.t.Failed() {
		f.t.Logf("%s printed:\n%s", f.p.name, tail(f.p.out.String(), 60))
	}
}

// pageTests are the tests of a file of dashboard/tests/e2e.
func pageTests(file string, env ...string) *exec.Cmd {
	cmd := exec.Command("nice", "-n", "10", "npm", "run", "stack", "--", file) // behind the simulated lines of other tests, which must not be late
	cmd.Dir = "../../dashboard"
	cmd.Env = append(os.Environ(), env...)
	return cmd
}
