package probe

import (
	"context"
	"errors"
	"slices"

	"gritwatch/agent/internal/rtu"
	"gritwatch/protocol/modbus"
)

// How registers are read: in blocks, which are halved where the unit refuses one. A unit that gives no reply to so
// many requests in a row is left alone.
const (
	blockSize   = 32
	giveUpAfter = 4
)

// A Reader asks a unit; a *rtu.Master is one.
type Reader interface {
	Read(unit uint8, fn modbus.Function, addr uint16, count int) (rtu.Reply, error)
}

// A Map is what a range of a unit holds.
type Map struct {
	Range
	Values   []Value             // of the addresses that answered, rising
	Refused  map[modbus.Code]int // addresses by the exception they gave
	NoReply  int                 // addresses without a whole reply
	GaveUp   error               // why the rest was not asked; nil: all was
	Requests int
}

// A Value is one register or input.
type Value struct {
	Address  int
	Register uint16 // an input or coil: 0 or 1
	Pair     bool   // Next is good
	Next     uint16 // the register behind it, of the same reply: of one moment
}

// ReadMap reads a range of one unit. The end of ctx ends it within one request, with what was read.
func ReadMap(ctx context.Context, r Reader, unit uint8, rg Range, progress func(addr int)) Map {
	m := &mapper{reader: r, unit: unit, progress: progress, out: Map{Range: rg, Refused: make(map[modbus.Code]int)}, refused: make(map[int]modbus.Code)}
	for lo := rg.First; lo <= rg.Last; lo += blockSize {
		m.block(ctx, lo, min(lo+blockSize-1, rg.Last))
	}
	slices.SortFunc(m.out.Values, func(a, b Value) int { return a.Address - b.Address })
	if m.words() {
		m.pairs(ctx)
	}
	for _, code := range m.refused {
		m.out.Refused[code]++
	}
	return m.out
}

// A mapper is at work on one range.
type mapper struct {
	reader   Reader
	unit     uint8
	progress func(int)
	out      Map
	refused  map[int]modbus.Code // by address
	failed   int                 // requests in a row without a whole reply
}

func (m *mapper) words() bool {
	return m.out.Function == modbus.ReadInputRegisters || m.out.Function == modbus.ReadHoldingRegisters
}

// read asks, a second time where the line spoilt or swallowed the first.
func (m *mapper) read(ctx context.Context, lo, count int) (modbus.Data, error) {
	var last error
	for range 2 {
		if err := ctx.Err(); err != nil {
			m.out.GaveUp = err
			return nil, err
		}
		m.out.Requests++
		reply, err := m.reader.Read(m.unit, m.out.Function, uint16(lo), count)
		var refused *modbus.ExceptionError
		switch {
		case err == nil, errors.As(err, &refused):
			m.failed = 0
			return reply.Data, err
		case errors.Is(err, rtu.ErrPort):
			m.out.GaveUp = err
			return nil, err
		}
		last = err
		if m.failed++; m.failed >= giveUpAfter {
			m.out.GaveUp = err
			return nil, err
		}
	}
	return nil, last
}

// block reads the addresses lo to hi, in halves where they are refused together.
func (m *mapper) block(ctx context.Context, lo, hi int) {
	if m.out.GaveUp != nil {
		return
	}
	m.progress(lo)
	data, err := m.read(ctx, lo, hi-lo+1)
	var refused *modbus.ExceptionError
	switch {
	case err == nil:
		m.keep(data, lo, hi)
	case errors.As(err, &refused) && refused.Code == modbus.IllegalFunction:
		m.out.GaveUp = err
	case m.out.GaveUp != nil:
	case hi > lo:
		mid := (lo + hi) / 2
		m.block(ctx, lo, mid)
		m.block(ctx, mid+1, hi)
	case refused != nil:
		m.refused[lo] = refused.Code
	default:
		m.out.NoReply++
	}
}

// keep takes the values of a reply.
func (m *mapper) keep(data modbus.Data, lo, hi int) {
	for a := lo; a <= hi; a++ {
		v := Value{Address: a}
		switch {
		case m.words():
			v.Register = data.Register(a - lo)
			if v.Pair = a < hi; v.Pair {
				v.Next = data.Register(a - lo + 1)
			}
		case data.Input(a - lo):
			v.Register = 1
		}
		m.out.Values = append(m.out.Values, v)
	}
}

// pairs asks for two registers at once where a block's end parted them, and where each alone was refused: some units
// give the halves of a value only together.
func (m *mapper) pairs(ctx context.Context) {
	for i := range m.out.Values {
		v := &m.out.Values[i]
		if v.Pair || i+1 == len(m.out.Values) || m.out.Values[i+1].Address != v.Address+1 || m.out.GaveUp != nil {
			continue
		}
		if data, err := m.read(ctx, v.Address, 2); err == nil {
			v.Register, v.Pair, v.Next = data.Register(0), true, data.Register(1)
		}
	}
	before := len(m.out.Values)
	for a := m.out.First; a < m.out.Last && m.out.GaveUp == nil; a++ {
		_, first := m.refused[a]
		_, second := m.refused[a+1]
		if !first || !second {
			continue
		}
		m.progress(a)
		if data, err := m.read(ctx, a, 2); err == nil {
			m.keep(data, a, a+1)
			delete(m.refused, a)
			delete(m.refused, a+1)
		}
	}
	if len(m.out.Values) > before {
		slices.SortFunc(m.out.Values, func(a, b Value) int { return a.Address - b.Address })
	}
}
