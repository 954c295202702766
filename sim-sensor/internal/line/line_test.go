package line_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"gritwatch/protocol/modbus"
	"gritwatch/sim-sensor/internal/line"
)

// open is a line at 57600 8E1 with unit 21 (float at 2578, low word first), 22 (float at 10, high word first) and 9
// (counts at 304 and 305), 23 (whole numbers at 0 and 2), 5 (two switches) and 30 (a relay: coils 0 and 1, register
// 40), running until the test ends.
func open(t *testing.T) string {
	t.Helper()
	link := filepath.Join(t.TempDir(), "run", "line-a")
	unit := func(id uint8, cs ...line.Channel) *line.Unit {
		u, err := line.NewUnit(id, cs)
		if err != nil {
			t.Fatal(err)
		}
		return u
	}
	low, high, a, b := new(line.Cell), new(line.Cell), new(line.Cell), new(line.Cell)
	low.SetFloat(101.25)
	high.SetFloat(-0.375)
	a.SetInt(16589)
	b.SetInt(-12)
	whole, unsigned := new(line.Cell), new(line.Cell)
	whole.SetInt(-1234567)
	unsigned.SetInt(60000)
	on, off := new(line.Cell), new(line.Cell)
	on.SetSwitch(true)
	switches, err := line.NewSwitches(5, []line.Channel{{Address: 0, Cell: off}, {Address: 1, Cell: on}})
	if err != nil {
		t.Fatal(err)
	}
	relay, err := line.NewRelay(30, []line.Output{{Address: 0}, {Address: 1}, {Register: true, Address: 40}}, 0)
	if err != nil {
		t.Fatal(err)
	}
	mode, err := line.ParseMode("57600 8E1")
	if err != nil {
		t.Fatal(err)
	}
	l, err := line.Open(link, line.Options{Mode: mode, Turnaround: 4 * time.Millisecond, Units: []*line.Unit{unit(21, line.Channel{Address: 2578, Encoding: line.Wide | line.LowFirst, Cell: low}),
		unit(22, line.Channel{Address: 10, Encoding: line.Wide, Cell: high}),
		unit(9, line.Channel{Address: 304, Cell: a}, line.Channel{Address: 305, Cell: b}),
		unit(23, line.Channel{Address: 0, Encoding: line.Wide, Cell: whole}, line.Channel{Address: 2, Cell: unsigned}), switches}, Relays: []*line.Relay{relay}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- l.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := errors.Join(<-ended, l.Close()); err != nil {
			t.Error(err)
		}
		if _, err := os.Lstat(link); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("the link is still there: %v", err)
		}
		if rest, err := os.ReadDir(filepath.Dir(link)); err != nil || len(rest) != 0 {
			t.Errorf("left behind: %v, %v", rest, err)
		}
	})
	return link
}

