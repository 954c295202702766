// Package probe looks on a serial line for units that answer Modbus RTU, in the settings that gauges come with, and
// shows the registers of one. It only reads: functions 01 to 04, one register or input at a time in the search.
package probe

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"gritwatch/agent/internal/serialport"
	"gritwatch/protocol/modbus"
)

// DefaultTimeout is how long a unit may think before its reply.
const DefaultTimeout = 100 * time.Millisecond

// ErrNothing says that no unit answered.
var ErrNothing = errors.New("nothing answered")

// Options say what is looked for and where.
type Options struct {
	Port     string // for texts
	Open     func(serialport.Mode) (serialport.Port, error)
	Modes    []serialport.Mode // nil: Common
	Units    []uint8           // nil: 1 to 247
	Timeout  time.Duration     // 0: DefaultTimeout
	All      bool              // go on in the other modes after one in which something answered
	Ranges   []Range           // of the one unit, to be shown
	Out      io.Writer
	Progress func(text string) // one line that replaces the one before it, "" at the end; nil: nobody watches
}

func (o Options) withDefaults() Options {
	o.Timeout = cmp.Or(o.Timeout, DefaultTimeout)
	if o.Modes == nil {
		o.Modes = Common()
	}
	if o.Units == nil {
		o.Units = AllUnits()
	}
	if o.Progress == nil {
		o.Progress = func(string) {}
	}
	return o
}

// Common are the settings that are tried, the likeliest first: what gauges and input modules are sold with (common
// practice, no source); 19200 8E1 is the default of Modbus over Serial Line V1.02, 2.5.1. Two stop bits are not
// tried: who sends two understands one.
func Common() []serialport.Mode {
	var out []serialport.Mode
	for _, m := range []struct {
		baud   int
		parity byte
	}{{9600, 'N'}, {19200, 'E'}, {19200, 'N'}, {9600, 'E'}, {38400, 'N'}, {115200, 'N'}, {57600, 'N'}, {38400, 'E'}, {57600, 'E'}, {115200, 'E'},
		{9600, 'O'}, {19200, 'O'}, {4800, 'N'}, {4800, 'E'}} {
		out = append(out, serialport.Mode{Baud: m.baud, DataBits: 8, Parity: m.parity, StopBits: 1})
	}
	return out
}

// AllUnits is 1 to 247.
func AllUnits() []uint8 {
	out := make([]uint8, 0, modbus.MaxUnit)
	for u := modbus.MinUnit; u <= modbus.MaxUnit; u++ {
		out = append(out, uint8(u))
	}
	return out
}

// A Result is what a scan found.
type Result struct {
	Modes   []ModeResult // those tried, in order
	Stopped bool         // ctx ended first
}

// Best is the mode in which most units answered; nil where none did.
func (r *Result) Best() *ModeResult {
	var best *ModeResult
	for i := range r.Modes {
		if m := &r.Modes[i]; len(m.Units) > 0 && (best == nil || len(m.Units) > len(best.Units)) {
			best = m
		}
	}
	return best
}

// A ModeResult is what was found in one mode.
type ModeResult struct {
	Mode     serialport.Mode
	Units    []Found // by number
	Requests int
	Damaged  int  // bytes that are no whole frame
	Foreign  int  // whole replies that this program did not ask for
	Echo     bool // the adapter hears what it sends
	Babble   bool // the line was never silent: the mode was given up
	kept     []byte
}

// A Found is a unit that answered.
type Found struct {
	Unit    uint8
	Answers []Answer // by function
}

// An Answer is a reply to one function.
type Answer struct {
	Function modbus.Function
	Code     modbus.Code   // of the exception; 0: data came
	Trip     time.Duration // from the first byte sent to the last one received
}

func (f *Found) has(fn modbus.Function) bool {
	return slices.ContainsFunc(f.Answers, func(a Answer) bool { return a.Function == fn })
}

// Slowest is the longest trip.
func (f *Found) Slowest() (d time.Duration) {
	for _, a := range f.Answers {
		d = max(d, a.Trip)
	}
	return d
}

// Estimate is how long a scan takes in which nothing answers.
func Estimate(o Options) time.Duration {
	o = o.withDefaults()
	sum := listen
	for _, m := range o.Modes {
		one := modbus.SilentInterval(m.Baud) + modbus.FrameTime(modbus.RequestSize+modbus.ReplySize(modbus.ReadInputRegisters, 1), m.Baud, m.Bits()) + o.Timeout
		sum += time.Duration(asks*len(o.Units))*one + o.Timeout
	}
	return sum
}

