// Package line offers simulated gauges on pseudo-terminals, under paths that stay the same.
//
// A line is a pseudo-terminal whose far end a master opens like any serial port, by a symbolic link. On it stand Modbus
// RTU units or gauges that speak lines of text. A unit with registers answers functions 03 and 04, one with switches 01
// and 02; a relay is written by 05 and 06 and read back by 01 and 03. An unknown unit stays silent, an address that does
// not exist is refused with exception 2, any other function with exception 1. Broadcasts are not obeyed.
//
// Replies come at the line's speed. A value is the one at the reply's first character. A station that has not replied
// yet keeps one further request until it has, and loses others; meanwhile the rest of the line goes on. Frames never run
// into each other: one waits for the end of the other. What is sent while no master has the port open is lost.
package line

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"time"

	"golang.org/x/sys/unix"

	"gritwatch/sim-sensor/internal/fault"
)

// Events report what a line met. Nil funcs are not called; they must not block.
type Events struct {
	Damaged func(bytes int)       // a request whose length or check word is wrong
	Fault   func(kind fault.Kind) // a fault of the line met a request, or began
	Plugged func(there bool)      // the port has gone, or is there again
}

// Options are what stands on a line: Units and Relays, or Texts.
type Options struct {
	Mode       Mode
	Turnaround time.Duration // how long a station thinks between the end of a request and its reply
	Strict     bool          // nothing is heard while the master's speed is another; pseudo-terminals keep no parity
	Units      []*Unit
	Relays     []*Relay // beside units
	Texts      []Text
	Faults     *fault.Player        // nil: none
	Clock      func() time.Duration // the scenario's time, by which faults hold; nil: it stands still
	Events     Events
}

// A Line is an open line.
type Line struct {
	link string
	term *terminal // nil while unplugged
	srv  server
}

// Open makes a pseudo-terminal with the stations on it and links it at the path given, whose folder is made if it is
// missing. A link left by an earlier run is replaced; anything else at the path is an error. Close removes the link.
func Open(link string, opts Options) (*Line, error) {
	srv, err := newServer(opts)
	if err != nil {
		return nil, fmt.Errorf("line %s: %w", link, err)
	}
	l := &Line{link: link, srv: srv}
	if l.term, err = openTerminal(link); err != nil {
		return nil, fmt.Errorf("line %s: %w", link, err)
	}
	return l, nil
}

func newServer(opts Options) (server, error) {
	if opts.Faults == nil {
		opts.Faults = fault.NewPlayer(nil, 0)
	}
	if opts.Clock == nil {
		opts.Clock = func() time.Duration { return 0 }
	}
	s := server{opts: opts, faults: opts.Faults}
	if len(opts.Texts) > 0 {
		s.talk = &texts{gauges: opts.Texts, damaged: opts.Events.Damaged}
		return s, checkTexts(opts.Texts)
	}
	units := make(map[uint8]*Unit, len(opts.Units))
	for _, u := range opts.Units {
		if units[u.id] != nil {
			return s, fmt.Errorf("unit %d stands there twice", u.id)
		}
		units[u.id] = u
	}
	relays := make(map[uint8]*Relay, len(opts.Relays))
	for _, r := range opts.Relays {
		if units[r.id] != nil || relays[r.id] != nil {
			return s, fmt.Errorf("unit %d stands there twice", r.id)
		}
		relays[r.id] = r
	}
	s.talk = &slaves{baud: opts.Mode.Baud, units: units, relays: relays, clock: opts.Clock, damaged: opts.Events.Damaged}
	return s, nil
}

// String is the path of the link.
func (l *Line) String() string { return l.link }

// Run plays the line until ctx ends; then it gives nil. While the line is unplugged there is neither pseudo-terminal nor
// link; afterwards there is a new one.
func (l *Line) Run(ctx context.Context) error {
	// The kernel may be 50 us late with a thread's wake-ups unless it is told otherwise; a character at 115200 takes 87.
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	if err := unix.Prctl(unix.PR_SET_TIMERSLACK, 1, 0, 0, 0); err != nil {
		return fmt.Errorf("line %s: timer slack: %w", l.link, err)
	}
	defer func() { _ = unix.Prctl(unix.PR_SET_TIMERSLACK, 0, 0, 0, 0) }() // the default again; it was set before
	for {
		err := l.srv.serve(ctx, l.term)
		if errors.Is(err, errUnplugged) {
			err = l.unplugged(ctx)
		}
		switch {
		case err != nil:
			return fmt.Errorf("line %s: %w", l.link, err)
		case ctx.Err() != nil:
			return nil
		}
	}
}

// unplugged takes the port away until the scenario, or ctx, says otherwise.
func (l *Line) unplugged(ctx context.Context) error {
	report := func(there bool) {
		if l.srv.opts.Events.Plugged != nil {
			l.srv.opts.Events.Plugged(there)
		}
	}
	err := l.term.close()
	if l.term = nil; err != nil {
		return err
	}
	l.srv.played(fault.Unplugged)
	report(false)
	for at := l.srv.opts.Clock(); l.srv.faults.Holds(fault.Unplugged, at); at = l.srv.opts.Clock() {
		change, ok := l.srv.faults.Change(at)
		var timer <-chan time.Time // nil where it is unplugged for ever
		if ok {
			timer = time.After(max(change-at, time.Millisecond))
		}
		select {
		case <-ctx.Done():
			return nil
		case <-timer:
		}
	}
	if l.term, err = openTerminal(l.link); err != nil {
		l.term = nil
		return err
	}
	report(true)
	return nil
}

// Close removes the link, if it is still this line's, and ends the pseudo-terminal. Run must have ended.
func (l *Line) Close() error {
	if l.term == nil {
		return nil
	}
	if err := l.term.close(); err != nil {
		return fmt.Errorf("close line %s: %w", l.link, err)
	}
	return nil
}
