package line

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
)

// errWoken is how read ends after wake.
var errWoken = errors.New("woken")

// A terminal is a pseudo-terminal whose near end is the gauges' and whose far end a master opens by a link. While no
// master has it open, what the gauges send is lost, as on a real line. Its waiting is done in the kernel, since the
// runtime's timers are only good for a millisecond.
type terminal struct {
	near   int
	news   int // an epoll of near, by edges: else a port that nobody has open would be news for ever
	woken  int // an event that is set when read must not wait any more
	device string
	link   string
	open   bool // a master had the port open when last read
}

// openTerminal makes a pseudo-terminal and links it. A link left by an earlier run is replaced; anything else at the
// path is an error.
func openTerminal(link string) (t *terminal, err error) {
	near, far, err := pty.Open()
	if err != nil {
		return nil, fmt.Errorf("no pseudo-terminal to be had: %w", err)
	}
	t = &terminal{near: -1, news: -1, woken: -1, device: far.Name(), link: link}
	// Nobody holds the far end: so the near end can tell whether a master does. It keeps its mode.
	defer func() {
		if err = errors.Join(err, near.Close(), far.Close()); err != nil {
			_ = t.close() // the error at hand says more
		}
	}()
	if t.near, err = unix.FcntlInt(near.Fd(), unix.F_DUPFD_CLOEXEC, 0); err != nil {
		return t, fmt.Errorf("duplicate the terminal: %w", err)
	}
	if err := unix.SetNonblock(t.near, true); err != nil {
		return t, fmt.Errorf("nonblocking mode: %w", err)
	}
	if t.news, err = unix.EpollCreate1(unix.EPOLL_CLOEXEC); err == nil {
		err = unix.EpollCtl(t.news, unix.EPOLL_CTL_ADD, t.near, &unix.EpollEvent{Events: unix.EPOLLIN | unix.EPOLLET})
	}
	if err != nil {
		return t, fmt.Errorf("watch the terminal: %w", err)
	}
	if t.woken, err = unix.Eventfd(0, unix.EFD_CLOEXEC|unix.EFD_NONBLOCK); err != nil {
		return t, fmt.Errorf("no event to be had: %w", err)
	}
	if err := raw(int(far.Fd())); err != nil {
		return t, fmt.Errorf("raw mode: %w", err)
	}
	return t, place(t.device, link)
}

// close ends the pseudo-terminal, and removes the link if it is still this one's.
func (t *terminal) close() error {
	var err error
	for _, fd := range []int{t.near, t.news, t.woken} {
		if fd >= 0 {
			err = errors.Join(err, unix.Close(fd))
		}
	}
	if target, lerr := os.Readlink(t.link); lerr == nil && target == t.device {
		err = errors.Join(err, os.Remove(t.link))
	}
	return err
}

// wake ends the read that waits, and every later one, with errWoken.
func (t *terminal) wake() {
	_, _ = unix.Write(t.woken, []byte{1, 0, 0, 0, 0, 0, 0, 0}) // fails only where it is set already
}

// read gives what has come, and waits for it until the time given (zero: for ever); then the error is
// os.ErrDeadlineExceeded.
func (t *terminal) read(buf []byte, until time.Time) (int, error) {
	for {
		switch n, err := unix.Read(t.near, buf); {
		case n > 0:
			t.open = true
			return n, nil
		case errors.Is(err, unix.EAGAIN) || errors.Is(err, unix.EINTR):
			t.open = true
		case errors.Is(err, unix.EIO): // nobody has the port open
			if t.open {
				if err := t.left(); err != nil {
					return 0, err
				}
			}
		case err != nil:
			return 0, fmt.Errorf("read: %w", err)
		}
		fds := []unix.PollFd{{Fd: int32(t.woken), Events: unix.POLLIN}, {Fd: int32(t.news), Events: unix.POLLIN}}
		if err := poll(fds, until); err != nil {
			return 0, err
		}
		if fds[0].Revents != 0 {
			return 0, errWoken
		}
		if fds[1].Revents == 0 {
			return 0, os.ErrDeadlineExceeded
		}
		if _, err := unix.EpollWait(t.news, make([]unix.EpollEvent, 1), 0); err != nil && !errors.Is(err, unix.EINTR) {
			return 0, fmt.Errorf("wait: %w", err)
		}
	}
}

// left takes note that the master has closed the port: what it has not read is lost.
func (t *terminal) left() error {
	t.open = false
	return t.drop()
}

// drop throws away what has been sent and not been read. Only at the far end can that be done.
func (t *terminal) drop() error {
	far, err := unix.Open(t.device, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if errors.Is(err, unix.EBUSY) {
		return nil // a killed master's exclusive use has outlived it; what it has not read stays
	}
	if err == nil {
		err = errors.Join(unix.IoctlSetInt(far, unix.TCFLSH, unix.TCIFLUSH), unix.Close(far))
	}
	if err != nil {
		return fmt.Errorf("drop what nobody has read: %w", err)
	}
	return nil
}

// write hands on b, and waits for room until the time given; then the error is os.ErrDeadlineExceeded.
func (t *terminal) write(b []byte, until time.Time) error {
	for len(b) > 0 {
		fds := []unix.PollFd{{Fd: int32(t.near), Events: unix.POLLOUT}}
		if err := poll(fds, until); err != nil {
			return err
		}
		if fds[0].Revents&unix.POLLHUP != 0 {
			return nil // nobody has the port open
		}
		n, err := unix.Write(t.near, b)
		if n > 0 {
			b = b[n:]
			continue
		}
		if err != nil && !errors.Is(err, unix.EAGAIN) && !errors.Is(err, unix.EINTR) && !errors.Is(err, unix.EIO) {
			return fmt.Errorf("write: %w", err)
		}
		if !time.Now().Before(until) {
			return os.ErrDeadlineExceeded
		}
	}
	return nil
}

// baud is the speed that the master has set.
func (t *terminal) baud() (int, error) {
	termios, err := unix.IoctlGetTermios(t.near, unix.TCGETS2)
	if err != nil {
		return 0, fmt.Errorf("speed: %w", err)
	}
	return int(termios.Ospeed), nil
}

// poll waits for one of the events, or until the time given (zero: for ever).
func poll(fds []unix.PollFd, until time.Time) error {
	for {
		var timeout *unix.Timespec
		if !until.IsZero() {
			left := unix.NsecToTimespec(max(0, int64(time.Until(until))))
			timeout = &left
		}
		_, err := unix.Ppoll(fds, timeout, nil)
		if err == nil {
			return nil
		}
		if !errors.Is(err, unix.EINTR) {
			return fmt.Errorf("wait: %w", err)
		}
	}
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

// raw takes echo, line editing and translation away, as cfmakeraw does. A master sets its own mode when it opens the
// port, but nothing may be echoed before that.
func raw(fd int) error {
	t, err := unix.IoctlGetTermios(fd, unix.TCGETS)
	if err != nil {
		return err
	}
	t.Iflag &^= unix.IGNBRK | unix.BRKINT | unix.PARMRK | unix.ISTRIP | unix.INLCR | unix.IGNCR | unix.ICRNL | unix.IXON
	t.Oflag &^= unix.OPOST
	t.Lflag &^= unix.ECHO | unix.ECHONL | unix.ICANON | unix.ISIG | unix.IEXTEN
	t.Cflag = t.Cflag&^(unix.CSIZE|unix.PARENB) | unix.CS8
	t.Cc[unix.VMIN], t.Cc[unix.VTIME] = 1, 0
	return unix.IoctlSetTermios(fd, unix.TCSETS, t)
}
