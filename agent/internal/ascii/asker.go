package ascii

import (
	"bytes"
	"errors"
	"fmt"
	"time"

	"gritwatch/agent/internal/ascii/lines"
	"gritwatch/agent/internal/serialport"
	"gritwatch/protocol/modbus"
	"gritwatch/protocol/si"
)

// What can go wrong with an exchange, beside the errors of package lines. ErrPort means that the port is lost.
var (
	ErrPort    = errors.New("line failed")
	ErrTimeout = errors.New("no answer")
	ErrLate    = errors.New("answer came too late: a longer timeout may help")
	ErrCut     = errors.New("answer has no line end")
	ErrExtra   = errors.New("two answers to one query: is a gauge set to send by itself, or asked by somebody else?")
	ErrBabble  = errors.New("line is never silent")
	ErrResting = errors.New("gauge is left in peace until no late answer can be on its way")
	ErrUnsure  = errors.New("answer is not used: it may belong to an earlier query")
)

// Defaults and limits.
const (
	DefaultTimeout = 100 * time.Millisecond
	minRest        = time.Second      // no answer is later, or nearly none; common practice, no source
	peace          = 10 * time.Second // longer than any answer is late; the same
	tardyFor       = 10 * time.Minute // how long a gauge is remembered for a line that came very late
	maxBabble      = time.Second      // how long silence is waited for
	held           = 20 * time.Millisecond
	silentChars    = 4
	minSilence     = 2 * time.Millisecond
)

// Events are called as things happen, by the goroutine that calls Ask (or runs the line). Nil ones are not called.
// Gauges are told by their place in the list.
type Events struct {
	Sent   func(gauge int)            // a query went out, throw-away ones included
	Line   func(gauge int)            // a line that was understood came, whether its answer was used or not
	Failed func(gauge int, err error) // no good answer: one of the Err values of this package or of lines
	Echo   func(gauge int)            // our own query came back and was thrown away
	Stray  func(n int)                // n bytes that nobody asked for were thrown away
}

// A Gauge is asked with a query and answers with one line. Each pattern finds one pressure in it.
type Gauge struct {
	Query    []byte
	Patterns []*lines.Pattern
}

// A Reading is what one pattern of a gauge found in its line, or why there is nothing.
type Reading struct {
	lines.Reading
	Err error
}

// Options are what an Asker needs of its line.
type Options struct {
	Mode    serialport.Mode
	Timeout time.Duration     // from the end of a query to the first byte of its answer; 0: DefaultTimeout
	Period  time.Duration     // how often a gauge is asked
	Now     func() si.Instant // the clock of the samples
	Events  Events
}

// An Asker asks the gauges of one line. It belongs to one goroutine.
type Asker struct {
	port    serialport.Port
	opts    Options
	gauges  []gauge
	kinds   []kind
	rest    time.Duration
	silence time.Duration // between what came before and a query
	longest time.Duration // how long the longest line takes
	buf     [2 * lines.MaxLine]byte
	n       int
	split   lines.Splitter
	answer  Answer
}

type gauge struct {
	Gauge
	kind     int
	shortest int // bytes of its answer
	longest  int
}

// An Answer is a gauge's line. It is good until the next Ask.
type Answer struct {
	Text     []byte
	Readings []Reading // one for each pattern, at least one of them good
	At       si.Instant
}

// NewAsker makes an asker of an open port. Patterns decide which gauges are of one kind.
func NewAsker(port serialport.Port, gauges []Gauge, opts Options) *Asker {
	if opts.Timeout <= 0 {
		opts.Timeout = DefaultTimeout
	}
	a := &Asker{port: port, opts: opts}
	for i, g := range gauges {
		own := gauge{Gauge: g, kind: -1, shortest: lines.MaxLine}
		for _, p := range g.Patterns {
			n, _ := p.Longest()
			own.shortest, own.longest = min(own.shortest, p.Shortest()), max(own.longest, n)
		}
		for j := range i { // kinds that this gauge is alike become one
			k := a.gauges[j].kind
			if k == own.kind || !Alike(g, a.gauges[j].Gauge) {
				continue
			}
			for m := range i {
				if own.kind >= 0 && a.gauges[m].kind == k {
					a.gauges[m].kind = own.kind
				}
			}
			if own.kind < 0 {
				own.kind = k
			}
		}
		if own.kind < 0 {
			own.kind = i
		}
		a.gauges = append(a.gauges, own)
		a.longest = max(a.longest, a.time(own.longest+2))
	}
	a.kinds = make([]kind, len(gauges))
	for _, g := range a.gauges {
		a.kinds[g.kind].gauges++
	}
	a.longest += held
	a.silence = Silence(opts.Mode)
	// Over two periods, so that the way from a query to the throw-away one is not the way from that to the next.
	a.rest = max(minRest, 4*opts.Timeout, 2*opts.Period+opts.Timeout+a.longest)
	return a
}

// Silence is how long a line must have been silent before a query is sent.
func Silence(m serialport.Mode) time.Duration {
	return max(modbus.FrameTime(silentChars, m.Baud, m.Bits()), minSilence)
}

// time is how long n characters take.
func (a *Asker) time(n int) time.Duration {
	return modbus.FrameTime(n, a.opts.Mode.Baud, a.opts.Mode.Bits())
}

// Reopened gives the asker another port for the same line. What gauges owe they still owe.
func (a *Asker) Reopened(port serialport.Port) { a.port = port }

// Shares tells whether another gauge's answers cannot be told from those of gauge i, so that both have to wait when
// one of them does not answer.
func (a *Asker) Shares(i int) bool { return a.kinds[a.gauges[i].kind].gauges > 1 }

