// Package poll reads the points of one serial line again and again: a plan of few requests, a schedule that does not
// drift, and readings in engineering units with a quality. Nothing is clamped, and a point without an answer gives a
// sample without a value, never silence.
package poll

import (
	"cmp"
	"slices"
	"time"

	"gritwatch/agent/internal/config"
	"gritwatch/protocol/modbus"
	"gritwatch/protocol/points"
)

// A Plan is the requests of one period, in the order in which they are sent.
type Plan struct {
	Requests     []Request
	LongestReply int // bytes
}

// A Request reads neighbouring registers (or coils, or discrete inputs) of one unit.
type Request struct {
	Unit     uint8
	Function modbus.Function
	Address  uint16
	Count    int // registers; functions 01 and 02: bits
	Fields   []Field
}

// A Field is one point's value in a reply.
type Field struct {
	Pot      string
	Point    points.Point
	Offset   int // registers or bits from the request's address
	Type     config.Type
	LowFirst bool // as in config.Read, and so BytesLow and Inverse
	BytesLow bool
	Inverse  bool
	Scale    config.Scale
}

// NewPlan groups what touches on one unit and function into one request, as far as the function allows; a gap is
// never read, for a unit may refuse it. Requests with a vessel come first, then those with a control line, so that
// what the answer needs is read at the head of a period; else they come in the order of the file.
func NewPlan(b config.Bus) Plan {
	var p Plan
	for _, u := range b.Units {
		reads := slices.Clone(u.Read)
		slices.SortStableFunc(reads, func(a, b config.Read) int {
			return cmp.Or(cmp.Compare(a.Function, b.Function), cmp.Compare(a.Address, b.Address))
		})
		open := -1 // request that may grow
		for _, r := range reads {
			if open >= 0 {
				q := &p.Requests[open]
				if q.Function == r.Function && int(q.Address)+q.Count == int(r.Address) && q.Count+r.Type.Size() <= r.Function.MaxCount() {
					q.Fields = append(q.Fields, field(r, q.Count))
					q.Count += r.Type.Size()
					continue
				}
			}
			open = len(p.Requests)
			p.Requests = append(p.Requests, Request{Unit: u.Unit, Function: r.Function, Address: r.Address, Count: r.Type.Size(),
				Fields: []Field{field(r, 0)}})
		}
	}
	for _, q := range p.Requests {
		p.LongestReply = max(p.LongestReply, modbus.ReplySize(q.Function, q.Count))
	}
	if beacons(b) > 0 {
		p.LongestReply = max(p.LongestReply, modbus.WriteSize)
	}
	slices.SortStableFunc(p.Requests, func(a, b Request) int { return cmp.Compare(a.rank(), b.rank()) })
	return p
}

func field(r config.Read, offset int) Field {
	return Field{Pot: r.Pot, Point: r.Point, Offset: offset, Type: r.Type, LowFirst: r.LowFirst, BytesLow: r.BytesLow,
		Inverse: r.Inverse, Scale: r.Scale}
}

func (q Request) rank() int {
	var read points.Set
	for _, f := range q.Fields {
		read |= points.SetOf(f.Point)
	}
	return rank(read)
}

// rank orders what is read in a period: what the answer needs comes first.
func rank(read points.Set) int {
	switch {
	case read.Has(points.Vessel):
		return 0
	case read.Has(points.Control):
		return 1
	}
	return 2
}

// BusTime is how long the request keeps the line of b busy when its unit answers: silence, request, the silence by
// which the unit knows its end, the time it is allowed to think, and its reply.
func (q Request) BusTime(b config.Bus) time.Duration {
	chars := modbus.RequestSize + modbus.ReplySize(q.Function, q.Count)
	return 2*modbus.SilentInterval(b.Mode.Baud) + modbus.FrameTime(chars, b.Mode.Baud, b.Mode.Bits()) + b.Turnaround
}

// BusTime is how long all requests keep the line busy; a period must not be shorter.
func (p Plan) BusTime(b config.Bus) time.Duration {
	var sum time.Duration
	for _, q := range p.Requests {
		sum += q.BusTime(b)
	}
	return sum
}

// settling is how long a request without an answer keeps the line after its timeout.
func (p Plan) settling(b config.Bus) time.Duration {
	return modbus.FrameTime(p.LongestReply, b.Mode.Baud, b.Mode.Bits()) + modbus.SilentInterval(b.Mode.Baud)
}
