package records

import (
	"context"
	"sync"
)

// A Write is what becomes of records that were handed in.
type Write struct {
	hurry func() // has it done now; may be nil

	mu     sync.Mutex
	left   int           // records of it that are still to be stored
	err    error         // the first that was not
	done   chan struct{} // closed when left is 0
	failed chan struct{} // closed when a try has failed
	fault  error         // of that try
}

func newWrite(records int, hurry func()) *Write {
	w := &Write{hurry: hurry, left: records, done: make(chan struct{}), failed: make(chan struct{})}
	if records == 0 {
		close(w.done)
	}
	return w
}

// Stored is a Write that is done: stored, or with what Wait is to say.
func Stored(err error) *Write {
	w := newWrite(0, nil)
	w.err = err
	return w
}

// Hurry has the writing done now, and does not wait for it.
func (w *Write) Hurry() {
	if w.hurry != nil {
		w.hurry()
	}
}

// Wait has the writing done now, and returns nil once all of it is stored; of a position or checkpoint, it or a newer one. Else
// it returns an error with the reason: ErrRefused or ErrDropped where something will not be stored, which is known when nothing of
// it waits any more; ErrWaiting where it could not be stored yet, and will be tried again; or ctx's, after which it may be
// stored or not.
func (w *Write) Wait(ctx context.Context) error {
	select {
	case <-w.done:
		return w.err
	default:
	}
	w.Hurry()
	select {
	case <-w.done:
		return w.err
	case <-w.failed:
		// Both may have come.
		select {
		case <-w.done:
			return w.err
		default:
			return w.fault
		}
	case <-ctx.Done():
		return ctx.Err()
	}
}

// finish says what became of one record.
func (w *Write) finish(err error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.err == nil {
		w.err = err
	}
	if w.left--; w.left == 0 {
		close(w.done)
	}
}

// fail says that a try has failed.
func (w *Write) fail(err error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.fault == nil {
		w.fault = err
		close(w.failed)
	}
}