// Rest is how long a kind of gauges is not asked after a query without an answer.
func (a *Asker) Rest() time.Duration { return a.rest }

// Ask asks gauge i and gives its answer. It takes at most the time of the query, the timeout, the longest line twice,
// and of waiting for silence on a line that has none. Errors wrap one of the Err values of this package or of package
// lines; after ErrPort the port is of no more use.
func (a *Asker) Ask(i int) (Answer, error) {
	answer, err := a.ask(i)
	if err != nil {
		err = fmt.Errorf("gauge %d, query %q: %w", i+1, a.gauges[i].Query, err)
		if a.opts.Events.Failed != nil && !errors.Is(err, ErrResting) {
			a.opts.Events.Failed(i, err)
		}
		return Answer{}, err
	}
	return answer, nil
}

func (a *Asker) ask(i int) (Answer, error) {
	g := &a.gauges[i]
	k := &a.kinds[g.kind]
	a.n = 0
	a.split.Reset(false)
	if err := a.drain(a.silence); err != nil {
		return Answer{}, err
	}
	if k.rests(a.rest) {
		return Answer{}, ErrResting
	}
	throwaway := k.owed > 0
	k.owed++
	owed := k.owed
	k.since = time.Now()
	if _, err := a.port.Write(g.Query); err != nil {
		return Answer{}, fmt.Errorf("%w: %w", ErrPort, err)
	}
	if a.opts.Events.Sent != nil {
		a.opts.Events.Sent(i)
	}
	got, err := a.receive(i, k.since)
	switch {
	case errors.Is(err, ErrPort):
		return Answer{}, err
	case err != nil:
		return Answer{}, a.settle(g, owed, got, err)
	case k.peace:
		return Answer{}, ErrExtra
	case throwaway:
		k.tried, k.owed = k.owed > 0, min(k.owed, 1)
		return Answer{}, ErrUnsure
	}
	return a.answer, nil
}

// receive waits for the answer to gauge i's query and puts it into a.answer. It gives how many bytes came, an echo not
// counted. Time is reckoned from before the query was sent: if this program is stopped at any moment after that, the
// answer it then finds is too late.
func (a *Asker) receive(i int, sent time.Time) (got int, err error) {
	g := &a.gauges[i]
	deadline := sent.Add(a.time(len(g.Query)+g.longest+2) + a.opts.Timeout)
	a.n = 0
	a.split.Reset(false)
	echo, next := false, 0 // next: what the splitter has not seen
	for a.n < len(a.buf) {
		wait := time.Until(deadline)
		if wait <= 0 {
			break
		}
		n, err := a.port.Read(a.buf[a.n:], wait)
		if err != nil {
			return 0, fmt.Errorf("%w: %w", ErrPort, err)
		}
		if n == 0 {
			continue // the deadline decides
		}
		at := a.opts.Now()
		a.n += n
		if time.Now().After(deadline) {
			break // this program was held up: who knows how long the bytes have been waiting
		}
		if !echo && next == 0 {
			if len(g.Query) > a.n && bytes.HasPrefix(g.Query, a.buf[:a.n]) {
				continue // it may become an echo
			}
			if echo = bytes.HasPrefix(a.buf[:a.n], g.Query); echo {
				next = len(g.Query)
				if a.opts.Events.Echo != nil {
					a.opts.Events.Echo(i)
				}
			}
		}
		for next < a.n {
			line, err := a.split.Add(a.buf[next])
			next++
			if err == nil && line == nil || err == nil && a.other(line, g.kind) {
				continue
			}
			if err == nil {
				err = a.read(i, line, at)
			}
			if err == nil {
				a.kinds[g.kind].owed-- // what is still owed now is older
			}
			got = next
			for _, c := range a.buf[next:a.n] { // what stands behind it
				if line, err := a.split.Add(c); err == nil && line != nil {
					a.unasked(line)
				}
			}
			if echo {
				got -= len(g.Query)
			}
			return got, err
		}
	}
	if got = a.n; echo {
		got -= len(g.Query)
	}
	if got > 0 {
		return got, ErrCut
	}
	return 0, ErrTimeout
}

// read understands an answer. The error is of the first pattern that found nothing, where none found anything.
func (a *Asker) read(i int, line []byte, at si.Instant) error {
	a.answer.Text = append(a.answer.Text[:0], line...)
	a.answer.Readings = a.answer.Readings[:0]
	a.answer.At = at
	var first error
	good := false
	for _, p := range a.gauges[i].Patterns {
		r, err := p.Match(a.answer.Text)
		a.answer.Readings = append(a.answer.Readings, Reading{r, err})
		good = good || err == nil
		if first == nil {
			first = err
		}
	}
	if !good {
		return first
	}
	if a.opts.Events.Line != nil {
		a.opts.Events.Line(i)
	}
	return nil
}

// drain listens until the line has been silent for quiet, and accounts for the lines that come.
func (a *Asker) drain(quiet time.Duration) error {
	stray := 0
	defer func() {
		if stray > 0 && a.opts.Events.Stray != nil {
			a.opts.Events.Stray(stray)
		}
	}()
	for start := time.Now(); ; {
		n, err := a.port.Read(a.buf[:], quiet)
		if err != nil {
			return fmt.Errorf("%w: %w", ErrPort, err)
		}
		if n == 0 {
			return nil
		}
		for _, c := range a.buf[:n] {
			stray++
			if line, err := a.split.Add(c); err == nil && line != nil {
				stray -= len(line)
				a.unasked(line)
			}
		}
		if time.Since(start) > maxBabble {
			return ErrBabble
		}
	}
}
