package e2e_test

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"gritwatch/protocol/live"
)

var bin string // folder of the built programs

// Built like the programs that ship; -race, where the tests themselves run under the race detector.
var (
	buildFlags = []string{"-trimpath", "-ldflags=-s -w"}
	buildEnv   = []string{"CGO_ENABLED=0"}
)

func TestMain(m *testing.M) {
	os.Exit(func() int {
		dir, err := os.MkdirTemp("", "gritwatch-e2e-")
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			return 1
		}
		defer os.RemoveAll(dir)
		bin = dir
		// At once, so that they are linked beside each other.
		programs := []string{"agent", "server", "sim-sensor"}
		cmd := exec.Command("go", slices.Concat([]string{"build"}, buildFlags, []string{"-o", dir})...)
		cmd.Dir = "../.."
		cmd.Env = append(os.Environ(), buildEnv...)
		for _, p := range programs {
			cmd.Args = append(cmd.Args, "./"+p)
		}
		if out, err := cmd.CombinedOutput(); err != nil {
			fmt.Fprintf(os.Stderr, "build: %v\n%s", err, out)
			return 1
		}
		for _, p := range programs {
			if err := os.Rename(filepath.Join(dir, p), filepath.Join(dir, "gritwatch-"+strings.TrimSuffix(p, "-sensor"))); err != nil {
				fmt.Fprintln(os.Stderr, err)
				return 1
			}
		}
		return m.Run()
	}())
}

// seats are for sites, so that not all start at once, and only as many run as a machine can serve in time.
var seats = make(chan struct{}, 3*runtime.NumCPU())

// seat waits for one, until the test's end.
func seat(t *testing.T) {
	seats <- struct{}{}
	t.Cleanup(func() { <-seats })
}

// site is one set of running programs in a folder of its own.
type site struct {
	t    testing.TB
	dir  string
	http string
	mqtt string
}

func newSite(t testing.TB) *site {
	t.Helper()
	return &site{t: t, dir: t.TempDir(), http: freeAddr(t), mqtt: freeAddr(t)}
}

// loopbacks counts the loopback addresses given out.
var loopbacks atomic.Uint32

// freeAddr is an address on which nothing listens: each has a loopback address of its own, so that no other test of
// this process can be given its port before it is used.
func freeAddr(t testing.TB) string {
	t.Helper()
	n := loopbacks.Add(1)
	l, err := net.Listen("tcp", fmt.Sprintf("127.1.%d.%d:0", n/200, n%200+1))
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// write puts a file into the site's folder, with HTTP, MQTT and DIR replaced, and returns its path.
func (s *site) write(name, text string) string {
	s.t.Helper()
	text = strings.NewReplacer("$HTTP", s.http, "$MQTT", s.mqtt, "$DIR", s.dir).Replace(text)
	path := filepath.Join(s.dir, name)
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		s.t.Fatal(err)
	}
	return path
}

// program is one running process and what it has printed.
type program struct {
	t    testing.TB
	name string
	cmd  *exec.Cmd
	out  output
	done chan struct{}
	err  error
}

type output struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (o *output) Write(p []byte) (int, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.text.Write(p)
}

func (o *output) String() string {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.text.String()
}

// start runs a program in the site's folder; the test's end stops it. Simulators and agents go before all else, since a gauge
// does not wait for a browser, and an agent has a machine of its own.
func (s *site) start(name string, args ...string) *program {
	s.t.Helper()
	cmd := exec.Command(filepath.Join(bin, name), args...)
	if name == "gritwatch-server" {
		cmd = behind(s.t, cmd)
	} else {
		ahead(cmd)
	}
	p := &program{t: s.t, name: name, cmd: cmd, done: make(chan struct{})}
	s.launch(p)
	return p
}

// ahead gives a program a session of its own. Linux shares the processors out among sessions first (autogroup), and then by priority
// within each: in the tests' own session a simulator would wait for all of them, and for their servers and compilers.
func ahead(cmd *exec.Cmd) { cmd.SysProcAttr = &syscall.SysProcAttr{Setsid: true} }

// behind has a program wait for those that must not be late. In a benchmark nothing is to.
func behind(t testing.TB, cmd *exec.Cmd) *exec.Cmd {
	if _, is := t.(*testing.B); is {
		return cmd
	}
	return exec.Command("nice", append([]string{"-n", "5"}, cmd.Args...)...)
}

