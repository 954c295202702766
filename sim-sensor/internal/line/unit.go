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

// SetFloat stores the value of a float channel, or of a text.
func (c *Cell) SetFloat(v float32) { c.bits.Store(math.Float32bits(v)) }

// SetInt stores the value of an integer channel; of a narrow one its low 16 bits.
func (c *Cell) SetInt(v int32) { c.bits.Store(uint32(v)) }

// SetSwitch stores the position of a switch.
func (c *Cell) SetSwitch(on bool) {
	bit := uint32(0)
	if on {
		bit = 1
	}
	c.bits.Store(bit)
}

// SetSilent says whether the device behind the channel has stopped answering. A unit whose channels are all silent
// does not answer.
func (c *Cell) SetSilent(s bool) { c.silent.Store(s) }

func (c *Cell) float() float64 { return float64(math.Float32frombits(c.bits.Load())) }

// An Encoding says how a channel stands in registers: the sum of what applies.
type Encoding uint8

// The parts of an encoding.
const (
	Narrow   Encoding = 0      // one register
	Wide     Encoding = 1 << 0 // two registers, the one with the high half first
	LowFirst Encoding = 1 << 1 // of a wide one: the register with the low half first
	Swapped  Encoding = 1 << 2 // inside a register, the low byte first
)

func (e Encoding) size() int {
	if e&Wide == 0 {
		return 1
	}
	return 2
}

// words are the registers of a value; a narrow one has the first.
func (e Encoding) words(bits uint32) (w [2]uint16) {
	w = [2]uint16{uint16(bits >> 16), uint16(bits)}
	if e&Wide == 0 || e&LowFirst != 0 {
		w[0], w[1] = w[1], w[0]
	}
	if e&Swapped != 0 {
		w[0], w[1] = w[0]<<8|w[0]>>8, w[1]<<8|w[1]>>8
	}
	return w
}

// A Channel is a cell in a unit's map.
type Channel struct {
	Address  uint16 // of its first register, or of the switch, as on the wire, from 0
	Encoding Encoding
	Cell     *Cell
}

// A Unit is one Modbus slave. It has registers, holding and input ones the same, or switches, coils and discrete
// inputs the same.
type Unit struct {
	id       uint8
	switches bool
	channels []Channel // by address
}

// NewUnit is the slave of an address 1 to 247 with the channels given, whose registers must not overlap.
func NewUnit(id uint8, channels []Channel) (*Unit, error) {
	return newUnit(&Unit{id: id}, channels)
}

// NewSwitches is the slave of an address 1 to 247 whose channels are switches, each of its own address.
func NewSwitches(id uint8, channels []Channel) (*Unit, error) {
	return newUnit(&Unit{id: id, switches: true}, channels)
}

func newUnit(u *Unit, channels []Channel) (*Unit, error) {
	if u.id < modbus.MinUnit || u.id > modbus.MaxUnit {
		return nil, fmt.Errorf("unit %d: an address lies between %d and %d", u.id, modbus.MinUnit, modbus.MaxUnit)
	}
	u.channels = slices.Clone(channels)
	slices.SortFunc(u.channels, func(a, b Channel) int { return int(a.Address) - int(b.Address) })
	next := 0
	for i := range u.channels {
		c := &u.channels[i]
		if u.switches {
			c.Encoding = Narrow
		}
		if int(c.Address) < next {
			return nil, fmt.Errorf("unit %d: two channels want address %d", u.id, c.Address)
		}
		if next = int(c.Address) + c.Encoding.size(); next > 1<<16 {
			return nil, fmt.Errorf("unit %d: register %d is past the last", u.id, next-1)
		}
	}
	return u, nil
}

func (u *Unit) silent() bool {
	for _, c := range u.channels {
		if !c.Cell.silent.Load() {
			return false
		}
	}
	return len(u.channels) > 0
}

// read appends count registers or switches from addr; ok is false when one of them does not exist.
func (u *Unit) read(dst []uint16, addr uint16, count int) (words []uint16, ok bool) {
	next, end := int(addr), int(addr)+count
	for _, c := range u.channels {
		first, past := int(c.Address), int(c.Address)+c.Encoding.size()
		if past <= next || first >= end {
			continue
		}
		if first > next {
			return dst, false
		}
		words := c.Encoding.words(c.Cell.bits.Load()) // once, so that a value is never torn between two updates
		for ; next < min(past, end); next++ {
			dst = append(dst, words[next-first])
		}
	}
	return dst, next == end
}
