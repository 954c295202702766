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
)

// Defaults and limits.
const (
	DefaultTimeout = 100 * time.Millisecond
	maxBabble      = time.Second      // how long silence is waited for
	probesInVain   = 20               // then the unit is left in peace
	peace          = 10 * time.Second // longer than any reply is late; common practice, no source
	bufferSize     = 2 * modbus.MaxFrame
)

// Events are called as things happen, by the goroutine that calls Read. Nil ones are not called.
type Events struct {
	Sent      func(unit uint8)                   // a request went out, probes included
	Reply     func(unit uint8)                   // a good reply came, to a probe included
	Exception func(unit uint8, code modbus.Code) // the unit refused
	Failed    func(unit uint8, err error)        // one of the Err values: no good reply
	Echo      func(unit uint8)                   // our own request came back and was thrown away
	Stray     func(n int)                        // n bytes that nobody asked for were thrown away
}

// Options are what a Master needs of its line.
type Options struct {
	Mode         serialport.Mode
	Timeout      time.Duration     // from the end of a request to the first byte of its reply; 0: DefaultTimeout
	LongestReply int               // bytes of the longest reply on this line; 0: modbus.MaxFrame
	Now          func() si.Instant // the clock of the samples
	Events       Events
}

// A Master asks the units of one line. It belongs to one goroutine.
type Master struct {
	port    serialport.Port
	opts    Options
	t35     time.Duration
	longest time.Duration // how long the longest reply takes
	doubt   [modbus.MaxUnit + 1]doubt
	request [modbus.RequestSize]byte
	buf     [bufferSize]byte
	n       int // bytes in buf
}

// doubt is what is known of a unit that left a request without a whole reply.
type doubt struct {
	open   bool
	late   bool      // a reply turned up that nobody waited for
	probes int       // in vain since it was opened
	since  time.Time // the last request, or the last late reply
	fn     byte      // of the last request
	size   int       // bytes of its reply
}

func (d doubt) needsPeace() bool { return d.late || d.probes >= probesInVain }

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
	m := &Master{port: port, opts: opts, t35: modbus.SilentInterval(opts.Mode.Baud)}
	m.longest = m.frameTime(opts.LongestReply) + m.t35
	return m
}

// Reopened gives the master another port for the same line. What is doubted of the units stays so.
func (m *Master) Reopened(port serialport.Port) { m.port = port }

func (m *Master) frameTime(n int) time.Duration {
	return modbus.FrameTime(n, m.opts.Mode.Baud, m.opts.Mode.Bits())
}

// Read asks unit for count registers (or discrete inputs, function 02) from addr on. It takes at most the time of
// two requests with their timeouts, and of waiting for silence on a line that has none. Errors are
// *modbus.ExceptionError or wrap one of the Err values; after ErrPort the port is of no more use.
func (m *Master) Read(unit uint8, fn modbus.Function, addr uint16, count int) (Reply, error) {
	if unit < modbus.MinUnit || unit > modbus.MaxUnit {
		panic("rtu: unit outside 1 to 247")
	}
	r, err := m.read(unit, fn, addr, count)
	if err != nil {
		return Reply{}, fmt.Errorf("unit %d, function %02d, address %d, count %d: %w", unit, uint8(fn), addr, count, err)
	}
	return r, nil
}

func (m *Master) read(unit uint8, fn modbus.Function, addr uint16, count int) (Reply, error) {
	d := &m.doubt[unit]
	switch {
	case !d.open:
	case d.needsPeace():
		if time.Since(d.since) < peace {
			return Reply{}, ErrResting
		}
		d.late, d.probes = false, 0
	default:
		if err := m.probe(unit, fn, addr, count); err != nil {
			return Reply{}, err
		}
	}
	return m.exchange(unit, fn, addr, count, false)
}

// probe asks with a count whose reply has another length. An exception is as good an answer as any.
func (m *Master) probe(unit uint8, fn modbus.Function, addr uint16, count int) error {
	step := 1
	if fn == modbus.ReadDiscreteInputs {
		step = 8 // inputs come eight to a byte
	}
	other := count - step
	if other < 1 {
		other = count + step
	}
	if int(addr)+other > 1<<16 {
		addr -= uint16(step)
	}
	_, err := m.exchange(unit, fn, addr, other, true)
	var refused *modbus.ExceptionError
	if err == nil || errors.As(err, &refused) {
		return nil
	}
	if d := &m.doubt[unit]; d.open && !errors.Is(err, ErrPort) {
		d.probes++
	}
	return fmt.Errorf("probe with count %d: %w", other, err)
}

// exchange sends one request and waits for its reply.
func (m *Master) exchange(unit uint8, fn modbus.Function, addr uint16, count int, probing bool) (Reply, error) {
	m.n = 0
	if err := m.drain(m.t35); err != nil {
		return Reply{}, m.failed(unit, err)
	}
	m.unasked(m.buf[:m.n], unit)
	d := &m.doubt[unit]
	if d.late {
		return Reply{}, m.failed(unit, ErrLate)
	}
	want := modbus.ReplySize(fn, count)
	d.open, d.since, d.fn, d.size = true, time.Now(), byte(fn), want // until a whole reply has come
	request := modbus.AppendReadRequest(m.request[:0], unit, fn, addr, count)
	if _, err := m.port.Write(request); err != nil {
		return Reply{}, m.failed(unit, fmt.Errorf("%w: %w", ErrPort, err))
	}
	if m.opts.Events.Sent != nil {
		m.opts.Events.Sent(unit)
	}
	m.n = 0
	f, at, err := m.receive(request, want, d.since)
	switch {
	case err == nil:
		m.unasked(m.buf[f.echo:f.from], unit)
		if d.late && !(probing && d.probes == 0) {
			return Reply{}, m.failed(unit, ErrLate)
		}
		*d = doubt{} // what was passed over in front of the first probe's reply was the missing one
		data, err := modbus.ParseReadReply(m.buf[f.from:f.to], unit, fn, count)
		return m.answered(unit, Reply{Data: data, At: at}, err)
	case errors.Is(err, ErrPort):
		return Reply{}, m.failed(unit, err)
	}
	return Reply{}, m.failed(unit, m.settle(unit, probing, f.echo, err))
}