func (s *site) launch(p *program) {
	s.t.Helper()
	p.cmd.Dir = s.dir
	p.cmd.Stdout, p.cmd.Stderr = &p.out, &p.out
	if p.cmd.SysProcAttr == nil {
		p.cmd.SysProcAttr = &syscall.SysProcAttr{}
	}
	p.cmd.SysProcAttr.Pdeathsig = syscall.SIGKILL
	if err := p.cmd.Start(); err != nil {
		s.t.Fatal(err)
	}
	go func() {
		p.err = p.cmd.Wait()
		close(p.done)
	}()
	s.t.Cleanup(func() {
		p.stop()
		if s.t.Failed() {
			s.t.Logf("%s printed:\n%s", p.name, tail(p.out.String(), 40))
		}
	})
}

// stop ends the program as a service manager would, and fails the test if it does not end cleanly.
func (p *program) stop() {
	select {
	case <-p.done:
		return
	default:
	}
	p.signal(syscall.SIGCONT)
	p.signal(syscall.SIGTERM)
	select {
	case <-p.done:
		if p.err != nil {
			p.t.Errorf("%s did not end cleanly on SIGTERM: %v", p.name, p.err)
		}
	case <-time.After(2 * soon):
		p.kill()
		p.t.Errorf("%s did not end within %v of SIGTERM", p.name, 2*soon)
	}
}

func (p *program) signal(sig syscall.Signal) { _ = p.cmd.Process.Signal(sig) }

func (p *program) kill() {
	p.signal(syscall.SIGKILL)
	<-p.done
}

// exit waits for the program to end by itself and returns its exit code.
func (p *program) exit(within time.Duration) int {
	p.t.Helper()
	select {
	case <-p.done:
	case <-time.After(within):
		p.t.Fatalf("%s still runs after %v; it printed:\n%s", p.name, within, p.out.String())
	}
	var ended *exec.ExitError
	if errors.As(p.err, &ended) {
		return ended.ExitCode()
	}
	return 0
}

// says waits until the program has printed a text.
func (p *program) says(text string, within time.Duration) {
	p.t.Helper()
	eventually(p.t, within, p.name+" says "+text, func() bool { return strings.Contains(p.out.String(), text) })
}

// eventually waits for something real to happen in another process; there is no fake time across processes.
func eventually(t testing.TB, within time.Duration, what string, ok func() bool) {
	t.Helper()
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	deadline := time.After(within)
	for !ok() {
		select {
		case <-tick.C:
		case <-deadline:
			t.Fatalf("not within %v: %s", within, what)
		}
	}
}

func tail(text string, lines int) string {
	all := strings.Split(strings.TrimRight(text, "\n"), "\n")
	return strings.Join(all[max(0, len(all)-lines):], "\n")
}

// pots asks the server; an error means that it does not answer now.
func (s *site) pots() (map[string]live.Pot, error) {
	client := http.Client{Timeout: 2 * time.Second}
	res, err := client.Get("http://" + s.http + "/api/v1/pots")
	if err != nil {
		return nil, err
	}
	defer res.Body.Close()
	body, err := io.ReadAll(res.Body)
	if err != nil {
		return nil, err
	}
	if res.StatusCode != http.StatusOK {
		return nil, fmt.Errorf("%s: %s", res.Status, body)
	}
	if cc := res.Header.Get("Cache-Control"); cc != "no-store" {
		return nil, fmt.Errorf("Cache-Control is %q", cc)
	}
	var doc live.Pots
	if err := json.Unmarshal(body, &doc); err != nil {
		return nil, err
	}
	out := map[string]live.Pot{}
	for _, p := range doc.Pots {
		out[p.Name] = p
	}
	return out, nil
}

// word is a pot's answer now; "" while the server does not answer.
func (s *site) word(pot string) string {
	pots, err := s.pots()
	if err != nil {
		return ""
	}
	return pots[pot].Answer.Word
}

// A growing file of JSON lines, of which only what is new is read: the truth of a minute is megabytes, and tests look
// into it many times a second while the programs need the processor.
type growing[T any] struct {
	at   int64
	rows []T
}

// files are the growing ones that were read, by path and type.
var files sync.Map

// jsonLines gives every whole line of a growing file. One test reads a path, in one goroutine.
func jsonLines[T any](t testing.TB, path string) []T {
	t.Helper()
	var zero T
	kept, _ := files.LoadOrStore(fmt.Sprintf("%s %T", path, zero), &growing[T]{})
	g := kept.(*growing[T])
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if _, err := f.Seek(g.at, io.SeekStart); err != nil {
		t.Fatal(err)
	}
	r := bufio.NewReaderSize(f, 1<<16)
	for {
		line, err := r.ReadBytes('\n')
		if err != nil {
			return g.rows
		}
		var v T
		if err := json.Unmarshal(line, &v); err != nil {
			t.Fatalf("%s: %v in %s", path, err, line)
		}
		g.at += int64(len(line))
		g.rows = append(g.rows, v)
	}
}
