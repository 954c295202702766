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
	"sync"
	"syscall"
	"testing"
	"time"

	"gritwatch/protocol/modbus"
	"gritwatch/sim-sensor/internal/app"
	"gritwatch/sim-sensor/internal/scenario"
)

// record keeps what is written.
type record struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (r *record) Write(b []byte) (int, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.text.Write(b)
}

func (r *record) String() string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.text.String()
}

// Every value that passes its check is one that the truth has at that time, exactly, while replies are spoilt and cut.
func TestEveryReadIsTrue(t *testing.T) {
	dir := t.TempDir()
	text, err := scenario.Text("healthy")
	if err != nil {
		t.Fatal(err)
	}
	file := strings.NewReplacer("run/sim/a", filepath.Join(dir, "a"), "start: 3 s", "start: 0 s").Replace(string(text)) +
		"    faults: [{crc: 30 %}, {truncated: 10 %}]\n"
	s, err := scenario.Parse("healthy.yaml", []byte(file))
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var truth, log record
	ready, out := io.Pipe()
	ended := make(chan error, 1)
	go func() {
		ended <- app.Run(ctx, s, app.Options{Out: out, Truth: &truth, Every: scenario.Tick,
			Log: slog.New(slog.NewTextHandler(&log, &slog.HandlerOptions{Level: slog.LevelDebug}))})
	}()
	if _, err := ready.Read(make([]byte, 1000)); err != nil {
		t.Fatal(err)
	}
	port, err := os.OpenFile(filepath.Join(dir, "a"), os.O_RDWR|syscall.O_NOCTTY|syscall.O_NONBLOCK, 0)
	if err != nil {
		t.Fatal(err)
	}
	type read struct {
		from, to time.Time
		value    float64
	}
	var reads []read
	bad := 0
	for range 120 {
		if err := port.SetReadDeadline(time.Now().Add(time.Millisecond)); err != nil { // what came too late is not taken for the next reply
			t.Fatal(err)
		}
		if _, err := io.Copy(io.Discard, port); err != nil && !errors.Is(err, os.ErrDeadlineExceeded) {
			t.Fatal(err)
		}
		from := time.Now()
		if _, err := port.Write(modbus.AppendReadRequest(nil, 22, modbus.ReadInputRegisters, 2578, 2)); err != nil {
			t.Fatal(err)
		}
		// A reply takes 9 ms, on a busy machine far longer; the end of one that is cut never comes.
		reply, n := make([]byte, 9), 0
		for wait := 10 * time.Second; n < len(reply); wait = 250 * time.Millisecond {
			if err := port.SetReadDeadline(time.Now().Add(wait)); err != nil {
				t.Fatal(err)
			}
			var more int
			if more, err = port.Read(reply[n:]); err != nil {
				break
			}
			n += more
		}
		if err != nil && !errors.Is(err, os.ErrDeadlineExceeded) {
			t.Fatal(err)
		}
		data, err := modbus.ParseReadReply(reply[:n], 22, modbus.ReadInputRegisters, 2)
		if err != nil {
			bad++
			continue
		}
		v := math.Float32frombits(uint32(data.Register(1))<<16 | uint32(data.Register(0)))
		reads = append(reads, read{from, time.Now(), float64(v)})
	}
	cancel()
	if err := errors.Join(<-ended, port.Close()); err != nil {
		t.Fatal(err)
	}

	distinct := map[float64]bool{}
	var truths []scenario.Truth
	var times []time.Time // when each was written down, which on a busy machine is some time after the registers were set
	for _, line := range strings.Split(strings.TrimSpace(truth.String()), "\n") {
		var row scenario.Truth
		if err := json.Unmarshal([]byte(line), &row); err != nil {
			t.Fatal(err)
		}
		if k := len(truths); k > 0 && math.Abs(row.AtS-truths[k-1].AtS-0.01) > 1e-9 {
			t.Fatalf("truth at %v s follows the one at %v s", row.AtS, truths[k-1].AtS)
		}
		at, err := time.Parse(time.RFC3339Nano, row.T)
		if err != nil {
			t.Fatal(err)
		}
		truths, times = append(truths, row), append(times, at)
	}
	for _, r := range reads {
		if r.from.Before(times[1]) {
			continue // of before the first row, of which nothing is written down
		}
		found := false
		for i, row := range truths {
			begun := i == 0 || !times[i-1].After(r.to)
			over := i+1 < len(times) && times[i+1].Add(time.Millisecond).Before(r.from) // times are cut to a millisecond
			found = found || *row.Raw["vessel"] == r.value && begun && !over
		}
		if !found {
			t.Errorf("between %v and %v the line gave %v, which was never true then", r.from, r.to, r.value)
		}
		distinct[r.value] = true
	}
	if len(reads) < 40 || bad < 20 || len(distinct) < 20 {
		t.Errorf("%d good reads of %d values, %d bad: too few to tell", len(reads), len(distinct), bad)
	}
	for _, want := range []string{"faults played", "kind=crc", "kind=truncated", "times="} {
		if !strings.Contains(log.String(), want) {
			t.Errorf("the log lacks %q:\n%s", want, log.String())
		}
	}
}
