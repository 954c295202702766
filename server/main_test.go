package main

import (
	"bytes"
	"context"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/creack/pty"

	"gritwatch/internal/potfile"
	"gritwatch/server/internal/broker/access"
	"gritwatch/server/internal/config"
)

// call runs the program and returns what it printed.
func call(t *testing.T, ctx context.Context, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	code = run(ctx, args, &out, &errs)
	return code, out.String(), errs.String()
}

func file(t *testing.T, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "site.yaml")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestExitCodes(t *testing.T) {
	good := file(t, config.Reference)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	used := l.Addr().String()
	inUse := file(t, strings.NewReplacer("127.0.0.1:8080", used, "127.0.0.1:1883", "127.0.0.1:0", "./data", t.TempDir()).Replace(config.Reference))
	unit := file(t, strings.Replace(config.Reference, "{volume: 6.5 ft3", "{volume: 6.5", 1))
	absent := filepath.Join(t.TempDir(), "absent.yaml")
	dir := t.TempDir()
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	pot := write("pot.yaml", potfile.Reference)
	log := write("log.csv", "time,vessel,control\n1790000000,0,0\n")
	replay := func(args ...string) []string { return append([]string{"replay", "--pot", pot}, args...) }
	for name, c := range map[string]struct {
		args           []string
		code           int
		stdout, stderr string // a part of it; "" wants it empty
	}{
		"help":                {[]string{"--help"}, 0, "check", ""},
		"help of run":         {[]string{"run", "--help"}, 0, "--config=FILE", ""},
		"version":             {[]string{"--version"}, 0, "\n", ""},
		"no command":          {nil, 2, "", "--help lists commands"},
		"no such flag":        {[]string{"run", "--colour"}, 2, "", "unknown flag --colour"},
		"no file":             {[]string{"run"}, 2, "", "missing flags: --config=FILE"},
		"log level":           {[]string{"--log-level=loud", "check", "--config", good}, 2, "", "loud"},
		"absent file":         {[]string{"run", "--config", absent}, 2, "", "absent.yaml"},
		"bad file":            {[]string{"check", "--config", unit}, 2, "", `pots[0].vessel.volume: "6.5" is not a volume: it has no unit`},
		"bad file run":        {[]string{"run", "--config", unit}, 2, "", `pots[0].vessel.volume: "6.5" is not a volume: it has no unit`},
		"port in use":         {[]string{"run", "--config", inUse}, 1, "", used + " is in use by another program: stop it or set listen to another address"},
		"good file":           {[]string{"check", "--config", good}, 0, "alder: agent quay-1; points vessel, hose, control; screen in psi", ""},
		"says who it is":      {[]string{"check", "--config", good}, 0, "broker: inside, mqtt://127.0.0.1:1883\n", ""},
		"replay":              {replay(log), 0, `{"kind":"estimate","t":"2026-09-21T14:13:20.000Z","state":"at-rest"`, "points of the pot that the log has no column for\" points=\"supply, separator, hose, nozzle\""},
		"replay, help":        {[]string{"replay", "--help"}, 0, "--pot=FILE", ""},
		"replay, no pot":      {[]string{"replay", log}, 2, "", "missing flags: --pot=FILE"},
		"replay, no log":      {replay(), 2, "", `expected "<samples>"`},
		"replay, absent log":  {replay(absent), 2, "", "the log cannot be used: open "},
		"replay, absent pot":  {[]string{"replay", "--pot", absent, log}, 2, "", "the pot's file cannot be used: "},
		"replay, bad pot":     {[]string{"replay", "--pot", write("bad.yaml", strings.Replace(potfile.Reference, "6.5 ft3", "6.5", 1)), log}, 2, "", `vessel.volume: "6.5" is not a volume`},
		"replay, bad header":  {replay(write("note.csv", "time,note\n")), 2, "", "the log cannot be used: note.csv:1: unknown columns: \"note\""},
		"replay, other point": {[]string{"replay", "--pot", write("few.yaml", vesselOnly), log}, 2, "", "the pot has no point control; add it to points in the pot's file"},
		"replay, bad row":     {replay(write("row.csv", "time,vessel\n1790000000,abc\n")), 1, "", `row.csv:2: vessel: "abc" is not a number`},
		"replay, lenient":     {replay("--lenient", write("two.csv", "time,vessel\n1790000000,abc\n1790000001,1\n")), 0, `"t":"2026-09-21T14:13:21.000Z"`, `msg="bad rows were skipped" rows=1 kinds="1 malformed"`},
		"replay, slow":        {replay("--period", "3s", log), 0, `"log-too-slow"`, "the log is slower than 2 s"},
		"replay, no row":      {replay(write("none.csv", "time,vessel\n")), 0, "", "the log has no row that can be used"},
		"replay, every":       {replay("--every", "0s", log), 2, "", "--every 0s cannot be used"},
		"replay, period":      {replay("--period=-1s", log), 2, "", "--period -1s cannot be used"},
		"replay, out is in":   {replay("--out", log, log), 2, "", "--out cannot be used: "},
		"says U":              {[]string{"check", "--config", good}, 0, "U = 3.4 kPa", ""},
	} {
		t.Run(name, func(t *testing.T) {
			code, stdout, stderr := call(t, t.Context(), c.args...)
			if code != c.code || !strings.Contains(stdout, c.stdout) || c.stdout == "" && stdout != "" ||
				!strings.Contains(stderr, c.stderr) || c.stderr == "" && stderr != "" {
				t.Errorf("code %d, want %d\nstdout: %s\nstderr: %s", code, c.code, stdout, stderr)
			}
			if c.code == 0 && name == "replay" && strings.Count(stdout, "\n") != 1 {
				t.Errorf("more than lines of JSON on standard output:\n%s", stdout)
			}
			if c.code != 0 && name != "port in use" && strings.Count(strings.TrimSpace(stderr), "\n") > 0 {
				t.Errorf("more than one line:\n%s", stderr)
			}
		})
	}
}

