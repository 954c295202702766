package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"gritwatch/agent/internal/rtu/rtutest"
	"gritwatch/agent/internal/serialport"
	"gritwatch/protocol/modbus"

	"github.com/creack/pty"
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
		{"check --config " + fine, 0, ": a day takes about ", ""},
		{"check --prove-beacons --config " + fine, 0, "no beacon is configured", ""},
		{"check --config " + fine + ".gone", 2, "", "no such file"},
		{"check --config " + filepath.Dir(fine), 2, "", filepath.Dir(fine)},
		{"check --config " + slow, 2, "REFUSED", "cannot keep the period"},
		{"run --config " + slow, 2, "", "cannot keep the period"},
		{"check --config " + bad, 2, "", "agent.yaml:"},
		{"run --config " + bad, 2, "", "agent.yaml:"},
		{"run --config " + unknown, 2, "", "colour"},
		{"check --live --for 10ms --config " + fine, 1, "its line /dev/no-such-port could not be opened", "not every reading was good: alder vessel (0 of 1 good)"},
		{"check --live --config " + bad, 2, "", "agent.yaml:"},
		{"check --live --config " + slow, 2, "REFUSED", "cannot keep the period"},
		{"check --for 3s --config " + fine, 2, "", "--for cannot be used without --live"},
		{"check --live --for=-3s --config " + fine, 2, "", "under zero"},
		{"watch", 2, "", "--config"},
		{"watch --help", 0, "--json", ""},
		{"watch --config " + bad, 2, "", "agent.yaml:"},
		{"watch --config " + slow, 2, "", "cannot keep the period"},
		{"watch --for=-1s --config " + fine, 2, "", "under zero"},
		{"watch --for soon --config " + fine, 2, "", "--for"},
		{"probe", 2, "", "--port"},
		{"probe --help", 0, "--registers", ""},
		{"probe --port /dev/no-such-port", 1, "247 units in 14 settings: at most ", "no such port /dev/no-such-port: is the adapter plugged in?"},
		{"probe --port " + fine, 1, "", "is not a serial port"},
		{"probe --port /dev/null --units 0-9", 2, "", `--units cannot be used: "0-9" are not units; write for example 1-247`},
		{"probe --port /dev/null --unit 9 --units 9", 2, "", "--unit"},
		{"probe --port /dev/null --modes 9600", 2, "", `--modes cannot be used: "9600" is not a line mode`},
		{"probe --port /dev/null --timeout 1ms", 2, "", "--timeout cannot be used: 1ms is not from 5ms to 2s"},
		{"probe --port /dev/null --registers input:0-9", 2, "", "write for example --unit 9"},
		{"probe --port /dev/null --unit 9 --registers output:0-9", 2, "", `--registers cannot be used: "output:0-9" is no range of registers`},
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
	lines := &watchman{want: []string{"refuses the connection", "no such port"}, seen: cancel}
	code := make(chan int, 1)
	go func() { code <- run(ctx, []string{"run", "--config", path}, &bytes.Buffer{}, lines) }()
	select {
	case c := <-code:
		if c != 0 {
			t.Errorf("exit code %d\n%s", c, lines.b.String())
		}
	case <-time.After(time.Minute):
		t.Fatal("does not end")
	}
	for _, want := range []string{"no such port /dev/no-such-port: is the adapter plugged in?",
		"broker mqtt://127.0.0.1:1 refuses the connection: is it running?; next try in 1 s", "stopped"} {
		if !strings.Contains(lines.b.String(), want) {
			t.Errorf("no %q in\n%s", want, lines.b.String())
		}
	}
}

// gaugeLine makes a pseudo-terminal on which unit 9 answers: 0x3C00 at input register 304, refusals elsewhere.
func gaugeLine(t *testing.T) (path string) {
	t.Helper()
	master, slave, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		rtutest.Slave(master, func(r modbus.Request) []byte {
			switch {
			case r.Unit != 9:
				return nil
			case r.Function != modbus.ReadInputRegisters || r.Address != 304 || r.Count != 1:
				return modbus.AppendException(nil, r.Unit, r.Function, modbus.IllegalAddress)
			}
			return modbus.AppendReadReply(nil, r.Unit, r.Function, []uint16{0x3C00})
		})
	}()
	t.Cleanup(func() {
		slave.Close() // the other end then reads an error
		<-done
		master.Close()
	})
	return slave.Name()
}

func TestCommandsOnALine(t *testing.T) {
	port := gaugeLine(t)
	// A busy machine answers late now and then: that is not what is tested.
	path := write(t, strings.NewReplacer("/dev/no-such-port", port, "period: 100ms", "period: 400ms\n    timeout: 300ms").Replace(good))
	probe := []string{"probe", "--port", port, "--unit", "9", "--modes", "19200 8E1", "--registers", "input:300-309"}
	for _, c := range []struct {
		args   []string
		stdout []string
	}{
		{probe, []string{", 19200 8E1: 1 unit answered", "- unit: 9\n", "3C00", "15360", "9 addresses: exception 2"}},
		{[]string{"watch", "--config", path, "--for", "600ms"}, []string{`","pot":"alder","point":"vessel","pa":`, `,"quality":"good"}`}},
		{[]string{"check", "--config", path, "--live", "--for", "900ms"}, []string{"alder  vessel  ", "errors: none"}},
	} {
		code, stdout, stderr := call(t.Context(), c.args...)
		for try := 1; try < 5 && code == 1 && strings.Contains(stderr, "not every reading was good"); try++ {
			code, stdout, stderr = call(t.Context(), c.args...)
		}
		if code != 0 {
			t.Errorf("%q: exit code %d\n%s", c.args, code, stderr)
		}
		for _, want := range c.stdout {
			if !strings.Contains(stdout, want) {
				t.Errorf("%q: no %q in\n%s", c.args, want, stdout)
			}
		}
	}
	// A line that another program reads.
	held, err := serialport.Open(port, serialport.Mode{Baud: 19200, DataBits: 8, Parity: 'E', StopBits: 1})
	if err != nil {
		t.Fatal(err)
	}
	defer held.Close()
	for _, args := range [][]string{probe, {"watch", "--config", path}, {"check", "--config", path, "--live"}} {
		if code, _, stderr := call(t.Context(), args...); code != 1 || !strings.Contains(stderr, "is in use by another program: end that program") {
			t.Errorf("%q: exit code %d\n%s", args, code, stderr)
		}
	}
}

func TestProbeFindsNothing(t *testing.T) {
	code, stdout, stderr := call(t.Context(), "probe", "--port", gaugeLine(t), "--units", "1-2", "--modes", "19200 8E1", "--timeout", "5ms")
	if code != 1 || !strings.Contains(stderr, "nothing answered on /dev/") || !strings.Contains(stdout, "wiring: A and B") {
		t.Errorf("exit code %d\n%s\n%s", code, stdout, stderr)
	}
}

// A watchman keeps what is written, and tells once when the wanted text came. slog writes one line at a time.
type watchman struct {
	b    bytes.Buffer
	want []string
	seen func()
}

func (w *watchman) Write(p []byte) (int, error) {
	n, err := w.b.Write(p)
	if !slices.ContainsFunc(w.want, func(s string) bool { return !strings.Contains(w.b.String(), s) }) {
		w.seen()
	}
	return n, err
}
