package program

import (
	"bytes"
	"context"
	"io"
	"log/slog"
	"sync"
	"time"
)

const (
	asideMost = 1 << 20     // bytes of lines that wait to be written
	asideEnd  = time.Second // that the end of a program waits for them
)

// An aside hands log lines on to a writer without ever waiting for it: who logs may hold what an alarm needs, and the log may go to a
// disk that stands still or to a pipe that nobody reads. Lines that find too much waiting are dropped, and counted by a line of their own.
type aside struct {
	to io.Writer

	mu      sync.Mutex
	waiting []byte
	dropped int
	closed  bool

	more  chan struct{} // something waits
	ended chan struct{} // all was written
}

func newAside(to io.Writer) *aside {
	a := &aside{to: to, more: make(chan struct{}, 1), ended: make(chan struct{})}
	go a.run()
	return a
}

// Write takes one whole line, or drops it.
func (a *aside) Write(line []byte) (int, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.closed || len(a.waiting)+len(line) > asideMost {
		a.dropped++
		return len(line), nil
	}
	a.waiting = append(a.waiting, line...)
	select {
	case a.more <- struct{}{}:
	default:
	}
	return len(line), nil
}

func (a *aside) run() {
	defer close(a.ended)
	var lines []byte
	for range a.more {
		a.mu.Lock()
		lines, a.waiting = a.waiting, lines[:0]
		dropped := a.dropped
		a.dropped = 0
		a.mu.Unlock()
		if dropped > 0 {
			lines = append(lines, droppedLine(dropped)...) // those that followed
		}
		a.to.Write(lines) // a log that cannot be written has nowhere to be told
	}
}

func droppedLine(lines int) []byte {
	var b bytes.Buffer
	slog.New(slog.NewTextHandler(&b, nil)).LogAttrs(context.Background(), slog.LevelWarn,
		"lines of this log were dropped: whatever takes it stood still", slog.Int("lines", lines))
	return b.Bytes()
}

// end waits until what was logged is written, but not for long. What is logged after it is lost.
func (a *aside) end() {
	a.mu.Lock()
	a.closed = true
	close(a.more)
	a.mu.Unlock()
	late := time.NewTimer(asideEnd)
	defer late.Stop()
	select {
	case <-a.ended:
	case <-late.C:
	}
}
