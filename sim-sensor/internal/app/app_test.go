package app_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"gritwatch/protocol/modbus"
	"gritwatch/protocol/si"
	"gritwatch/sim-sensor/internal/app"
	"gritwatch/sim-sensor/internal/scenario"
)

// moments passes each write on, a moment's truth.
type moments chan []byte

func (m moments) Write(b []byte) (int, error) {
	select {
	case m <- bytes.Clone(b):
	default: // the test has seen enough
	}
	return len(b), nil
}

// site is the healthy scenario, pressed at once, with its line under dir.
func site(t *testing.T, dir string) *scenario.Scenario {
	t.Helper()
	text, err := scenario.Text("healthy")
	if err != nil {
		t.Fatal(err)
	}
	file := strings.NewReplacer("run/sim/a", filepath.Join(dir, "a"), "start: 3 s", "start: 0 s").Replace(string(text))
	s, err := scenario.Parse("healthy.yaml", []byte(file))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestRun(t *testing.T) {
	dir := t.TempDir()
	link := filepath.Join(dir, "a")
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	truth := make(moments, 1000)
	ready, out := io.Pipe()
	ended := make(chan error, 1)
	go func() {
		ended <- app.Run(ctx, site(t, dir), app.Options{Out: out, Truth: truth, Log: slog.New(slog.NewTextHandler(t.Output(), nil))})
	}()
	said := make([]byte, 1000)
	n, err := ready.Read(said)
	if got := string(said[:n]); err != nil || got != "lines ready: "+link+"\n" {
		t.Fatalf("said %q, %v", got, err)
	}

	// Half a second after the press the vessel is under way: the transducer on the line agrees with the truth.
	var last scenario.Truth
	for range 8 {
		last = scenario.Truth{}
		if err := json.Unmarshal(<-truth, &last); err != nil {
			t.Fatal(err)
		}
	}
	port, err := os.OpenFile(link, os.O_RDWR|syscall.O_NOCTTY|syscall.O_NONBLOCK, 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := port.Write(modbus.AppendReadRequest(nil, 22, modbus.ReadInputRegisters, 2578, 2)); err != nil {
		t.Fatal(err)
	}
	reply := make([]byte, 9)
	if err := port.SetReadDeadline(time.Now().Add(time.Minute)); err != nil {
		t.Fatal(err)
	}
	if _, err := io.ReadFull(port, reply); err != nil {
		t.Fatal(err)
	}
	data, err := modbus.ParseReadReply(reply, 22, modbus.ReadInputRegisters, 2)
	if err != nil {
		t.Fatal(err)
	}
	read := float64(math.Float32frombits(uint32(data.Register(1))<<16 | uint32(data.Register(0)))) // low first
	if before := last.VesselPa / si.PSI; !last.Pressed || before < 5 || read < before-1 || read > 115 {
		t.Errorf("the line shows %v psi, some time after the truth was %+v", read, last)
	}
	if at, err := time.Parse(time.RFC3339Nano, last.T); err != nil || time.Since(at) > time.Minute || !strings.HasSuffix(last.T, "Z") || len(last.T) != len("2006-01-02T15:04:05.000Z") {
		t.Errorf("time %q: %v", last.T, err)
	}
	if err := port.Close(); err != nil {
		t.Fatal(err)
	}

	cancel()
	if err := <-ended; err != nil {
		t.Errorf("Run: %v", err)
	}
	if _, err := os.Lstat(link); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the link is left behind: %v", err)
	}
}

type full struct{}

func (full) Write([]byte) (int, error) { return 0, syscall.ENOSPC }

// What cannot be written ends the run with an error, and the links go all the same.
func TestWriteFails(t *testing.T) {
	for name, o := range map[string]app.Options{"truth": {Out: io.Discard, Truth: full{}}, "ready": {Out: full{}}} {
		dir := t.TempDir()
		o.Log = slog.New(slog.NewTextHandler(t.Output(), nil))
		if err := app.Run(t.Context(), site(t, dir), o); !errors.Is(err, syscall.ENOSPC) {
			t.Errorf("%s: %v", name, err)
		}
		if rest, err := os.ReadDir(dir); err != nil || len(rest) != 0 {
			t.Errorf("%s: left behind %v, %v", name, rest, err)
		}
	}
}

func TestLinkTaken(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "a"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	err := app.Run(t.Context(), site(t, dir), app.Options{Out: io.Discard, Log: slog.New(slog.NewTextHandler(t.Output(), nil))})
	if err == nil || !strings.Contains(err.Error(), filepath.Join(dir, "a")) {
		t.Errorf("error %v does not name the path", err)
	}
}
