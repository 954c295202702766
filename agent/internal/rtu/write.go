package rtu

import (
	"errors"
	"fmt"
	"time"

	"gritwatch/protocol/modbus"
)

// Write writes one coil or register. Nil means that the unit has repeated the write, and that it cannot have been an
// older one's reply. That is what the unit says of itself: whether the output does what it should, only reading tells.
// Errors are those of Read; after any of them the write may or may not have been done. Where until is not zero, the
// write is not sent after it (ErrHeld): what was decided before a program was stopped must not be done when it goes on.
//
// A write is sent to a unit that is left in peace, too: to switch something off must always be possible, and its reply
// cannot be taken for a value. On a line of which no read has told yet whether it echoes, the echo would be taken for
// the reply: read first.
func (m *Master) Write(timeout time.Duration, w modbus.Write, until time.Time) error {
	if w.Unit < modbus.MinUnit || w.Unit > modbus.MaxUnit {
		panic("rtu: unit outside 1 to 247")
	}
	if err := m.write(timeout, w, until); err != nil {
		return fmt.Errorf("unit %d, function %02d, address %d, value %04Xh: %w", w.Unit, uint8(w.Function), w.Address, w.Value, err)
	}
	return nil
}

func (m *Master) write(timeout time.Duration, w modbus.Write, until time.Time) error {
	u := &m.units[w.Unit]
	if err := m.listen(u); err != nil && !errors.Is(err, ErrLate) {
		return m.failed(w.Unit, err)
	}
	request := modbus.AppendWrite(m.request[:0], w)
	sent := time.Now()
	if !until.IsZero() && sent.After(until) {
		return ErrHeld
	}
	if sent.Sub(u.write) > peace {
		u.wrote = 0
	}
	u.wrote++
	u.write = sent
	if _, err := m.port.Write(request); err != nil {
		return m.failed(w.Unit, fmt.Errorf("%w: %w", ErrPort, err))
	}
	m.busy = sent.Add(m.frameTime(len(request)))
	if m.opts.Events.Sent != nil {
		m.opts.Events.Sent(w.Unit)
	}
	m.n = 0
	echoes := m.echoes
	f, at, err := m.receive(request, modbus.WriteSize, sent, timeout, func(b []byte) found { return scanWrite(b, request, echoes) })
	switch {
	case errors.Is(err, ErrPort):
		return m.failed(w.Unit, err)
	case err != nil:
		return m.failed(w.Unit, m.settleWrite(u, f.echo, err))
	}
	m.unasked(m.buf[f.echo:f.from], u)
	reply := m.buf[f.from:f.to]
	u.came(reply)
	var refused *modbus.ExceptionError
	switch err := modbus.ParseWriteReply(reply, w); {
	case errors.As(err, &refused):
		_, err = m.answered(w.Unit, Reply{At: at}, err)
		return err
	case err != nil:
		return m.failed(w.Unit, fmt.Errorf("%w: %w", ErrLate, err)) // it repeats an older write
	case u.wrote > 0:
		return m.failed(w.Unit, fmt.Errorf("%w: the reply may be to an older write", ErrLate))
	}
	m.replied(w.Unit)
	return nil
}

// settleWrite lets the line come to rest after a write without a good reply.
func (m *Master) settleWrite(u *unit, echo int, err error) error {
	if err := m.port.Purge(); err != nil {
		return fmt.Errorf("%w: %w", ErrPort, err)
	}
	if rest := m.drain(m.longest, m.longest); errors.Is(rest, ErrPort) {
		return rest
	}
	own := m.unasked(m.buf[min(echo, m.n):m.n], u)
	switch {
	case errors.Is(err, ErrDamaged) && own == 0:
		u.wrote = max(0, u.wrote-1) // the reply did come, spoilt
	case own > 0 && !errors.Is(err, ErrExtra):
		return ErrLate
	}
	return err
}
