package scenario

import (
	"math"

	"gritwatch/sim-sensor/internal/line"
)

// A Type is the form in which a unit offers a value.
type Type uint8

// The types. Float32 is the one of a transmitter that says nothing else.
const (
	Float32 Type = iota
	Int16
	Uint16
	Int32
	Switch // one bit
)

var typeNames = [...]string{"float32", "int16", "uint16", "int32", "switch"}

// String is the type's name in files.
func (t Type) String() string { return typeNames[t] }

// wide tells whether a value takes two registers.
func (t Type) wide() bool { return t == Float32 || t == Int32 }

// limits are the least and the greatest whole number of the type.
func (t Type) limits() (lo, hi float64) {
	switch t {
	case Uint16:
		return 0, math.MaxUint16
	case Int32:
		return math.MinInt32, math.MaxInt32
	}
	return math.MinInt16, math.MaxInt16
}

// whole is v as the type shows it: rounded, and no further than it reaches. What is not a number shows as the type's
// far end: 8000h, 80000000h, or FFFFh where there is no sign.
func (t Type) whole(v float64) float64 {
	lo, hi := t.limits()
	if math.IsNaN(v) {
		if t == Uint16 {
			return hi
		}
		return lo
	}
	return min(hi, max(lo, math.Round(v))) + 0
}

// encoding is how the channel stands in registers.
func (c *Channel) encoding() line.Encoding {
	e := line.Narrow
	if c.Type.wide() {
		e |= line.Wide
	}
	if c.LowFirst {
		e |= line.LowFirst
	}
	if c.Swapped {
		e |= line.Swapped
	}
	return e
}
