package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

const good = `
agent: quay-1
site: harrow-quay
broker: {url: "mqtt://127.0.0.1:1"}
journal: JOURNAL
buses:
  - port: /dev/no-such-port
    mode: 19200 8E1
    period: 100ms
    units:
      - unit: 9
        read:
          - {pot: alder, point: vessel, input: 304, type: int16, counts: 0..27648, current: 0..20 mA, range: 0..200 psi}
pots:
  - {name: alder, vessel: {volume: 6.5 ft3, rated: 150 psi}, hose: {bore: 1.25 in, length: 50 ft}, nozzle: {bore: 7/16 in, target: 100 psi}, points: [vessel]}
`

// call runs the program and gives its exit code and what it wrote.
func call(ctx context.Context, args ...string) (code int, stdout, stderr string) {
	var out, errs bytes.Buffer
	code = run(ctx, args, &out, &errs)
	return code, out.String(), errs.String()
}

func write(t *testing.T, text string) string {
	t.Helper()
	dir := t.TempDir()
	path := filepath.Join(dir, "agent.yaml")
	if err := os.WriteFile(path, []byte(strings.Replace(text, "JOURNAL", filepath.Join(dir, "journal"), 1)), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestUsage(t *testing.T) {
	fine := write(t, good)
	slow := write(t, strings.Replace(good, "19200", "300", 1))
	bad := write(t, strings.Replace(good, "200 psi", "200", 1))
	unknown := write(t, good+"colour: red\n")
	for _, c := range []struct {
		args           string
		code           int
		stdout, stderr string // parts of what is written
	}{
		{"--help", 0, "--log-level", ""},
		{"run --help", 0, "--config", ""},
		{"--version", 0, "\n", ""},
		{"", 2, "", "--help lists commands"},
		{"dance", 2, "", "dance"},
		{"run", 2, "", "--config"},
		{"run --config", 2, "", "--config"},
		{"--log-level loud check --config " + fine, 2, "", "log-level"},
		{"check --config " + fine, 0, "address 304", ""},
		{"check --config " + fine + ".gone", 2, "", "no such file"},
		{"check --config " + filepath.Dir(fine), 2, "", filepath.Dir(fine)},
		{"check --config " + slow, 2, "REFUSED", "cannot keep the period"},
		{"run --config " + slow, 2, "", "cannot keep the period"},
		{"check --config " + bad, 2, "", "agent.yaml:"},
		{"run --config " + bad, 2, "", "agent.yaml:"},
		{"run --config " + unknown, 2, "", "colour"},
	} {
		code, stdout, stderr := call(t.Context(), strings.Fields(c.args)...)
		if code != c.code || !strings.Contains(stdout, c.stdout) || !strings.Contains(stderr, c.stderr) || (c.code != 0) != (stderr != "") {
			t.Errorf("%q: exit code %d, want %d\nstdout: %s\nstderr: %s", c.args, code, c.code, stdout, stderr)
		}
	}
}

// Port and broker missing: a clear line each, and a clean end when told.
func TestRunAndStop(t *testing.T) {
	path := write(t, good)
	ctx, cancel := context.WithCancel(t.Context())
	lines := &watch{want: "refuses the connection", seen: cancel}
	code := make(chan int, 1)
	go func() { code <- run(ctx, []string{"run", "--config", path}, &bytes.Buffer{}, lines) }()
	select {
	case c := <-code:
		if c != 0 {
			t.Errorf("exit code %d\n%s", c, lines.b.String())
		}
	case <-time.After(10 * time.Second):
		t.Fatal("does not end")
	}
	for _, want := range []string{"no such port /dev/no-such-port: is the adapter plugged in?",
		"broker mqtt://127.0.0.1:1 refuses the connection: is it running?; next try in 1 s", "stopped"} {
		if !strings.Contains(lines.b.String(), want) {
			t.Errorf("no %q in\n%s", want, lines.b.String())
		}
	}
}

// A watch keeps what is written, and tells once when the wanted text came. slog writes one line at a time.
type watch struct {
	b    bytes.Buffer
	want string
	seen func()
}

func (w *watch) Write(p []byte) (int, error) {
	n, err := w.b.Write(p)
	if strings.Contains(w.b.String(), w.want) {
		w.seen()
	}
	return n, err
}
