package line

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"gritwatch/sim-sensor/internal/fault"
)

func dial(t *testing.T, link string) *os.File {
	t.Helper()
	f, err := os.OpenFile(link, os.O_RDWR|syscall.O_NOCTTY|syscall.O_NONBLOCK, 0)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// What is sent while no master has the port open is lost, and so is what a master has not read.
func TestClosedPort(t *testing.T) {
	link := filepath.Join(t.TempDir(), "line")
	term, err := openTerminal(link)
	if err != nil {
		t.Fatal(err)
	}
	buf := make([]byte, 64)
	rest := func() {
		t.Helper()
		if n, err := term.read(buf, time.Now().Add(10*ms)); n != 0 || !errors.Is(err, os.ErrDeadlineExceeded) {
			t.Fatalf("read gives %q, %v", buf[:n], err)
		}
	}
	send := func(text string) {
		t.Helper()
		if err := term.write([]byte(text), time.Now().Add(time.Minute)); err != nil {
			t.Fatal(err)
		}
	}
	rest()
	send("nobody is there")
	for _, text := range []string{"one", "two"} {
		master := dial(t, link)
		if _, err := master.WriteString("hello"); err != nil {
			t.Fatal(err)
		}
		if n, err := term.read(buf, time.Now().Add(time.Minute)); err != nil || string(buf[:n]) != "hello" {
			t.Fatalf("heard %q, %v", buf[:n], err)
		}
		send(text)
		if n, err := master.Read(buf); err != nil || string(buf[:n]) != text {
			t.Errorf("the master hears %q, %v", buf[:n], err)
		}
		send("not read")
		if err := master.Close(); err != nil {
			t.Fatal(err)
		}
		rest()
		send("nobody is there any more")
		rest()
	}
	term.wake()
	for range 2 {
		if _, err := term.read(buf, time.Time{}); !errors.Is(err, errWoken) {
			t.Errorf("woken: %v", err)
		}
	}
	if err := term.close(); err != nil {
		t.Error(err)
	}
}

// A master that does not read fills the buffers at last; then write gives up.
func TestFullPort(t *testing.T) {
	link := filepath.Join(t.TempDir(), "line")
	term, err := openTerminal(link)
	if err != nil {
		t.Fatal(err)
	}
	master := dial(t, link)
	if err := term.write(make([]byte, 1<<20), time.Now().Add(50*ms)); !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("a megabyte: %v", err)
	}
	if err := errors.Join(master.Close(), term.close()); err != nil {
		t.Error(err)
	}
}

// The speed is the one that the master has set.
func TestBaud(t *testing.T) {
	link := filepath.Join(t.TempDir(), "line")
	term, err := openTerminal(link)
	if err != nil {
		t.Fatal(err)
	}
	master := dial(t, link)
	for code, baud := range map[uint32]int{unix.B9600: 9600, unix.B115200: 115200} {
		termios, err := unix.IoctlGetTermios(int(master.Fd()), unix.TCGETS)
		if err != nil {
			t.Fatal(err)
		}
		termios.Cflag = termios.Cflag&^unix.CBAUD | code
		if err := unix.IoctlSetTermios(int(master.Fd()), unix.TCSETS, termios); err != nil {
			t.Fatal(err)
		}
		if got, err := term.baud(); err != nil || got != baud {
			t.Errorf("speed %d, %v, want %d", got, err, baud)
		}
	}
	if err := errors.Join(master.Close(), term.close()); err != nil {
		t.Error(err)
	}
}

// Unplugged, port and link vanish and whoever has the port open is told; then there is a new port at the same path.
func TestUnpluggedPty(t *testing.T) {
	link := filepath.Join(t.TempDir(), "line")
	u, err := NewUnit(1, []Channel{{107, Narrow, new(Cell)}, {108, Narrow, new(Cell)}, {109, Narrow, new(Cell)}})
	if err != nil {
		t.Fatal(err)
	}
	plugged := make(chan bool, 1) // Run waits for the test at each change
	var clock atomic.Int64        // steps from window to window, so that the test decides how long each takes
	played := 0
	l, err := Open(link, Options{Mode: Mode{Baud: 57600, Parity: 'E', Stop: 1}, Units: []*Unit{u},
		Clock: func() time.Duration { return time.Duration(clock.Load()) * ms },
		Faults: fault.NewPlayer([]fault.Fault{{Window: fault.Window{At: ms, For: ms, Every: 2 * ms}, Kind: fault.Unplugged},
			{Window: fault.Window{At: time.Hour}, Kind: fault.Babble}}, 1),
		Events: Events{Plugged: func(there bool) { plugged <- there }, Fault: func(fault.Kind) { played++ }}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	before := descriptors(t)
	go func() { ended <- l.Run(ctx) }()
	master := dial(t, link)
	for range 5 {
		clock.Add(1)
		if <-plugged {
			t.Fatal("plugged in before it was unplugged")
		}
		if err := master.SetReadDeadline(time.Now().Add(time.Minute)); err != nil {
			t.Fatal(err)
		}
		if n, err := master.Read(make([]byte, 9)); n != 0 || err == nil || os.IsTimeout(err) {
			t.Errorf("the master is not told: %d bytes, %v", n, err)
		}
		if err := master.Close(); err != nil {
			t.Fatal(err)
		}
		clock.Add(1)
		if !<-plugged {
			t.Fatal("unplugged twice")
		}
		master = dial(t, link)
	}
	cancel()
	if err := <-ended; err != nil {
		t.Error(err)
	}
	if played != 5 {
		t.Errorf("%d faults", played)
	}
	if after := descriptors(t); after > before+1 { // the master's
		t.Errorf("%d descriptors, %d before", after, before)
	}
	if err := errors.Join(master.Close(), l.Close()); err != nil {
		t.Error(err)
	}
	if _, err := os.Lstat(link); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the link is left behind: %v", err)
	}
}

func descriptors(t *testing.T) int {
	t.Helper()
	open, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Fatal(err)
	}
	return len(open)
}
