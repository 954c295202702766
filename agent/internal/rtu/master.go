package rtu

import (
	"errors"
	"fmt"
	"time"

	"gritwatch/agent/internal/serialport"
	"gritwatch/protocol/modbus"
	"gritwatch/protocol/si"
)

// What can go wrong with an exchange, beside an *modbus.ExceptionError. ErrPort means that the port is lost.
var (
	ErrPort    = errors.New("line failed")
	ErrTimeout = errors.New("no reply")
	ErrLate    = errors.New("reply came too late: a longer timeout may help")
	ErrCut     = errors.New("reply cut short or not understood")
	ErrDamaged = errors.New("reply fails its check (CRC)")
	ErrExtra   = errors.New("bytes follow the reply")
	ErrBabble  = errors.New("line is never silent")
	ErrResting = errors.New("unit is left in peace until no late reply can be on its way")
	ErrHeld    = errors.New("write was held up until it was too late to send it")
)

// Defaults and limits.
const (
	DefaultTimeout  = 100 * time.Millisecond
	DefaultPatience = time.Second
	peace           = 10 * time.Second // longer than any reply is late; common practice, no source
	probesInVain    = 20               // then a unit that never answered one is left in peace
	maxExchanges    = 6                // of one Read
	bufferSize      = 2 * modbus.MaxFrame
)

// Events are called as things happen, by the goroutine that calls Read. Nil ones are not called.
type Events struct {
	Sent      func(unit uint8)                   // a request went out, probes included
	Reply     func(unit uint8)                   // a good reply came, to a probe included
	Exception func(unit uint8, code modbus.Code) // the unit refused; not told of probes
	Failed    func(unit uint8, err error)        // one of the Err values: no good reply
	Echo      func(unit uint8)                   // our own request came back and was thrown away
	Stray     func(n int)                        // n bytes that nobody asked for were thrown away
}

// Options are what a Master needs of its line.
type Options struct {
	Mode         serialport.Mode
	Timeout      time.Duration     // from the end of a request to the first byte of its reply; 0: DefaultTimeout
	LongestReply int               // bytes of the longest reply on this line; 0: modbus.MaxFrame
	Patience     time.Duration     // how long the line's silence is waited for; 0: DefaultPatience
	Now          func() si.Instant // the clock of the samples
	Events       Events
}

// A Master asks the units of one line. It belongs to one goroutine.
type Master struct {
	port    serialport.Port
	opts    Options
	t35     time.Duration
	longest time.Duration // how long the longest reply takes
	busy    time.Time     // when the line was last known to be busy
	echoes  bool          // the last reply to a read had our own request in front of it
	units   [modbus.MaxUnit + 1]unit
	request [modbus.RequestSize]byte
	buf     [bufferSize]byte
	n       int // bytes in buf
}

// unit is what is known of a unit.
type unit struct {
	owed  owed
	met   bool      // it was asked before
	odd   time.Time // when a reply came that nobody had asked for
	heard bool      // it has answered a probe
	vain  int       // probes in a row without an answer
	wrote int       // writes that may still be answered
	write time.Time // when the last of them was sent
}

// A Reply is the data of a good reply and the instant of its last byte. Data is good until the next Read.
type Reply struct {
	Data modbus.Data
	At   si.Instant
}

// NewMaster makes a master of an open port.
func NewMaster(port serialport.Port, opts Options) *Master {
	if opts.Timeout <= 0 {
		opts.Timeout = DefaultTimeout
	}
	if opts.LongestReply <= 0 {
		opts.LongestReply = modbus.MaxFrame
	}
	if opts.Patience <= 0 {
		opts.Patience = DefaultPatience
	}
	m := &Master{port: port, opts: opts, t35: modbus.SilentInterval(opts.Mode.Baud)}
	m.longest = m.frameTime(opts.LongestReply) + m.t35
	return m
}

// Reopened gives the master another port for the same line. What the units owe stays so.
func (m *Master) Reopened(port serialport.Port) { m.port, m.busy = port, time.Time{} }

func (m *Master) frameTime(n int) time.Duration {
	return modbus.FrameTime(n, m.opts.Mode.Baud, m.opts.Mode.Bits())
}

// Read asks unit for count registers (coils or discrete inputs, functions 01 and 02) from addr on. It takes at most
// the time of some answered requests and of one without an answer, and of waiting for silence on a line that has none.
// Errors are *modbus.ExceptionError or wrap one of the Err values; after ErrPort the port is of no more use.
func (m *Master) Read(unit uint8, fn modbus.Function, addr uint16, count int) (Reply, error) {
	return m.ReadWithin(m.opts.Timeout, unit, fn, addr, count)
}

// ReadWithin is Read with another timeout than the line's.
func (m *Master) ReadWithin(timeout time.Duration, unit uint8, fn modbus.Function, addr uint16, count int) (Reply, error) {
	if unit < modbus.MinUnit || unit > modbus.MaxUnit {
		panic("rtu: unit outside 1 to 247")
	}
	r, err := m.read(query{modbus.Request{Unit: unit, Function: fn, Address: addr, Count: count}, timeout})
	if err != nil {
		return Reply{}, fmt.Errorf("unit %d, function %02d, address %d, count %d: %w", unit, uint8(fn), addr, count, err)
	}
	return r, nil
}

