package sparkplug

//go:generate go tool -modfile=tools.mod buf generate

import (
	"math"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// A Type is the code of a metric's data type.
type Type uint32

// The data types that the project writes or reads; others keep their code.
const (
	Unknown  Type = 0
	Int8     Type = 1
	Int16    Type = 2
	Int32    Type = 3
	Int64    Type = 4
	UInt8    Type = 5
	UInt16   Type = 6
	UInt32   Type = 7
	UInt64   Type = 8
	Float    Type = 9
	Double   Type = 10
	Boolean  Type = 11
	String   Type = 12
	DateTime Type = 13
	Text     Type = 14
	lastType Type = 34
)

// Holds tells whether a value is written as this type has it. UInt32 holds none here, as peers disagree on its member of the
// payload; on reading both do.
func (t Type) Holds(v Value) bool {
	m := v.member
	switch t {
	case Int8, Int16, Int32, UInt8, UInt16:
		return m == intMember
	case Int64, UInt64, DateTime:
		return m == longMember
	case Float:
		return m == floatMember
	case Double:
		return m == doubleMember
	case Boolean:
		return m == boolMember
	case String, Text:
		return m == textMember
	}
	return false
}

func (t Type) signed() bool { return t >= Int8 && t <= Int64 }

type member uint8 // of the oneof that holds a value

const (
	noMember member = iota
	intMember
	longMember
	floatMember
	doubleMember
	boolMember
	textMember
)

// A Value is a scalar of a metric. The zero value is none.
type Value struct {
	member member
	bits   uint64 // integers, bool as 0 or 1, floats as their bits
	text   string
}

// FloatValue is a 32-bit float.
func FloatValue(v float32) Value {
	return Value{member: floatMember, bits: uint64(math.Float32bits(v))}
}

// UintValue is a 64-bit unsigned integer.
func UintValue(v uint64) Value { return Value{member: longMember, bits: v} }

// BoolValue is a boolean.
func BoolValue(v bool) Value {
	if v {
		return Value{member: boolMember, bits: 1}
	}
	return Value{member: boolMember}
}

// TextValue is a string.
func TextValue(v string) Value { return Value{member: textMember, text: v} }

// IsNone tells that there is no value, or one of a kind that the project does not read.
func (v Value) IsNone() bool { return v.member == noMember }

// Float is a number with or without a fraction; false for other kinds.
func (v Value) Float() (float64, bool) {
	switch v.member {
	case floatMember:
		return float64(math.Float32frombits(uint32(v.bits))), true
	case doubleMember:
		return math.Float64frombits(v.bits), true
	case intMember, longMember:
		return float64(v.bits), true
	}
	return 0, false
}

// Uint is an integer as the wire has it, unsigned; false for other kinds.
func (v Value) Uint() (uint64, bool) {
	return v.bits, v.member == intMember || v.member == longMember
}

// Bool is a boolean; false, false for other kinds.
func (v Value) Bool() (value, ok bool) { return v.bits == 1, v.member == boolMember }

// Text is a string; false for other kinds.
func (v Value) Text() (string, bool) { return v.text, v.member == textMember }

// A Metric is one value of one named variable. Quality, on reading, is Good where the property is absent; a metric
// made as a literal must set it, or it goes out as stale.
type Metric struct {
	Name       string     // on reading data, empty where an alias stands for it; see Aliases
	Alias      uint64     // a number in the name's place; only where Aliased
	At         si.Instant // of capture; 0: absent
	Value      Value
	Type       Type // written in births and commands alone; on reading 0 where absent
	Aliased    bool // births carry name and alias, data and commands then the alias alone
	Null       bool // there is no value
	Historical bool // late: to be stored, never to move the live value
	Quality    points.Quality
	Unit       string // property engUnit; written in births alone
}

// Bool is a good boolean metric.
func Bool(name string, at si.Instant, v bool) Metric {
	return Metric{Name: name, Type: Boolean, At: at, Value: BoolValue(v), Quality: points.Good}
}

// Uint is a good metric of type UInt64.
func Uint(name string, at si.Instant, v uint64) Metric {
	return Metric{Name: name, Type: UInt64, At: at, Value: UintValue(v), Quality: points.Good}
}

// Str is a good metric of type String.
func Str(name string, at si.Instant, v string) Metric {
	return Metric{Name: name, Type: String, At: at, Value: TextValue(v), Quality: points.Good}
}

// BdSeq is the metric that ties an NBIRTH to the will of its connection (Int64, as the standard's MUST has it).
func BdSeq(at si.Instant, n uint8) Metric {
	return Metric{Name: points.MetricBdSeq, Type: Int64, At: at, Value: UintValue(uint64(n)), Quality: points.Good}
}

// OfSample is the metric of a reading. electric: the pot's handle is a switch, and Control a discrete input.
// No reply is null with quality 500; out of range keeps its value with quality 0, null where that is not a number.
func OfSample(s points.Sample, electric bool) Metric {
	m := Metric{Name: s.Point.Metric(), Type: Float, At: s.At, Quality: s.Quality, Unit: "Pa"}
	if electric && s.Point == points.Control {
		m.Name, m.Type, m.Unit = points.MetricControlPressed, Boolean, ""
		m.Value = BoolValue(s.Pressed)
	} else if v := float32(s.Value); finite(float64(v)) {
		m.Value = FloatValue(v)
	} else {
		m.Null = true
		if s.Quality == points.Good {
			m.Quality = points.OutOfRange
		}
	}
	if s.Quality == points.NoReply {
		m.Null = true
	}
	if m.Null {
		m.Value = Value{}
	}
	return m
}

// Sample is the reading that a metric carries; false for metrics that are none. A reading is Good only with a
// finite value, the property's quality good and no null; one that is OutOfRange without a number has Value 0,
// which means nothing.
func (m Metric) Sample() (points.Sample, bool) {
	s := points.Sample{At: m.At, Quality: m.Quality}
	if m.Name == points.MetricControlPressed {
		s.Point = points.Control
		pressed, ok := m.Value.Bool()
		s.Pressed = pressed && ok && !m.Null
		s.Quality = lowered(s.Quality, ok && !m.Null)
		return s, true
	}
	p, ok := points.FromMetric(m.Name)
	if !ok {
		return s, false
	}
	s.Point = p
	v, ok := m.number()
	if ok && !finite(v) {
		// A number beyond all numbers came from a transducer that did answer.
		v, s.Quality = 0, points.OutOfRange
	}
	s.Quality = lowered(s.Quality, ok && !m.Null)
	if ok && !m.Null {
		s.Value = si.GaugePressure(v)
	}
	return s, true
}

// number is the value as a number with or without a fraction, signed where the type is.
func (m Metric) number() (float64, bool) {
	v := m.Value
	if v.member == intMember || v.member == longMember {
		// Negative numbers stand in two's complement in fields without a sign; peers differ in how far they carry the sign.
		switch m.Type {
		case Int8:
			return float64(int8(v.bits)), true
		case Int16:
			return float64(int16(v.bits)), true
		case Int32:
			return float64(int32(v.bits)), true
		case Int64:
			return float64(int64(v.bits)), true
		}
	}
	return v.Float()
}

// lowered is the quality of a reading with or without a value: without one it is never good.
func lowered(q points.Quality, value bool) points.Quality {
	if !value && q == points.Good {
		return points.NoReply
	}
	return q
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
