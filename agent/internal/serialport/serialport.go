// Package serialport opens serial ports, real ones and pseudo-terminals, for one program at a time, and says in one
// line what is wrong where that fails.
//
// A port belongs to one goroutine: none of its methods may run beside another.
package serialport

import (
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"strings"
	"time"

	"go.bug.st/serial"
	"golang.org/x/sys/unix"
)

// A Port is an open serial line. After any error but one of a wrong argument the port is lost: close it.
type Port interface {
	// Read gives what has arrived, waiting at most timeout for the first byte. It gives 0 and no error when nothing
	// came in that time.
	Read(p []byte, timeout time.Duration) (n int, err error)
	// Write hands all of p to the line.
	Write(p []byte) (n int, err error)
	// Purge forgets what was written and has not left yet, so that a line nobody listens on cannot block Write.
	Purge() error
	Close() error
}

// Why a port could not be opened. The text of the whole error says what to do.
var (
	ErrMissing    = errors.New("no such port")
	ErrBusy       = errors.New("in use by another program")
	ErrPermission = errors.New("not allowed")
	ErrNotSerial  = errors.New("not a serial port")
)

// Open opens the port at path (a device or a link to one) for this program alone.
//
// Two locks keep others out. The device is set exclusive (TIOCEXCL), which stops every later open by a program that
// is not privileged; and it is locked (flock), which also stops a second agent run as root. A pseudo-terminal is not
// left exclusive: there the mark would outlive a killed program and shut its successor out.
func Open(path string, mode Mode) (Port, error) {
	lock, err := unix.Open(path, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, explain(path, err)
	}
	if err := unix.Flock(lock, unix.LOCK_EX|unix.LOCK_NB); err != nil {
		unix.Close(lock)
		if errors.Is(err, unix.EWOULDBLOCK) {
			err = unix.EBUSY
		}
		return nil, explain(path, err)
	}
	p, err := serial.Open(path, &serial.Mode{BaudRate: mode.Baud, DataBits: mode.DataBits,
		Parity: parity(mode), StopBits: stopBits(mode)})
	if err != nil {
		unix.Close(lock)
		return nil, explain(path, err)
	}
	if isPseudoTerminal(lock) {
		if err := unix.IoctlSetInt(lock, unix.TIOCNXCL, 0); err != nil {
			p.Close()
			unix.Close(lock)
			return nil, explain(path, err)
		}
	}
	return &port{path: path, port: p, lock: lock}, nil
}

func parity(m Mode) serial.Parity {
	switch m.Parity {
	case 'E':
		return serial.EvenParity
	case 'O':
		return serial.OddParity
	}
	return serial.NoParity
}

func stopBits(m Mode) serial.StopBits {
	if m.StopBits == 2 {
		return serial.TwoStopBits
	}
	return serial.OneStopBit
}

// isPseudoTerminal goes by the device number: Linux gives pseudo-terminals the majors 136 to 143 (admin-guide
// devices.txt, "Unix98 PTY slaves").
func isPseudoTerminal(fd int) bool {
	var st unix.Stat_t
	if unix.Fstat(fd, &st) != nil {
		return false
	}
	major := unix.Major(uint64(st.Rdev))
	return major >= 136 && major <= 143
}

// explain puts into one line what is wrong with the port and what to do.
func explain(path string, err error) error {
	var pe *serial.PortError
	isPortError := errors.As(err, &pe)
	switch {
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, unix.ENXIO), errors.Is(err, unix.ENODEV):
		return fmt.Errorf("%w %s: is the adapter plugged in? ports here: %s", ErrMissing, path, Here())
	case errors.Is(err, unix.EBUSY), isPortError && pe.Code() == serial.PortBusy:
		return fmt.Errorf("port %s is %w: end that program, or name another port", path, ErrBusy)
	case errors.Is(err, fs.ErrPermission), isPortError && pe.Code() == serial.PermissionDenied:
		return fmt.Errorf("%w to open port %s: add the user to the group that owns it (most often: usermod -aG dialout USER) and log in again", ErrPermission, path)
	case errors.Is(err, unix.ENOTTY), errors.Is(err, unix.EIO), errors.Is(err, unix.EISDIR), isPortError && pe.Code() == serial.InvalidSerialPort:
		return fmt.Errorf("%s is %w, or no adapter stands behind it; ports here: %s", path, ErrNotSerial, Here())
	}
	return fmt.Errorf("open port %s: %w", path, err)
}

// Here lists the serial ports of this machine for people, the stable names first. None of them is opened.
func Here() string {
	var found []string
	for _, pattern := range []string{"/dev/serial/by-id/*", "/dev/ttyUSB*", "/dev/ttyACM*", "/dev/ttyAMA*", "/dev/ttymxc*"} {
		names, err := filepath.Glob(pattern)
		if err == nil { // the patterns are well formed, so it is
			found = append(found, names...)
		}
	}
	if len(found) == 0 {
		return "none"
	}
	return strings.Join(found, ", ")
}

// port is a port of the library, with the lock beside it.
type port struct {
	path string
	port serial.Port
	lock int
}

func (p *port) Read(b []byte, timeout time.Duration) (int, error) {
	if err := p.port.SetReadTimeout(max(timeout, 0)); err != nil {
		return 0, fmt.Errorf("port %s: %w", p.path, err)
	}
	n, err := p.port.Read(b)
	if err != nil {
		return n, fmt.Errorf("port %s is gone: %w", p.path, err)
	}
	return n, nil
}

func (p *port) Write(b []byte) (int, error) {
	for done := 0; done < len(b); {
		n, err := p.port.Write(b[done:])
		if errors.Is(err, unix.EINTR) {
			continue
		}
		if err != nil {
			return done, fmt.Errorf("port %s is gone: %w", p.path, err)
		}
		done += n
	}
	return len(b), nil
}

func (p *port) Purge() error {
	if err := p.port.ResetOutputBuffer(); err != nil {
		return fmt.Errorf("port %s is gone: %w", p.path, err)
	}
	return nil
}

func (p *port) Close() error {
	err := errors.Join(p.port.Close(), unix.Close(p.lock))
	if err != nil {
		return fmt.Errorf("close port %s: %w", p.path, err)
	}
	return nil
}
