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
		{"load", 2, "", "load"},
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