// dial opens the link as a master does.
func dial(t *testing.T, link string) *os.File {
	t.Helper()
	f, err := os.OpenFile(link, os.O_RDWR|syscall.O_NOCTTY|syscall.O_NONBLOCK, 0)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func ask(t *testing.T, f *os.File, frame []byte, n int) []byte {
	t.Helper()
	if _, err := f.Write(frame); err != nil {
		t.Fatal(err)
	}
	reply := make([]byte, n)
	if err := f.SetReadDeadline(time.Now().Add(time.Minute)); err != nil {
		t.Fatal(err)
	}
	if n, err := io.ReadFull(f, reply); err != nil {
		t.Fatalf("%d bytes, %v", n, err)
	}
	return reply
}

func TestPty(t *testing.T) {
	link := open(t)
	// The port is closed and opened again: the path and the slaves live on, and nothing is echoed.
	for range 3 {
		f := dial(t, link)
		began := time.Now()
		reply := ask(t, f, modbus.AppendReadRequest(nil, 21, modbus.ReadInputRegisters, 2578, 2), 9)
		if took := time.Since(began); took < 8*time.Millisecond { // (8+9) characters of 191 us, 1.75 ms, 4 ms: 9.0 ms
			t.Errorf("reply after %v is faster than the line", took)
		}
		data, err := modbus.ParseReadReply(reply, 21, modbus.ReadInputRegisters, 2)
		if err != nil {
			t.Fatal(err)
		}
		if data.Register(0) != 0x8000 || data.Register(1) != 0x42CA { // 101.25 is 42CA8000 in IEEE 754
			t.Errorf("registers %x", []byte(data))
		}
		reply = ask(t, f, modbus.AppendReadRequest(nil, 9, modbus.ReadHoldingRegisters, 304, 3), modbus.ExceptionSize)
		var exception *modbus.ExceptionError
		if _, err := modbus.ParseReadReply(reply, 9, modbus.ReadHoldingRegisters, 3); !errors.As(err, &exception) || exception.Code != modbus.IllegalAddress {
			t.Errorf("unknown register: %v", err)
		}
		if _, err := f.Write(modbus.AppendReadRequest(nil, 77, modbus.ReadInputRegisters, 0, 1)); err != nil {
			t.Fatal(err)
		}
		if err := f.SetReadDeadline(time.Now().Add(wait)); err != nil {
			t.Fatal(err)
		}
		if n, err := f.Read(make([]byte, 8)); n != 0 || !errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("an unknown unit gives %d bytes, %v", n, err)
		}
		if err := f.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// An independent master reads the same values, and writes what it then reads back. mbpoll numbers registers from 1 unless told -0; its floats are low word
// first unless told -B.
func TestMbpoll(t *testing.T) {
	if _, err := exec.LookPath("mbpoll"); err != nil {
		t.Fatal("mbpoll is missing; install the Debian package mbpoll")
	}
	link := open(t)
	for _, tt := range []struct {
		args string
		want []string
	}{
		{"-a 21 -t 3:float -r 2578 -c 1", []string{"[2578]:", "101.25"}},
		{"-a 21 -t 4:float -r 2578 -c 1", []string{"101.25"}},
		{"-a 22 -t 3:float -B -r 10 -c 1", []string{"-0.375"}},
		{"-a 9 -t 3 -r 304 -c 2", []string{"[304]:", "16589", "[305]:", "-12"}},
		{"-a 23 -t 3:int -B -r 0 -c 1", []string{"[0]:", "-1234567"}},
		{"-a 23 -t 4 -r 2 -c 1", []string{"[2]:", "60000"}},
		{"-a 5 -t 0 -r 0 -c 2", []string{"[0]:", "0", "[1]:", "1"}},
		{"-a 5 -t 1 -r 1 -c 1", []string{"[1]:", "1"}},
		{"-a 5 -t 1 -r 1 -c 2", []string{"Illegal data address"}},
		{"-a 9 -t 0 -r 304 -c 1", []string{"Illegal function"}},
		{"-a 9 -t 4 -r 310 -c 1", []string{"Illegal data address"}},
		{"-a 33 -t 4 -r 310 -c 1 -o 0.2", []string{"timed out"}},
		{"-a 30 -t 0 -r 0 -c 2", []string{"[0]: \t0\n[1]: \t0\n"}},
		{"-a 30 -t 0 -r 1 / 1", []string{"Written 1 references."}},
		{"-a 30 -t 0 -r 0 -c 2", []string{"[0]: \t0\n[1]: \t1\n"}},
		{"-a 30 -t 0 -r 1 / 0", []string{"Written 1 references."}},
		{"-a 30 -t 0 -r 1 -c 1", []string{"[1]: \t0\n"}},
		{"-a 30 -t 4 -r 40 / 4711", []string{"Written 1 references."}},
		{"-a 30 -t 4 -r 40 -c 1", []string{"[40]: \t4711\n"}},
		{"-a 30 -t 0 -r 7 / 1", []string{"Illegal data address"}},
		{"-a 5 -t 0 -r 0 / 1", []string{"Illegal function"}},
	} {
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		what, values, _ := strings.Cut(tt.args, "/") // what is written stands behind the port
		args := append(strings.Fields("-m rtu -b 57600 -P even -0 -1 -o 10 "+what), link)
		args = append(args, strings.Fields(values)...)
		out, err := exec.CommandContext(ctx, "mbpoll", args...).CombinedOutput()
		cancel()
		for _, w := range tt.want {
			if !bytes.Contains(out, []byte(w)) {
				t.Errorf("mbpoll %s: no %q (%v) in\n%s", tt.args, w, err, out)
			}
		}
	}
}

func TestLinkRefused(t *testing.T) {
	dir := t.TempDir()
	mode := line.Mode{Baud: 57600, Parity: 'E', Stop: 1}
	file := filepath.Join(dir, "precious")
	if err := os.WriteFile(file, []byte("data"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := line.Open(file, line.Options{Mode: mode}); err == nil || !strings.Contains(err.Error(), "precious") {
		t.Errorf("over a file: %v", err)
	}
	if text, err := os.ReadFile(file); err != nil || string(text) != "data" {
		t.Errorf("the file is now %q, %v", text, err)
	}
	if _, err := line.Open(filepath.Join(file, "below"), line.Options{Mode: mode}); err == nil {
		t.Error("under a file: no error")
	}
	u, err := line.NewUnit(4, nil)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := line.Open(filepath.Join(dir, "twice"), line.Options{Mode: mode, Units: []*line.Unit{u, u}}); err == nil {
		t.Error("a unit twice: no error")
	}
}

// A link of an earlier run is replaced; one that another run has replaced since is left alone.
func TestLinkReplaced(t *testing.T) {
	link := filepath.Join(t.TempDir(), "line")
	mode := line.Mode{Baud: 57600, Parity: 'E', Stop: 1}
	if err := os.Symlink("/nowhere", link); err != nil {
		t.Fatal(err)
	}
	first, err := line.Open(link, line.Options{Mode: mode})
	if err != nil {
		t.Fatal(err)
	}
	second, err := line.Open(link, line.Options{Mode: mode})
	if err != nil {
		t.Fatal(err)
	}
	if fmt.Sprint(second) != link {
		t.Errorf("String is %v", second)
	}
	if err := first.Close(); err != nil {
		t.Error(err)
	}
	if _, err := os.Stat(link); err != nil {
		t.Errorf("the second run's link: %v", err)
	}
	if err := second.Close(); err != nil {
		t.Error(err)
	}
	if _, err := os.Lstat(link); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("link left behind: %v", err)
	}
}
