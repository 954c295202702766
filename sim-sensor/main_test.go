package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
)

func TestCommands(t *testing.T) {
	dir := t.TempDir()
	bad := filepath.Join(dir, "bad.yaml")
	if err := os.WriteFile(bad, []byte("pots: []\nlines: []\nsnow: 1\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	out := filepath.Join(dir, "out")
	for _, tt := range []struct {
		args string
		code int
		out  string // in what is printed
		err  string
	}{
		{"--help", 0, "run", ""},
		{"--version", 0, "(devel)", ""},
		{"list", 0, "trapped", ""},
		{"list --show trapped", 0, "trap: 1.3 psi", ""},
		{"list --show snow", 2, "", `no scenario "snow"`},
		{"", 2, "", "--help"},
		{"run", 2, "", "--config FILE"},
		{"run --scenario snow", 2, "", "demo"},
		{"run --scenario demo --config x", 2, "", "can't be used together"},
		{"run --config " + bad, 2, "", "bad.yaml:3: snow"},
		{"run --config nowhere.yaml", 2, "", "nowhere.yaml"},
		{"run --scenario demo --log-level loud", 2, "", "loud"},
		{"run --scenario demo --truth " + filepath.Join(bad, "truth"), 1, "", "truth"},
		{"run --scenario demo --truth-every 15ms", 2, "", "multiple of 10ms"},
		{"run --scenario demo --truth-every 0s", 2, "", "multiple of 10ms"},
		{"load", 2, "", "--pots"},
		{"load --pots 0", 2, "", "a fleet has 1 to 20000"},
		{"load --pots 5 --for=-1s", 2, "", "--for -1s"},
		{"load --pots 5 --broker nowhere", 1, "", "mqtt://127.0.0.1:1883"},
		{"load --pots 5 --site-file " + filepath.Join(bad, "site.yaml"), 1, "", "folder of the site file"},
		{"generate", 2, "", "--hours"},
		{"generate --hours 1 --out " + out, 2, "", "generate --config FILE"},
		{"generate --scenario snow --hours 1 --out " + out, 2, "", "demo"},
		{"generate --scenario snow --seed 3 --hours 1 --out " + out, 2, "", "demo"},
		{"generate --config " + bad + " --seed 3 --hours 1 --out " + out, 2, "", "bad.yaml:3: snow"},
		{"generate --scenario healthy --hours 0 --out " + out, 2, "", "--hours 0"},
		{"generate --scenario healthy --hours NaN --out " + out, 2, "", "--hours NaN"},
		{"generate --scenario healthy --hours 1e9 --out " + out, 2, "", "at most"},
		{"generate --scenario healthy --hours 1 --rate 51 --out " + out, 2, "", "write 1 to 50"},
		{"generate --scenario healthy --hours 1 --truth-every 15ms --out " + out, 2, "", "multiple of 10ms"},
		{"generate --scenario healthy --hours 1 --start today --out " + out, 2, "", "2026-01-05T06:00:00Z"},
		{"generate --scenario healthy --hours 1 --seed -1 --out " + out, 2, "", "seed"},
		{"generate --scenario healthy --hours 0.001 --out " + filepath.Dir(bad), 2, "", "is not empty"},
		{"generate --scenario healthy --hours 0.001 --out " + filepath.Join(bad, "out"), 1, "", "folder"},
	} {
		var out, errs bytes.Buffer
		code := run(t.Context(), strings.Fields(tt.args), &out, &errs)
		if code != tt.code || !strings.Contains(out.String(), tt.out) || !strings.Contains(errs.String(), tt.err) {
			t.Errorf("%q: code %d, want %d\nprinted %s\nerrors %s", tt.args, code, tt.code, out.String(), errs.String())
		}
	}
}

// A run ends with 0 when it is told to stop; meanwhile it writes lines of truth, here into a named pipe.
func TestRunStops(t *testing.T) {
	t.Chdir(t.TempDir())
	if err := errors.Join(os.Mkdir("run", 0o700), syscall.Mkfifo("run/truth.jsonl", 0o600)); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	ready, out := io.Pipe()
	code := make(chan int, 1)
	go func() {
		code <- run(ctx, strings.Fields("run --scenario healthy --truth run/truth.jsonl"), out, t.Output())
	}()
	said := make([]byte, 100)
	if n, err := ready.Read(said); err != nil || string(said[:n]) != "lines ready: run/sim/a\n" {
		t.Fatalf("said %q, %v", said[:n], err)
	}
	pipe, err := os.Open("run/truth.jsonl")
	if err != nil {
		t.Fatal(err)
	}
	defer pipe.Close()
	var lines []string
	for scan := bufio.NewScanner(pipe); len(lines) < 3 && scan.Scan(); {
		lines = append(lines, scan.Text())
	}
	cancel()
	if got := <-code; got != 0 {
		t.Errorf("exit code %d", got)
	}
	if _, err := os.Lstat("run/sim/a"); !os.IsNotExist(err) {
		t.Errorf("the link is left behind: %v", err)
	}
	if len(lines) != 3 {
		t.Errorf("%d lines of truth", len(lines))
	}
	for _, line := range lines {
		var v struct {
			T       string             `json:"t"`
			Pot     string             `json:"pot"`
			Vessel  *float64           `json:"vessel_pa"`
			Pressed *bool              `json:"pressed"`
			True    map[string]float64 `json:"true_pa"`
			Reads   map[string]float64 `json:"reads_pa"`
		}
		if err := json.Unmarshal([]byte(line), &v); err != nil || v.T == "" || v.Pot != "alder" || v.Vessel == nil || v.Pressed == nil || len(v.True) != 6 || len(v.Reads) != 4 {
			t.Errorf("%s: %v", line, err)
		}
	}
}

// Generated files appear at their place, under the seed asked for, and the same once more.
func TestGenerate(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "sim.yaml")
	var text bytes.Buffer
	if code := run(t.Context(), strings.Fields("list --show healthy"), &text, t.Output()); code != 0 {
		t.Fatal("no scenario")
	}
	if err := os.WriteFile(file, text.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	for i, what := range []string{"--scenario healthy", "--config " + file, "--scenario healthy"} {
		out := filepath.Join(dir, "out", strconv.Itoa(i))
		var said bytes.Buffer
		args := what + " --seed 77 --hours 0.01 --rate 5 --start 2026-05-04T10:00:00+02:00 --out " + out
		if code := run(t.Context(), strings.Fields("generate "+args), &said, t.Output()); code != 0 {
			t.Fatalf("%s: code %d", args, code)
		}
		if want := out + ": alder, 180 rows, 0 fields missing"; !strings.HasPrefix(said.String(), want) {
			t.Errorf("said %q", said.String())
		}
		csv, err := os.ReadFile(filepath.Join(out, "samples.csv"))
		first, aerr := os.ReadFile(filepath.Join(dir, "out", "0", "samples.csv"))
		if err != nil || aerr != nil || !bytes.Equal(csv, first) || !strings.HasPrefix(string(csv), "time,supply,vessel,hose,control\n2026-05-04T08:00:00.000Z,") {
			t.Errorf("%v, %v, %.100q", err, aerr, csv)
		}
		pot, err := os.ReadFile(filepath.Join(out, "pot.yaml"))
		if err != nil || !strings.HasPrefix(string(pot), "# SIMULATED: ") || !strings.Contains(string(pot), "seed 77") {
			t.Errorf("%v, %.100q", err, pot)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	var errs bytes.Buffer
	if code := run(ctx, strings.Fields("generate --scenario healthy --hours 1 --out "+filepath.Join(dir, "stopped")), io.Discard, &errs); code != 1 || !strings.Contains(errs.String(), "nothing is written") {
		t.Errorf("stopped: code %d, %s", code, errs.String())
	}
	if left, err := os.ReadDir(dir); err != nil || len(left) != 2 {
		t.Errorf("left behind: %v, %v", left, err)
	}
}

// A load ends after its time with 0, though no broker is there, and says so.
func TestLoad(t *testing.T) {
	site := filepath.Join(t.TempDir(), "new", "site.yaml")
	var out, errs bytes.Buffer
	code := run(t.Context(), strings.Fields("load --pots 3 --rate 1 --broker mqtt://127.0.0.1:1 --for 200ms --site-file "+site), &out, &errs)
	text, err := os.ReadFile(site)
	if code != 0 || err != nil || !strings.Contains(string(text), "agent: load-1") || !strings.Contains(string(text), `embedded: "127.0.0.1:1"`) {
		t.Errorf("code %d, %v\n%s", code, err, text)
	}
	if !strings.Contains(out.String(), "sent 0 messages") || !strings.Contains(errs.String(), "refuses the connection") {
		t.Errorf("said %s\n%s", out.String(), errs.String())
	}
}
