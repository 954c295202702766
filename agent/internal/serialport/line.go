package serialport

import (
	"errors"
	"fmt"
	"time"

	"golang.org/x/sys/unix"
)

// How long a lost port is left alone before it is tried again: at first, and at most (it doubles in between).
const (
	FirstRetry = time.Second
	LastRetry  = 5 * time.Second
)

// ErrWaiting stands in the error of Line.Port while the port is lost and not due to be tried yet.
var ErrWaiting = errors.New("waiting before the port is tried again")

// A Line is a port that may vanish and come back: unplugged and plugged in again, or a link that points elsewhere.
// It belongs to one goroutine.
type Line struct {
	open  func() (Port, error)
	mark  func() string
	port  Port
	retry time.Duration
	due   time.Time
	seen  string // the mark at the last failure
}

// NewLine makes a line of a function that opens its port. Nothing is opened yet. Where mark is given it tells what
// stands at the port's path (Mark does): when that has changed since the last failure the port is tried at once.
func NewLine(open func() (Port, error), mark func() string) *Line {
	if mark == nil {
		mark = func() string { return "" }
	}
	return &Line{open: open, mark: mark}
}

// Mark tells one thing at path from another, or from the same one with other rights; "" where there is nothing.
func Mark(path string) string {
	var st unix.Stat_t
	if unix.Stat(path, &st) != nil {
		return ""
	}
	return fmt.Sprint(st.Dev, st.Ino, st.Rdev, st.Ctim)
}

// Port gives the open port; where it is not open it tries to open it, unless the last try is too recent and nothing has
// changed since (ErrWaiting).
func (l *Line) Port(now time.Time) (Port, error) {
	if l.port != nil {
		return l.port, nil
	}
	if now.Before(l.due) && l.mark() == l.seen {
		return nil, ErrWaiting
	}
	p, err := l.open()
	if err != nil {
		l.wait(now)
		return nil, err
	}
	l.port, l.retry = p, 0
	return p, nil
}

// IsOpen tells whether the port is open.
func (l *Line) IsOpen() bool { return l.port != nil }

// Lost closes the port after an error of its own. The error of closing a port that is gone says nothing new and is
// not given.
func (l *Line) Lost(now time.Time) {
	if l.port == nil {
		return
	}
	l.port.Close()
	l.port = nil
	l.wait(now)
}

func (l *Line) wait(now time.Time) {
	l.retry = min(max(2*l.retry, FirstRetry), LastRetry)
	l.due = now.Add(l.retry)
	l.seen = l.mark()
}

// Close closes the port if it is open.
func (l *Line) Close() error {
	if l.port == nil {
		return nil
	}
	p := l.port
	l.port = nil
	return p.Close()
}