// A query is a request and how long its reply may take to begin.
type query struct {
	modbus.Request
	timeout time.Duration
}

func (q query) tag() tag { return tag{byte(q.Function), modbus.ReplySize(q.Function, q.Count)} }

// probe is q with a count whose reply has another length.
func (q query) probe() query {
	step := 1
	if q.Function == modbus.ReadCoils || q.Function == modbus.ReadDiscreteInputs {
		step = 8 // they come eight to a byte
	}
	if q.Count > step {
		q.Count -= step
		return q
	}
	q.Count += step
	if int(q.Address)+q.Count > 1<<16 {
		q.Address -= uint16(step)
	}
	return q
}

// read asks until a reply has come that can only be the one to the last request, or until there is none.
func (m *Master) read(q query) (Reply, error) {
	u := &m.units[q.Unit]
	for range maxExchanges {
		if err := m.listen(u); err != nil {
			return Reply{}, m.failed(q.Unit, err)
		}
		probing, err := u.next(q, time.Now())
		if err != nil {
			return Reply{}, err
		}
		if !probing {
			if r, err := m.exchange(u, q, false); !errors.Is(err, errUnclear) {
				return r, err
			}
			continue
		}
		p := q.probe()
		switch _, err := m.exchange(u, p, true); {
		case err == nil, errors.Is(err, errUnclear):
			u.heard, u.vain = true, 0
		default:
			u.vain++
			return Reply{}, fmt.Errorf("probe with count %d: %w", p.Count, err)
		}
	}
	return Reply{}, m.failed(q.Unit, ErrLate)
}

// errUnclear says that an answer came which may be to an older request. Nobody outside sees it.
var errUnclear = errors.New("answer to one of several requests")

// next tells whether q's probe is to be asked in its place, or that the unit is to be left in peace. The reply to the
// one of them that comes later among what is owed settles more; to one that is not there, everything.
func (u *unit) next(q query, now time.Time) (probing bool, err error) {
	u.owed.forget(now.Add(-peace))
	if !u.odd.IsZero() {
		if now.Sub(u.odd) < peace {
			return false, ErrResting
		}
		u.odd = time.Time{}
	}
	switch {
	case u.owed.empty():
		if u.vain >= probesInVain {
			u.vain = 0
		}
		return !u.met, nil // at first: a program that ran before may have left it a request
	case !u.heard && u.vain >= probesInVain:
		return false, ErrResting
	}
	return u.owed.first(q.probe().tag()) > u.owed.first(q.tag()), nil
}

// listen waits for the silence that must lie before a request, and looks at what came in the meantime.
func (m *Master) listen(u *unit) error {
	quiet := m.t35
	if !m.busy.IsZero() {
		quiet = max(0, quiet-time.Since(m.busy))
	}
	m.n = 0
	if err := m.drain(quiet, m.t35); err != nil {
		return err
	}
	was := u.odd
	m.unasked(m.buf[:m.n], u)
	if u.odd != was {
		return ErrLate
	}
	return nil
}

// exchange sends one request and waits for its reply. To a probe an exception is as good an answer as any.
func (m *Master) exchange(u *unit, q query, probing bool) (Reply, error) {
	u.met = true
	want := q.tag()
	sent := time.Now()
	if !u.owed.sent(want, sent) {
		return Reply{}, ErrResting
	}
	request := modbus.AppendReadRequest(m.request[:0], q.Unit, q.Function, q.Address, q.Count)
	if _, err := m.port.Write(request); err != nil {
		return Reply{}, m.failed(q.Unit, fmt.Errorf("%w: %w", ErrPort, err))
	}
	m.busy = sent.Add(m.frameTime(len(request)))
	if m.opts.Events.Sent != nil {
		m.opts.Events.Sent(q.Unit)
	}
	m.n = 0
	f, at, err := m.receive(request, want.size, sent, q.timeout, func(b []byte) found { return scan(b, request, want.size) })
	if f.echo > 0 || err == nil {
		m.echoes = f.echo > 0
	}
	switch {
	case errors.Is(err, ErrPort):
		return Reply{}, m.failed(q.Unit, err)
	case err != nil:
		return Reply{}, m.failed(q.Unit, m.settle(u, want, f.echo, err))
	}
	was := u.odd
	m.unasked(m.buf[f.echo:f.from], u)
	reply := m.buf[f.from:f.to]
	u.came(reply)
	if u.odd != was {
		return Reply{}, m.failed(q.Unit, ErrLate)
	}
	data, err := modbus.ParseReadReply(reply, q.Unit, q.Function, q.Count)
	if u.owed.empty() {
		u.wrote = 0 // it answers in order, so nothing older is on its way
	}
	switch {
	case !u.owed.empty():
		m.replied(q.Unit)
		return Reply{}, errUnclear
	case probing:
		m.replied(q.Unit)
		return Reply{}, nil
	}
	return m.answered(q.Unit, Reply{Data: data, At: at}, err)
}