// settle lets the line come to rest after a request without a good reply, and looks whether the reply turns up.
func (m *Master) settle(unit uint8, probing bool, echo int, err error) error {
	if err := m.port.Purge(); err != nil {
		return fmt.Errorf("%w: %w", ErrPort, err)
	}
	if rest := m.drain(m.longest); errors.Is(rest, ErrPort) {
		return rest
	}
	own := m.unasked(m.buf[min(echo, m.n):m.n], unit)
	switch {
	case errors.Is(err, ErrDamaged) && own == 0 && !probing:
		m.doubt[unit] = doubt{} // the reply did come, spoilt
	case own > 0 && !errors.Is(err, ErrExtra):
		return ErrLate
	}
	return err
}

// unasked looks through bytes that nobody waits for, for whole replies. Where one is the only reply that its unit
// owes, it is paid and the doubt ends. Any other puts its unit under doubt that only peace ends. It gives how many
// there were of unit.
func (m *Master) unasked(buf []byte, unit uint8) (own int) {
	if len(buf) > 0 && m.opts.Events.Stray != nil {
		m.opts.Events.Stray(len(buf))
	}
	for {
		var frame []byte
		if frame, buf = nextFrame(buf); frame == nil {
			return own
		}
		if frame[0] == unit {
			own++
		}
		d := &m.doubt[frame[0]]
		asked := frame[1] == d.fn && len(frame) == d.size || frame[1] == d.fn|0x80
		if d.open && !d.late && d.probes == 0 && asked {
			*d = doubt{}
			continue
		}
		d.open, d.late, d.since = true, true, time.Now()
	}
}

// answered reports a whole frame that passed scan: data, or an exception.
func (m *Master) answered(unit uint8, r Reply, err error) (Reply, error) {
	var refused *modbus.ExceptionError
	switch {
	case err == nil:
		if m.opts.Events.Reply != nil {
			m.opts.Events.Reply(unit)
		}
		return r, nil
	case errors.As(err, &refused):
		if m.opts.Events.Exception != nil {
			m.opts.Events.Exception(unit, refused.Code)
		}
		return Reply{}, err
	}
	return Reply{}, m.failed(unit, fmt.Errorf("%w: %w", ErrCut, err))
}

func (m *Master) failed(unit uint8, err error) error {
	if m.opts.Events.Failed != nil {
		m.opts.Events.Failed(unit, err)
	}
	return err
}

// receive reads into buf until the reply to request, want bytes long, is whole or its time is over.
// Time is reckoned from before the request was sent: if this program is stopped at any moment after that, the reply
// it then finds is too late.
func (m *Master) receive(request []byte, want int, sent time.Time) (f found, at si.Instant, err error) {
	deadline := sent.Add(m.frameTime(len(request)) + m.opts.Timeout + m.frameTime(want))
	wait, spoilt := time.Duration(0), false
	for m.n < len(m.buf) {
		if wait = time.Until(deadline); spoilt {
			wait = m.t35 // a damaged reply may be the head of something longer: then more follows at once
		}
		if wait <= 0 {
			break
		}
		got, err := m.port.Read(m.buf[m.n:], wait)
		if err != nil {
			return f, 0, fmt.Errorf("%w: %w", ErrPort, err)
		}
		if got == 0 && spoilt {
			return f, 0, ErrDamaged
		}
		if got == 0 {
			continue // the deadline decides
		}
		at = m.opts.Now()
		m.n += got
		if time.Now().After(deadline) {
			break // this program was held up: who knows how long the bytes have been waiting
		}
		before := f.echo
		f = scan(m.buf[:m.n], request, want)
		if f.echo > before && m.opts.Events.Echo != nil {
			m.opts.Events.Echo(request[0])
		}
		switch f.verdict {
		case whole:
			return f, at, nil
		case followed:
			return f, 0, ErrExtra
		}
		spoilt = f.verdict == damaged
	}
	if m.n > f.echo {
		return f, 0, ErrCut
	}
	return f, 0, ErrTimeout
}

// drain listens until the line has been silent for quiet. What comes is added to buf; when buf is full its older half
// is dropped.
func (m *Master) drain(quiet time.Duration) error {
	for start := time.Now(); ; {
		if m.n == len(m.buf) {
			m.n = copy(m.buf[:], m.buf[len(m.buf)/2:])
		}
		n, err := m.port.Read(m.buf[m.n:], quiet)
		if err != nil {
			return fmt.Errorf("%w: %w", ErrPort, err)
		}
		if n == 0 {
			return nil
		}
		m.n += n
		if time.Since(start) > maxBabble {
			return ErrBabble
		}
	}
}
