package line

import (
	"fmt"
	"math"
	"slices"
	"sync/atomic"

	"gritwatch/protocol/modbus"
)

// A Cell holds the value of one measuring channel. The simulation writes it and a line reads it, at the same time.
type Cell struct {
	bits   atomic.Uint32
	silent atomic.Bool
}

// SetFloat stores the value of a float channel.
func (c *Cell) SetFloat(v float32) { c.bits.Store(math.Float32bits(v)) }

// SetInt stores the value of an integer channel.
func (c *Cell) SetInt(v int16) { c.bits.Store(uint32(uint16(v))) }

// SetSilent says whether the device behind the channel has stopped answering. A unit whose channels are all silent
// does not answer.
func (c *Cell) SetSilent(s bool) { c.silent.Store(s) }

// An Encoding says how a channel stands in registers.
type Encoding uint8

// The encodings.
const (
	Int16          Encoding = iota // one register, two's complement
	FloatHighFirst                 // two registers, the one with sign and exponent first
	FloatLowFirst                  // two registers, the one with sign and exponent second
)

func (e Encoding) size() int {
	if e == Int16 {
		return 1
	}
	return 2
}

// A Channel is a cell in a unit's register map.
type Channel struct {
	Address  uint16 // of its first register, as on the wire, from 0
	Encoding Encoding
	Cell     *Cell
}

// A Unit is one Modbus slave. Holding and input registers are the same map.
type Unit struct {
	id       uint8
	channels []Channel // by address
}

// NewUnit is the slave of an address 1 to 247 with the channels given, whose registers must not overlap.
func NewUnit(id uint8, channels []Channel) (*Unit, error) {
	if id < modbus.MinUnit || id > modbus.MaxUnit {
		return nil, fmt.Errorf("unit %d: an address lies between %d and %d", id, modbus.MinUnit, modbus.MaxUnit)
	}
	sorted := slices.Clone(channels)
	slices.SortFunc(sorted, func(a, b Channel) int { return int(a.Address) - int(b.Address) })
	next := 0
	for _, c := range sorted {
		if int(c.Address) < next {
			return nil, fmt.Errorf("unit %d: two channels want register %d", id, c.Address)
		}
		if next = int(c.Address) + c.Encoding.size(); next > 1<<16 {
			return nil, fmt.Errorf("unit %d: register %d is past the last", id, next-1)
		}
	}
	return &Unit{id: id, channels: sorted}, nil
}

func (u *Unit) silent() bool {
	for _, c := range u.channels {
		if !c.Cell.silent.Load() {
			return false
		}
	}
	return len(u.channels) > 0
}

// read appends count registers from addr; ok is false when one of them does not exist.
func (u *Unit) read(dst []uint16, addr uint16, count int) (registers []uint16, ok bool) {
	next, end := int(addr), int(addr)+count
	for _, c := range u.channels {
		first, past := int(c.Address), int(c.Address)+c.Encoding.size()
		if past <= next || first >= end {
			continue
		}
		if first > next {
			return dst, false
		}
		bits := c.Cell.bits.Load() // once, so that a value is never torn between two updates
		words := [2]uint16{uint16(bits >> 16), uint16(bits)}
		switch c.Encoding {
		case Int16:
			words[0] = uint16(bits)
		case FloatLowFirst:
			words[0], words[1] = words[1], words[0]
		}
		for ; next < min(past, end); next++ {
			dst = append(dst, words[next-first])
		}
	}
	return dst, next == end
}
