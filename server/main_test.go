package main

import (
	"bytes"
	"context"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"

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
	for name, c := range map[string]struct {
		args           []string
		code           int
		stdout, stderr string // a part of it; "" wants it empty
	}{
		"help":           {[]string{"--help"}, 0, "check", ""},
		"help of run":    {[]string{"run", "--help"}, 0, "--config=FILE", ""},
		"version":        {[]string{"--version"}, 0, "\n", ""},
		"no command":     {nil, 2, "", "--help lists commands"},
		"no such flag":   {[]string{"run", "--colour"}, 2, "", "unknown flag --colour"},
		"no file":        {[]string{"run"}, 2, "", "missing flags: --config=FILE"},
		"log level":      {[]string{"--log-level=loud", "check", "--config", good}, 2, "", "loud"},
		"absent file":    {[]string{"run", "--config", absent}, 2, "", "absent.yaml"},
		"bad file":       {[]string{"check", "--config", unit}, 2, "", `pots[0].vessel.volume: "6.5" is not a volume: it has no unit`},
		"bad file run":   {[]string{"run", "--config", unit}, 2, "", `pots[0].vessel.volume: "6.5" is not a volume: it has no unit`},
		"port in use":    {[]string{"run", "--config", inUse}, 1, "", used + " is in use by another program: stop it or set listen to another address"},
		"good file":      {[]string{"check", "--config", good}, 0, "alder: agent quay-1; points vessel, hose, control; screen in psi", ""},
		"says who it is": {[]string{"check", "--config", good}, 0, "broker: inside, mqtt://127.0.0.1:1883\n", ""},
		"says U":         {[]string{"check", "--config", good}, 0, "U = 3.4 kPa", ""},
	} {
		t.Run(name, func(t *testing.T) {
			code, stdout, stderr := call(t, t.Context(), c.args...)
			if code != c.code || !strings.Contains(stdout, c.stdout) || c.stdout == "" && stdout != "" ||
				!strings.Contains(stderr, c.stderr) || c.stderr == "" && stderr != "" {
				t.Errorf("code %d, want %d\nstdout: %s\nstderr: %s", code, c.code, stdout, stderr)
			}
			if c.code != 0 && name != "port in use" && strings.Count(strings.TrimSpace(stderr), "\n") > 0 {
				t.Errorf("more than one line:\n%s", stderr)
			}
		})
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
