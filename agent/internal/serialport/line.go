package serialport

import (
	"errors"
	"time"
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
	port  Port
	retry time.Duration
	due   time.Time
}

// NewLine makes a line of a function that opens its port. Nothing is opened yet.
func NewLine(open func() (Port, error)) *Line { return &Line{open: open} }

// Port gives the open port; where it is not open it tries to open it, unless the last try is too recent (ErrWaiting).
func (l *Line) Port(now time.Time) (Port, error) {
	if l.port != nil {
		return l.port, nil
	}
	if now.Before(l.due) {
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
