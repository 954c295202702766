package ascii_test

import (
	"errors"
	"sync"
	"time"
)

// A wire is a port that keeps what comes until it is read, as a system does; a pipe would hold its writer up.
type wire struct {
	mu      sync.Mutex
	buf     []byte
	more    chan struct{}
	written func(p []byte) // called with what is sent
	gone    bool
}

func newWire() *wire { return &wire{more: make(chan struct{}, 1)} }

// put lets bytes arrive now.
func (w *wire) put(p []byte) {
	w.mu.Lock()
	w.buf = append(w.buf, p...)
	w.mu.Unlock()
	select {
	case w.more <- struct{}{}:
	default:
	}
}

func (w *wire) Read(p []byte, timeout time.Duration) (int, error) {
	over := time.NewTimer(timeout)
	defer over.Stop()
	for {
		w.mu.Lock()
		n, gone := copy(p, w.buf), w.gone
		w.buf = w.buf[n:]
		w.mu.Unlock()
		if gone {
			return 0, errors.New("port is gone")
		}
		if n > 0 {
			return n, nil
		}
		select {
		case <-w.more:
		case <-over.C:
			return 0, nil
		}
	}
}

func (w *wire) Write(p []byte) (int, error) {
	if w.written != nil {
		w.written(p)
	}
	return len(p), nil
}

func (w *wire) Purge() error { return nil }

func (w *wire) Close() error {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.gone = true
	return nil
}
