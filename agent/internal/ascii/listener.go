package ascii

import (
	"errors"
	"fmt"
	"time"

	"gritwatch/agent/internal/ascii/lines"
	"gritwatch/agent/internal/serialport"
	"gritwatch/protocol/modbus"
	"gritwatch/protocol/si"
)

// Listen never waits longer than maxListen for the first byte. When more than that and maxHeld lie between two reads,
// this program was held up, and the bytes it then finds may have been waiting since who knows when (a system keeps up
// to 68 kB of them, which is more than a minute at 9600 bit/s): all that comes within deaf is thrown away.
const (
	maxListen = 50 * time.Millisecond
	maxHeld   = 100 * time.Millisecond
	deaf      = 100 * time.Millisecond
)

// A Listener hears a gauge that sends lines by itself. It belongs to one goroutine.
type Listener struct {
	port   serialport.Port
	opts   Options
	gauge  Asker // for its way of reading a line
	buf    [4096]byte
	split  lines.Splitter
	last   time.Time // the last read
	deafTo time.Time
}

// NewListener makes a listener of a port that was just opened. Of opts it takes Mode, Now and Events; the gauge is 0.
func NewListener(port serialport.Port, patterns []*lines.Pattern, opts Options) *Listener {
	l := &Listener{opts: opts}
	l.gauge = Asker{opts: opts, gauges: []gauge{{Gauge: Gauge{Patterns: patterns}}}}
	l.Reopened(port)
	return l
}

// Reopened gives the listener another port for the same line. What was gathered of a line is forgotten.
func (l *Listener) Reopened(port serialport.Port) {
	l.port, l.last, l.deafTo = port, time.Now(), time.Time{}
	l.split.Reset(true)
}

// Listen waits at most wait, and not much longer than a twentieth of a second, for something to come, and hands on every
// line that was understood. Its instant is that of its last byte: what was read together with it and came behind it is
// reckoned back at the line's speed. The answer is good until take returns. After an error, which wraps ErrPort, the
// port is of no more use.
func (l *Listener) Listen(wait time.Duration, take func(Answer)) error {
	floor := l.opts.Now()
	n, err := l.port.Read(l.buf[:], min(wait, maxListen))
	if err != nil {
		return fmt.Errorf("%w: %w", ErrPort, err)
	}
	at, now := l.opts.Now(), time.Now()
	if now.Sub(l.last) > maxListen+maxHeld || n == len(l.buf) {
		l.deafTo = now.Add(deaf)
	}
	l.last = now
	if now.Before(l.deafTo) {
		l.split.Reset(true)
		if n > 0 && l.opts.Events.Stray != nil {
			l.opts.Events.Stray(n)
		}
		return nil
	}
	for i, c := range l.buf[:n] {
		line, err := l.split.Add(c)
		if line != nil {
			behind := modbus.FrameTime(n-1-i, l.opts.Mode.Baud, l.opts.Mode.Bits())
			err = l.gauge.read(0, line, stamp(at, behind, floor))
		}
		switch {
		case err != nil && !errors.Is(err, lines.ErrPart):
			if l.opts.Events.Failed != nil {
				l.opts.Events.Failed(0, err)
			}
		case line != nil:
			take(l.gauge.answer)
		}
	}
	return nil
}

// stamp reckons at back by behind, but not before floor, so that instants do not go back. Where the clock itself was
// set back in between, floor means nothing.
func stamp(at si.Instant, behind time.Duration, floor si.Instant) si.Instant {
	if back := at.Add(-behind); back >= floor || floor > at {
		return back
	}
	return floor
}
