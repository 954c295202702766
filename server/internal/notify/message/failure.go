package message

import (
	"errors"
	"time"
)

// A Failure is why a message was not taken.
type Failure struct {
	// Refused: the receiver was reached and did not want the message; the same one would be refused again.
	Refused bool
	// After is how long the receiver asks to be left alone; 0: it does not say.
	After time.Duration
	Why   error // never holds a secret
}

// Error is why.
func (f *Failure) Error() string { return f.Why.Error() }

// Unwrap is why.
func (f *Failure) Unwrap() error { return f.Why }

// FailureOf is an error of a sender as a failure: one that is none was no refusal.
func FailureOf(err error) Failure {
	if f := (*Failure)(nil); errors.As(err, &f) {
		return *f
	}
	return Failure{Why: err}
}
