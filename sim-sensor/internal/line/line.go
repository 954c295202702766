// Package line offers simulated Modbus RTU slaves on pseudo-terminals, under paths that stay the same.
//
// A line is a pseudo-terminal whose far end a master opens like any serial port, by a symbolic link. Units on it answer
// functions 03 and 04 from a register map; an unknown unit stays silent, a register that does not exist is refused with
// exception 2, any other function with exception 1. Replies come at the line's speed.
package line

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
)

// Events report what a line met. Nil funcs are not called; they must not block.
type Events struct {
	Damaged func(bytes int) // a request whose length or check word is wrong
}

// A Line is an open line.
type Line struct {
	link string
	near *os.File // the slaves' end
	far  *os.File // kept open, so that the path lives on while no master has it
	sl   slaves
}

// Open makes a pseudo-terminal with the units on it and links it at the path given, whose folder is made if it is
// missing. A link left by an earlier run is replaced; anything else at the path is an error. Close removes the link.
func Open(link string, mode Mode, units []*Unit, events Events) (*Line, error) {
	l := &Line{link: link, sl: slaves{mode: mode, units: make(map[uint8]*Unit, len(units)), events: events}}
	for _, u := range units {
		if l.sl.units[u.id] != nil {
			return nil, fmt.Errorf("line %s: unit %d stands there twice", link, u.id)
		}
		l.sl.units[u.id] = u
	}
	var err error
	if l.near, l.far, err = pty.Open(); err != nil {
		return nil, fmt.Errorf("line %s: no pseudo-terminal to be had: %w", link, err)
	}
	if l.near, err = nonblocking(l.near); err != nil {
		return nil, errors.Join(fmt.Errorf("line %s: %w", link, err), l.far.Close())
	}
	if err := raw(l.far); err != nil {
		return nil, errors.Join(fmt.Errorf("line %s: raw mode: %w", link, err), l.near.Close(), l.far.Close())
	}
	if err := place(l.far.Name(), link); err != nil {
		return nil, errors.Join(fmt.Errorf("line %s: %w", link, err), l.near.Close(), l.far.Close())
	}
	return l, nil
}

// String is the path of the link.
func (l *Line) String() string { return l.link }

// Run answers requests until ctx ends; then it gives nil.
func (l *Line) Run(ctx context.Context) error {
	if err := l.sl.serve(ctx, l.near); err != nil {
		return fmt.Errorf("line %s: %w", l.link, err)
	}
	return nil
}

// Close removes the link, if it is still this line's, and ends the pseudo-terminal.
func (l *Line) Close() error {
	err := errors.Join(l.near.Close(), l.far.Close())
	if target, lerr := os.Readlink(l.link); lerr == nil && target == l.far.Name() {
		err = errors.Join(err, os.Remove(l.link))
	}
	if err != nil {
		return fmt.Errorf("close line %s: %w", l.link, err)
	}
	return nil
}

// place makes the link in one step, so that nobody ever finds half of it.
func place(target, link string) error {
	switch info, err := os.Lstat(link); {
	case errors.Is(err, fs.ErrNotExist):
		if err := os.MkdirAll(filepath.Dir(link), 0o755); err != nil {
			return fmt.Errorf("make its folder: %w", err)
		}
	case err != nil:
		return err
	case info.Mode()&fs.ModeSymlink == 0:
		return fmt.Errorf("something that is no symbolic link stands there; move it away or choose another path")
	}
	fresh := fmt.Sprintf("%s.%d.new", link, os.Getpid())
	if err := os.Symlink(target, fresh); err != nil {
		return fmt.Errorf("make the link: %w", err)
	}
	if err := os.Rename(fresh, link); err != nil {
		return errors.Join(fmt.Errorf("make the link: %w", err), os.Remove(fresh))
	}
	return nil
}

// nonblocking turns a file that the library has left in blocking mode into one whose reads have deadlines. The file
// given is closed.
func nonblocking(f *os.File) (*os.File, error) {
	fd, err := unix.FcntlInt(f.Fd(), unix.F_DUPFD_CLOEXEC, 0)
	if err = errors.Join(err, f.Close()); err != nil {
		return nil, fmt.Errorf("duplicate the terminal: %w", err)
	}
	if err := unix.SetNonblock(fd, true); err != nil {
		return nil, errors.Join(fmt.Errorf("nonblocking mode: %w", err), unix.Close(fd))
	}
	return os.NewFile(uintptr(fd), f.Name()), nil
}

// raw takes echo, line editing and translation away, as cfmakeraw does. A master sets its own mode when it opens the
// port, but nothing may be echoed before that.
func raw(f *os.File) error {
	conn, err := f.SyscallConn()
	if err != nil {
		return err
	}
	var failed error
	err = conn.Control(func(fd uintptr) {
		t, err := unix.IoctlGetTermios(int(fd), unix.TCGETS)
		if err != nil {
			failed = err
			return
		}
		t.Iflag &^= unix.IGNBRK | unix.BRKINT | unix.PARMRK | unix.ISTRIP | unix.INLCR | unix.IGNCR | unix.ICRNL | unix.IXON
		t.Oflag &^= unix.OPOST
		t.Lflag &^= unix.ECHO | unix.ECHONL | unix.ICANON | unix.ISIG | unix.IEXTEN
		t.Cflag = t.Cflag&^(unix.CSIZE|unix.PARENB) | unix.CS8
		t.Cc[unix.VMIN], t.Cc[unix.VTIME] = 1, 0
		failed = unix.IoctlSetTermios(int(fd), unix.TCSETS, t)
	})
	return errors.Join(err, failed)
}