// settle lets the line come to rest after a request without a good reply, and looks whether the reply turns up.
func (m *Master) settle(u *unit, want tag, echo int, err error) error {
	if err := m.port.Purge(); err != nil {
		return fmt.Errorf("%w: %w", ErrPort, err)
	}
	if rest := m.drain(m.longest, m.longest); errors.Is(rest, ErrPort) {
		return rest
	}
	own := m.unasked(m.buf[min(echo, m.n):m.n], u)
	switch {
	case errors.Is(err, ErrDamaged) && own == 0:
		u.owed.came(frame{fn: want.fn, size: want.size, data: true}) // the reply did come, spoilt
	case own > 0 && !errors.Is(err, ErrExtra):
		return ErrLate
	}
	return err
}

// unasked looks through bytes that nobody waits for, for whole replies of any unit, and gives how many there were of u.
func (m *Master) unasked(buf []byte, u *unit) (own int) {
	if len(buf) > 0 && m.opts.Events.Stray != nil {
		m.opts.Events.Stray(len(buf))
	}
	for {
		var reply []byte
		if reply, buf = nextFrame(buf); reply == nil {
			return own
		}
		from := &m.units[reply[0]]
		from.came(reply)
		if from == u {
			own++
		}
	}
}

// came takes note of a whole reply. One that nobody asked for (another master asks this unit, or the reply is older
// than anything that is remembered) makes all that come after it doubtful, until nothing can be on its way.
func (u *unit) came(reply []byte) {
	const mark = 0x80
	if modbus.Function(reply[1] &^ mark).Writes() {
		if u.wrote == 0 {
			u.odd = time.Now()
		}
		u.wrote = max(0, u.wrote-1)
		return
	}
	if !u.owed.came(frame{fn: reply[1] &^ mark, size: len(reply), data: reply[1]&mark == 0}) {
		u.odd = time.Now()
	}
}

// answered reports a whole frame that passed scan: data, or an exception.
func (m *Master) answered(unit uint8, r Reply, err error) (Reply, error) {
	var refused *modbus.ExceptionError
	switch {
	case err == nil:
		m.replied(unit)
		return r, nil
	case errors.As(err, &refused):
		if m.opts.Events.Exception != nil {
			m.opts.Events.Exception(unit, refused.Code)
		}
		return Reply{}, err
	}
	return Reply{}, m.failed(unit, fmt.Errorf("%w: %w", ErrCut, err))
}

func (m *Master) replied(unit uint8) {
	if m.opts.Events.Reply != nil {
		m.opts.Events.Reply(unit)
	}
}

func (m *Master) failed(unit uint8, err error) error {
	if m.opts.Events.Failed != nil {
		m.opts.Events.Failed(unit, err)
	}
	return err
}

// receive reads into buf until the reply to request, want bytes long, is whole and the line silent behind it, or its
// time is over. At is when the last byte of the reply was read.
// Time is reckoned from before the request was sent: if this program is stopped at any moment after that, the reply
// it then finds is too late.
func (m *Master) receive(request []byte, want int, sent time.Time, timeout time.Duration, look func([]byte) found) (f found, at si.Instant, err error) {
	deadline := sent.Add(m.frameTime(len(request)) + timeout + m.frameTime(want))
	for m.n < len(m.buf) {
		wait := time.Until(deadline)
		if f.verdict != pending {
			// A frame whose check happens to be right, or a damaged one, may be the head of something longer: then more
			// follows at once. This silence has to be kept before the next request anyway.
			wait = m.t35
		}
		if wait <= 0 {
			break
		}
		got, err := m.port.Read(m.buf[m.n:], wait)
		if err != nil {
			return f, 0, fmt.Errorf("%w: %w", ErrPort, err)
		}
		if got == 0 {
			switch f.verdict {
			case whole:
				return f, at, nil
			case damaged:
				return f, 0, ErrDamaged
			}
			continue // the deadline decides
		}
		at = m.opts.Now()
		m.n += got
		if m.busy = time.Now(); m.busy.After(deadline) {
			f.verdict = pending
			break // this program was held up: who knows how long the bytes have been waiting
		}
		before := f.echo
		f = look(m.buf[:m.n])
		if f.echo > before && m.opts.Events.Echo != nil {
			m.opts.Events.Echo(request[0])
		}
		if f.verdict == followed {
			return f, 0, ErrExtra
		}
	}
	if m.n > f.echo {
		return f, 0, ErrCut
	}
	return f, 0, ErrTimeout
}

// drain listens until the line has been silent for first, or for quiet once something has come. What comes is added to
// buf; when buf is full its older half is dropped.
func (m *Master) drain(first, quiet time.Duration) error {
	for start, wait := time.Now(), first; ; wait = quiet {
		if m.n == len(m.buf) {
			m.n = copy(m.buf[:], m.buf[len(m.buf)/2:])
		}
		n, err := m.port.Read(m.buf[m.n:], wait)
		if err != nil {
			return fmt.Errorf("%w: %w", ErrPort, err)
		}
		if n == 0 {
			return nil
		}
		m.n += n
		m.busy = time.Now()
		if time.Since(start) > m.opts.Patience {
			return ErrBabble
		}
	}
}