// TestAgentAdd: a password is handed out once, its hash alone is kept, and the broker's check counts the users.
func TestAgentAdd(t *testing.T) {
	dir := t.TempDir()
	users := filepath.Join(dir, "users")
	site := filepath.Join(dir, "site.yaml")
	text := strings.Replace(config.Reference, `broker: {embedded: "127.0.0.1:1883", open_to_network: false}`,
		fmt.Sprintf(`broker: {embedded: "127.0.0.1:1883", users: %q}`, users), 1)
	if err := os.WriteFile(site, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	if code, _, stderr := call(t, t.Context(), "check", "--config", site); code != 2 ||
		!strings.Contains(stderr, "broker.users: "+users+" cannot be read: no such file or directory; gritwatch-server agent add --name NAME makes the file and its lines") {
		t.Errorf("check without users: code %d\n%s", code, stderr)
	}
	add := func(args ...string) (int, string, string) {
		return call(t, t.Context(), append([]string{"agent", "add", "--config", site}, args...)...)
	}
	code, stdout, stderr := add("--name", "quay-1")
	lines := strings.Split(strings.TrimSpace(stdout), "\n")
	if code != 0 || stderr != "" || len(lines) != 2 || lines[0] != "agent quay-1 stands in "+users+"; its password, which is shown only now:" || len(lines[1]) != 32 {
		t.Fatalf("code %d\n%s%s", code, stdout, stderr)
	}
	kept, err := access.Read(users)
	if err != nil {
		t.Fatal(err)
	}
	first, ok := kept.Check("quay-1", []byte(lines[1]))
	if !ok {
		t.Error("the password that was shown is not good")
	}
	out := filepath.Join(dir, "wall.password")
	for _, c := range []struct {
		args []string
		code int
		want string
	}{
		{[]string{"--name", "quay-1"}, 1, "user quay-1 stands in the users' file already; --replace gives another password"},
		{[]string{"--name", "quay-9"}, 2, `--name cannot be used: no pot in ` + site + ` has the agent "quay-9"; agents there: [quay-1]`},
		{[]string{"--name", "quay-1", "--replace"}, 0, ""},
		{[]string{"--name", "wall", "--observer", "--out", out}, 0, ""},
		{[]string{"--name", "desk", "--observer", "--out", out}, 2, "--out cannot be used: " + out + " exists; name a new file"},
		{[]string{"--name", "Desk", "--observer"}, 2, `"Desk" is not a name`},
	} {
		if code, stdout, stderr := add(c.args...); code != c.code || !strings.Contains(stderr, c.want) || c.code == 0 && stdout == "" {
			t.Errorf("%v: code %d, want %d\n%s%s", c.args, code, c.code, stdout, stderr)
		}
	}
	if kept, err = access.Read(users); err != nil {
		t.Fatal(err)
	}
	if second, ok := kept.Find("quay-1"); !ok || second.Hash == first.Hash {
		t.Error("the password was not replaced")
	}
	secret, err := os.ReadFile(out)
	info, serr := os.Stat(out)
	if err != nil || serr != nil || info.Mode().Perm() != 0o600 {
		t.Fatalf("%v %v %v", err, serr, info)
	}
	if u, ok := kept.Check("wall", secret[:len(secret)-1]); !ok || u.Kind != access.Observer {
		t.Errorf("observer %+v, %v", u, ok)
	}
	if code, stdout, _ := call(t, t.Context(), "check", "--config", site); code != 0 || !strings.Contains(stdout, "broker: users "+users+": agents 1, observers 1\n") ||
		!strings.Contains(stdout, "broker: inside, mqtt://127.0.0.1:1883 (with a password)\n") {
		t.Errorf("check: code %d\n%s", code, stdout)
	}
	if err := os.Chmod(users, 0o644); err != nil {
		t.Fatal(err)
	}
	if _, stdout, _ := call(t, t.Context(), "check", "--config", site); !strings.Contains(stdout, "broker: warning: "+users+" can be read by every user of this machine: chmod o= "+users+"\n") {
		t.Errorf("check of a users' file that all can read:\n%s", stdout)
	}
	none := file(t, config.Reference)
	if code, _, stderr := call(t, t.Context(), "agent", "add", "--config", none, "--name", "quay-1"); code != 2 || !strings.Contains(stderr, "broker.users names no users' file") {
		t.Errorf("without users: code %d\n%s", code, stderr)
	}
}

const vesselOnly = `name: alder
vessel: {volume: 6.5 ft3, rated: 150 psi}
hose: {bore: 1.25 in, length: 50 ft}
nozzle: {bore: 7/16 in}
points: [vessel]
`

// TestReplayFile: --out gives what standard output gets, the same bytes each time; a replay that fails or is stopped
// leaves what stood there.
func TestReplayFile(t *testing.T) {
	dir := t.TempDir()
	path := func(name string) string { return filepath.Join(dir, name) }
	var log strings.Builder
	log.WriteString("time,vessel\n")
	for i := range 5000 {
		fmt.Fprintf(&log, "%.1f,%d\n", 1_790_000_000+float64(i)/10, i%100)
	}
	for name, text := range map[string]string{"pot.yaml": vesselOnly, "log.csv": log.String(), "bad.csv": log.String() + "x,1\n", "out": "old"} {
		if err := os.WriteFile(path(name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	stopped, stop := context.WithCancelCause(t.Context())
	stop(errStop)
	for _, c := range []struct {
		ctx  context.Context
		log  string
		code int
		kept bool
	}{{t.Context(), "bad.csv", 1, true}, {stopped, "log.csv", 0, true}, {t.Context(), "log.csv", 0, false}, {t.Context(), "log.csv", 0, false}} {
		code, stdout, stderr := call(t, c.ctx, "replay", "--pot", path("pot.yaml"), "--out", path("out"), path(c.log))
		if code != c.code || stdout != "" {
			t.Errorf("%s: code %d, %q\n%s", c.log, code, stdout, stderr)
		}
		got, err := os.ReadFile(path("out"))
		if err != nil {
			t.Fatal(err)
		}
		want := "old"
		if !c.kept {
			_, want, _ = call(t, t.Context(), "replay", "--pot", path("pot.yaml"), path("log.csv"))
		}
		if string(got) != want || strings.Count(want, `"kind":"estimate"`) != 500 && !c.kept {
			t.Errorf("%s: the file has %d bytes, want %d", c.log, len(got), len(want))
		}
	}
	entries, err := os.ReadDir(dir)
	if err != nil || len(entries) != 4 {
		t.Errorf("%v, %v: something is left behind", entries, err)
	}
}

// TestReplayOnTerminal: the progress line is gone before anything else is said, and the lines do not go there.
func TestReplayOnTerminal(t *testing.T) {
	master, tty, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer master.Close()
	defer tty.Close()
	dir := t.TempDir()
	pot, log := filepath.Join(dir, "pot.yaml"), filepath.Join(dir, "log.csv")
	for path, text := range map[string]string{pot: vesselOnly, log: "time,vessel\n1790000000,0\n"} {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	var out bytes.Buffer
	if code := run(t.Context(), []string{"replay", "--pot", pot, log}, &out, tty); code != 0 || strings.Count(out.String(), "\n") != 1 {
		t.Errorf("code %d, %q", code, out.String())
	}
	var seen string
	buf := make([]byte, 4096)
	for !strings.Contains(seen, "msg=replayed") { // a terminal hands on what was written in pieces
		n, err := master.Read(buf)
		if err != nil {
			t.Fatalf("on the terminal: %q, %v", seen, err)
		}
		seen += string(buf[:n])
	}
	if !strings.HasPrefix(seen, "\r\x1b[Ktime=") || strings.Contains(seen, "estimate") {
		t.Errorf("on the terminal: %q", seen)
	}
}

// TestStops: the end of the context, as a signal brings it, ends the server with 0.
func TestStops(t *testing.T) {
	path := file(t, strings.NewReplacer("127.0.0.1:8080", "127.0.0.1:0", "127.0.0.1:1883", "127.0.0.1:0", "./data", t.TempDir()).Replace(config.Reference))
	ctx, cancel := context.WithCancelCause(t.Context())
	out := &stopper{text: "dashboard: http://127.0.0.1:", stop: func() { cancel(errStop) }}
	var errs bytes.Buffer
	if code := run(ctx, []string{"run", "--config", path}, out, &errs); code != 0 || !out.seen {
		t.Errorf("code %d, printed %v\n%s", code, out.seen, errs.String())
	}
	if !strings.Contains(errs.String(), errStop.Error()) {
		t.Errorf("the log does not say why it stopped:\n%s", errs.String())
	}
}

var errStop = &os.PathError{Op: "stop", Path: "test", Err: os.ErrClosed}

// A stopper stops the server once it has printed a text.
type stopper struct {
	text string
	stop func()
	seen bool
}

func (s *stopper) Write(p []byte) (int, error) {
	if strings.Contains(string(p), s.text) {
		s.seen = true
		s.stop()
	}
	return len(p), nil
}