// asks is how many requests a silent unit gets, each with another function: not every unit refuses politely what it
// does not know, and one of two may be lost.
const asks = 2

// Scan tries mode after mode. An error is of the port; the result holds what was found until then.
func Scan(ctx context.Context, o Options) (r Result, err error) {
	o = o.withDefaults()
	start, total := time.Now(), Estimate(o)
	defer o.Progress("")
	defer func() {
		if ctx.Err() != nil {
			r.Stopped, err = true, nil
		}
	}()
	heard, err := hear(ctx, o)
	if err != nil {
		return Result{Modes: heard}, err
	}
	for i := range heard {
		if heard[i].isText() && !o.All {
			return Result{Modes: heard[i : i+1]}, nil // a line of text is no line of Modbus RTU
		}
	}
	for i, mode := range o.Modes {
		m := ModeResult{Mode: mode}
		if i < len(heard) {
			m = heard[i]
		}
		found := 0
		for _, before := range r.Modes {
			found += len(before.Units)
		}
		if !m.isText() {
			m, err = scanMode(ctx, o, m, func(unit uint8, here int) {
				o.Progress(fmt.Sprintf("%s (%d of %d), unit %d: %s so far, at most %s left", mode, i+1, len(o.Modes), unit, plural(found+here, "unit"), roughly(max(total-time.Since(start), 0))))
			})
		}
		r.Modes = append(r.Modes, m)
		if err != nil || len(m.Units) > 0 && !o.All {
			return r, err
		}
	}
	return r, nil
}

// hear listens before anything is asked: in the first mode, and where something comes there in all of them, for what
// is text in one is damaged in another.
func hear(ctx context.Context, o Options) (out []ModeResult, err error) {
	for i, mode := range o.Modes {
		o.Progress(fmt.Sprintf("%s (%d of %d): listening", mode, i+1, len(o.Modes)))
		m, err := onLine(o, ModeResult{Mode: mode}, func(l *line) error { return l.listen(ctx, listen) })
		out = append(out, m)
		if err != nil || m.Damaged+m.Foreign == 0 && i == 0 || m.isText() {
			return out, err
		}
	}
	return out, nil
}

// onLine opens the port in m's mode for work, and adds what that finds.
func onLine(o Options, m ModeResult, work func(l *line) error) (_ ModeResult, err error) {
	port, err := o.Open(m.Mode)
	if err != nil {
		return m, err
	}
	l := &line{port: port, mode: m.Mode, timeout: o.Timeout, pending: make(map[question]time.Time), found: make(map[uint8]*Found), seen: &m}
	err = errors.Join(work(l), port.Close())
	for _, f := range l.found {
		slices.SortFunc(f.Answers, func(a, b Answer) int { return cmp.Compare(a.Function, b.Function) })
		m.Units = append(m.Units, *f)
	}
	slices.SortFunc(m.Units, func(a, b Found) int { return cmp.Compare(a.Unit, b.Unit) })
	return m, err
}

func scanMode(ctx context.Context, o Options, m ModeResult, progress func(unit uint8, found int)) (ModeResult, error) {
	m, err := onLine(o, m, func(l *line) error { return l.search(ctx, o.Units, progress) })
	if errors.Is(err, errBabble) {
		m.Babble, err = true, nil
	}
	return m, err
}

func (l *line) listen(ctx context.Context, d time.Duration) error {
	return l.collect(ctx, time.Now().Add(d), nil, func(n int) bool { return n >= keep })
}

// search asks every unit, then those that answered for the other functions.
func (l *line) search(ctx context.Context, units []uint8, progress func(unit uint8, found int)) error {
	fns := functions()
	for _, u := range units {
		progress(u, len(l.found))
		for _, fn := range fns[:asks] {
			if l.found[u] != nil {
				break
			}
			if err := l.ask(ctx, question{u, fn}, l.timeout); err != nil {
				return err
			}
		}
	}
	if err := l.listen(ctx, l.timeout); err != nil { // for the last one's late reply
		return err
	}
	for _, u := range units {
		for _, fn := range fns {
			f := l.found[u]
			if f == nil || f.has(fn) {
				continue
			}
			progress(u, len(l.found))
			if err := l.ask(ctx, question{u, fn}, max(l.timeout, 2*f.Slowest())); err != nil {
				return err
			}
		}
	}
	return nil
}
