package serialport_test

import (
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"gritwatch/agent/internal/serialport"
	"gritwatch/agent/internal/serialport/serialporttest"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
)

var mode = serialport.Mode{Baud: 19200, DataBits: 8, Parity: 'E', StopBits: 1}

func TestParseMode(t *testing.T) {
	for _, c := range []struct {
		text string
		want serialport.Mode
		bits int
	}{
		{"19200 8E1", mode, 11},
		{" 9600  8n1 ", serialport.Mode{Baud: 9600, DataBits: 8, Parity: 'N', StopBits: 1}, 10},
		{"115200 8O2", serialport.Mode{Baud: 115200, DataBits: 8, Parity: 'O', StopBits: 2}, 12},
		{"1200 8N2", serialport.Mode{Baud: 1200, DataBits: 8, Parity: 'N', StopBits: 2}, 11},
	} {
		got, err := serialport.ParseMode(c.text)
		if err != nil || got != c.want || got.Bits() != c.bits {
			t.Errorf("%q: %v with %d bits, %v; want %v with %d", c.text, got, got.Bits(), err, c.want, c.bits)
		}
		if again, err := serialport.ParseMode(got.String()); err != nil || again != got {
			t.Errorf("%q does not read itself back", got)
		}
	}
	for text, want := range map[string]string{
		"":          "is not a line mode",
		"19200":     "is not a line mode",
		"8E1 19200": "is not a line mode",
		"fast 8E1":  `has "fast" where a speed`,
		"0 8E1":     `has "0" where a speed`,
		"19200 7E1": "needs 8",
		"19200 8X1": "the parity X",
		"19200 8E3": "3 stop bits",
	} {
		if _, err := serialport.ParseMode(text); err == nil || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), "19200 8E1") {
			t.Errorf("%q: %v; want %q and an example", text, err, want)
		}
	}
}

// terminal makes a pseudo-terminal and a link to it, as the simulator does, and gives its master.
func terminal(t *testing.T) (master *os.File, link string) {
	t.Helper()
	master, slave, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { master.Close() })
	link = filepath.Join(t.TempDir(), "line")
	if err := os.Symlink(slave.Name(), link); err != nil {
		t.Fatal(err)
	}
	slave.Close()
	return master, link
}

func TestPseudoTerminalThroughLink(t *testing.T) {
	master, link := terminal(t)
	p, err := serialport.Open(link, mode)
	if err != nil {
		t.Fatal(err)
	}
	buf := make([]byte, 16)
	if n, err := p.Read(buf, 5*time.Millisecond); n != 0 || err != nil {
		t.Errorf("silent line: %d, %v; want 0 and no error", n, err)
	}
	// Bytes that a terminal would change or act on must pass both ways: LF, CR, XON, XOFF, end, interrupt, parity mark.
	odd := "\n\r\x11\x13\x04\x03\xff\x00"
	if _, err := p.Write([]byte(odd)); err != nil {
		t.Fatal(err)
	}
	if _, err := io.ReadFull(master, buf[:len(odd)]); err != nil || string(buf[:len(odd)]) != odd {
		t.Errorf("written %q, arrived %q (%v)", odd, buf[:len(odd)], err)
	}
	if _, err := master.Write([]byte(odd)); err != nil {
		t.Fatal(err)
	}
	var got []byte
	for len(got) < len(odd) {
		n, err := p.Read(buf, time.Second)
		if err != nil || n == 0 {
			t.Fatalf("after %q: %d, %v", got, n, err)
		}
		got = append(got, buf[:n]...)
	}
	if string(got) != odd {
		t.Errorf("sent %q, read %q", odd, got)
	}
	if err := p.Close(); err != nil {
		t.Error(err)
	}
}

