package serialport_test

import (
	"os"
	"strings"
	"testing"

	"gritwatch/agent/internal/serialport"

	"golang.org/x/sys/unix"
)

func TestParseTextMode(t *testing.T) {
	want := serialport.Mode{Baud: 9600, DataBits: 7, Parity: 'E', StopBits: 1}
	got, err := serialport.ParseTextMode("9600 7e1")
	if err != nil || got != want || got.Bits() != 10 || got.String() != "9600 7E1" {
		t.Errorf("%v, %v", got, err)
	}
	if got, err := serialport.ParseTextMode("19200 8E1"); err != nil || got != mode {
		t.Errorf("%v, %v", got, err)
	}
	if _, err := serialport.ParseTextMode("9600 5N1"); err == nil || !strings.Contains(err.Error(), `"9600 5N1" has 5 data bits, but lines of text need 7 or 8; write for example "19200 8E1"`) {
		t.Error(err)
	}
}

// With a parity the system is told to check it and to put NUL where it is wrong (POSIX termios: INPCK set, IGNPAR and
// PARMRK not); lines of text rely on that. A pseudo-terminal has no parity, but keeps these flags.
func TestParityIsChecked(t *testing.T) {
	for _, m := range []serialport.Mode{{Baud: 9600, DataBits: 7, Parity: 'E', StopBits: 1}, {Baud: 9600, DataBits: 8, Parity: 'O', StopBits: 1}, {Baud: 9600, DataBits: 8, Parity: 'N', StopBits: 1}} {
		_, link := terminal(t)
		p, err := serialport.Open(link, m)
		if err != nil {
			t.Fatal(err)
		}
		f, err := os.OpenFile(link, os.O_RDWR|unix.O_NOCTTY, 0)
		if err != nil {
			t.Fatal(err)
		}
		settings, err := unix.IoctlGetTermios(int(f.Fd()), unix.TCGETS)
		if err != nil {
			t.Fatal(err)
		}
		if checked := settings.Iflag&unix.INPCK != 0; checked != (m.Parity != 'N') || settings.Iflag&(unix.IGNPAR|unix.PARMRK|unix.ISTRIP) != 0 {
			t.Errorf("%s: input flags %#x", m, settings.Iflag)
		}
		f.Close()
		p.Close()
	}
}
