package app_test

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"gritwatch/protocol/modbus"
	"gritwatch/sim-sensor/internal/line"
	"gritwatch/sim-sensor/internal/scenario"
)

// What a master writes on the line stands in the truth of the pot, until the watchdog takes it out.
func TestRelayIsTrue(t *testing.T) {
	text, err := scenario.Text("healthy")
	if err != nil {
		t.Fatal(err)
	}
	link := filepath.Join(t.TempDir(), "a")
	file := strings.ReplaceAll(string(text), "run/sim/a", link) +
		"      - {unit: 30, kind: relay, watchdog: 2 s, outputs: [{pot: alder, name: beacon, coil: 3}]}\n"
	s, err := scenario.Parse("sim.yaml", []byte(file))
	if err != nil {
		t.Fatal(err)
	}
	w, err := scenario.NewWorld(s)
	if err != nil {
		t.Fatal(err)
	}
	lu := w.Lines()[0]
	l, err := line.Open(lu.Link, lu.Options)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- l.Run(ctx) }()
	defer func() {
		cancel()
		if err := errors.Join(<-ended, l.Close()); err != nil {
			t.Error(err)
		}
	}()
	port, err := os.OpenFile(link, os.O_RDWR|syscall.O_NOCTTY|syscall.O_NONBLOCK, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer port.Close()
	alder := func(w *scenario.World, at time.Duration) scenario.Truth {
		for w.At() < at {
			w.Step()
		}
		return w.Truth()[0]
	}
	is := func(at time.Duration, value uint16, on bool) {
		t.Helper()
		if got := alder(w, at).Relays["beacon"]; got != (scenario.Relay{Value: value, On: on}) {
			t.Errorf("at %v: %+v", at, got)
		}
	}
	is(time.Second, 0, false)
	frame := modbus.AppendWrite(nil, modbus.Coil(30, 3, true))
	reply := make([]byte, len(frame))
	if err := port.SetReadDeadline(time.Now().Add(time.Minute)); err != nil {
		t.Fatal(err)
	}
	if _, err := port.Write(frame); err != nil {
		t.Fatal(err)
	}
	if _, err := io.ReadFull(port, reply); err != nil {
		t.Fatal(err)
	}
	if err := modbus.ParseWriteReply(reply, modbus.Coil(30, 3, true)); err != nil {
		t.Fatal(err)
	}
	is(1010*time.Millisecond, 1, true)
	is(3*time.Second, 1, true)
	is(3010*time.Millisecond, 0, false)
	row, err := json.Marshal(alder(w, w.At()))
	if err != nil || !strings.Contains(string(row), `"relays":{"beacon":{"value":0,"on":false}}`) {
		t.Errorf("%s, %v", row, err)
	}
	if s, err = scenario.Builtin("healthy"); err != nil {
		t.Fatal(err)
	}
	if w, err = scenario.NewWorld(s); err != nil {
		t.Fatal(err)
	}
	other, err := json.Marshal(alder(w, time.Second))
	if err != nil || strings.Contains(string(other), "relays") {
		t.Errorf("%s, %v", other, err)
	}
}