func TestPortInUse(t *testing.T) {
	_, link := terminal(t)
	p, err := serialport.Open(link, mode)
	if err != nil {
		t.Fatal(err)
	}
	_, err = serialport.Open(link, mode)
	if !errors.Is(err, serialport.ErrBusy) || !strings.Contains(err.Error(), "is in use by another program: end that program") {
		t.Errorf("second open: %v", err)
	}
	if strings.Contains(err.Error(), "\n") {
		t.Errorf("more than one line: %q", err)
	}
	if err := p.Close(); err != nil {
		t.Fatal(err)
	}
	p, err = serialport.Open(link, mode)
	if err != nil {
		t.Fatalf("open after close: %v", err)
	}
	p.Close()
}

// A program that was killed leaves a pseudo-terminal marked exclusive if it marked it so; ours must not, for the
// simulator keeps the terminal alive and an agent not run as root could never come back.
func TestPseudoTerminalIsNotLeftExclusive(t *testing.T) {
	_, link := terminal(t)
	p, err := serialport.Open(link, mode)
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	fd, err := unix.Open(link, unix.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer unix.Close(fd)
	if v, err := unix.IoctlGetInt(fd, unix.TIOCGEXCL); v != 0 || err != nil {
		t.Errorf("exclusive mark = %d, %v", v, err)
	}
}

// A foreign program's exclusive mark gives EBUSY to whoever is not privileged; root is let through by the system.
func TestForeignExclusiveMark(t *testing.T) {
	if os.Getuid() == 0 {
		if _, err := exec.LookPath("setpriv"); err != nil {
			t.Skip("root passes the mark, and setpriv is not here to stop being root")
		}
		exe, err := os.Executable()
		if err != nil {
			t.Fatal(err)
		}
		cmd := exec.Command("setpriv", "--bounding-set=-sys_admin", "--inh-caps=-sys_admin", exe, "-test.run=^TestForeignExclusiveMark$", "-test.v")
		cmd.Env = append(os.Environ(), "GRITWATCH_TEST_PLAIN=1")
		if os.Getenv("GRITWATCH_TEST_PLAIN") == "" {
			if out, err := cmd.CombinedOutput(); err != nil {
				t.Errorf("without privilege: %v\n%s", err, out)
			}
			return
		}
	}
	_, link := terminal(t)
	fd, err := unix.Open(link, unix.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer unix.Close(fd)
	if err := unix.IoctlSetInt(fd, unix.TIOCEXCL, 0); err != nil {
		t.Fatal(err)
	}
	if _, err := serialport.Open(link, mode); !errors.Is(err, serialport.ErrBusy) {
		t.Errorf("open of a port that another program holds: %v", err)
	}
}

func TestOpenErrors(t *testing.T) {
	dir := t.TempDir()
	plain := filepath.Join(dir, "plain")
	if err := os.WriteFile(plain, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name, path string
		want       error
		text       string
	}{
		{"missing", filepath.Join(dir, "ttyUSB0"), serialport.ErrMissing, "is the adapter plugged in? ports here:"},
		{"plain file", plain, serialport.ErrNotSerial, "ports here:"},
		{"folder", dir, serialport.ErrNotSerial, "ports here:"},
		{"null device", "/dev/null", serialport.ErrNotSerial, "ports here:"},
	} {
		p, err := serialport.Open(c.path, mode)
		if p != nil || !errors.Is(err, c.want) || !strings.Contains(err.Error(), c.path) || !strings.Contains(err.Error(), c.text) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v", c.name, err)
		}
	}
}

// A peer that is stopped reads nothing. Without Purge the terminal's buffer fills up and Write blocks for good.
func TestPurgeKeepsWriteFromBlocking(t *testing.T) {
	_, link := terminal(t)
	p, err := serialport.Open(link, mode)
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	for range 20_000 { // 160 kB; a terminal holds about 64
		if _, err := p.Write([]byte("01234567")); err != nil {
			t.Fatal(err)
		}
		if err := p.Purge(); err != nil {
			t.Fatal(err)
		}
	}
}

func TestVanishedPort(t *testing.T) {
	master, link := terminal(t)
	p, err := serialport.Open(link, mode)
	if err != nil {
		t.Fatal(err)
	}
	master.Close()
	if _, err := p.Read(make([]byte, 8), time.Second); err == nil || !strings.Contains(err.Error(), "is gone") {
		t.Errorf("read: %v", err)
	}
	if _, err := p.Write(make([]byte, 8)); err == nil || !strings.Contains(err.Error(), "is gone") {
		t.Errorf("write: %v", err)
	}
	if err := p.Close(); err != nil {
		t.Error(err)
	}
}

func TestLineComesBack(t *testing.T) {
	now := time.Unix(1000, 0)
	var plugged bool
	tries := 0
	l := serialport.NewLine(func() (serialport.Port, error) {
		tries++
		if !plugged {
			return nil, serialport.ErrMissing
		}
		p, far := serialporttest.Pipe()
		t.Cleanup(func() { far.Close() })
		return p, nil
	}, nil)
	// Unplugged: tried at 0, 1, 3, 7, 12, 17 s: waits of 1, 2, 4, 5, 5 s.
	var at []int
	for s := range 19 {
		before := tries
		_, err := l.Port(now.Add(time.Duration(s) * time.Second))
		if tries > before {
			at = append(at, s)
			if !errors.Is(err, serialport.ErrMissing) {
				t.Errorf("at %d s: %v", s, err)
			}
		} else if !errors.Is(err, serialport.ErrWaiting) {
			t.Errorf("at %d s: %v, want ErrWaiting", s, err)
		}
	}
	if want := []int{0, 1, 3, 7, 12, 17}; len(at) != len(want) || at[3] != 7 || at[4] != 12 || at[5] != 17 {
		t.Errorf("tried at %v s, want %v", at, want)
	}
	plugged = true
	p, err := l.Port(now.Add(22 * time.Second))
	if err != nil {
		t.Fatal(err)
	}
	if again, err := l.Port(now.Add(23 * time.Second)); err != nil || again != p {
		t.Error("an open port was opened again")
	}
	// Lost: closed, left alone for a second, then opened anew; the wait starts small again.
	l.Lost(now.Add(30 * time.Second))
	if _, err := p.Write([]byte("x")); err == nil {
		t.Error("a lost port was not closed")
	}
	if _, err := l.Port(now.Add(30500 * time.Millisecond)); !errors.Is(err, serialport.ErrWaiting) {
		t.Errorf("tried at once: %v", err)
	}
	if q, err := l.Port(now.Add(31 * time.Second)); err != nil || q == p {
		t.Errorf("not opened anew: %v", err)
	}
	if err := l.Close(); err != nil {
		t.Error(err)
	}
	if err := l.Close(); err != nil {
		t.Error(err)
	}
}

// What appears at the path is tried at once, however lately the last try was.
func TestLineIsTriedWhenItsPathChanges(t *testing.T) {
	path := filepath.Join(t.TempDir(), "port")
	tries := 0
	l := serialport.NewLine(func() (serialport.Port, error) { tries++; return nil, serialport.ErrMissing },
		func() string { return serialport.Mark(path) })
	now := time.Now()
	try := func(want int, what string) {
		t.Helper()
		l.Port(now)
		if tries != want {
			t.Errorf("%s: %d tries, want %d", what, tries, want)
		}
	}
	try(1, "the first")
	try(1, "nothing has changed")
	if err := os.WriteFile(path, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	try(2, "it has appeared")
	try(2, "it is still there")
	if err := os.Chmod(path, 0o660); err != nil {
		t.Fatal(err)
	}
	try(3, "its rights have changed")
	if err := errors.Join(os.Remove(path), os.WriteFile(path, nil, 0o660)); err != nil {
		t.Fatal(err)
	}
	try(4, "another one")
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
	try(5, "it has gone")
	try(5, "it is still gone")
}
