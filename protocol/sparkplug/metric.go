// Package sparkplug reads and writes the payloads and topics of Sparkplug B 3.0 (ISO/IEC 20237:2023), as far as
// the project speaks it: scalar metrics by name, no aliases, data sets or templates (which are skipped on reading).
//
// Times on the wire are whole milliseconds; instants are cut to them. Reading is bounded in memory by the payload.
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
	Name       string
	Type       Type       // written in births alone; on reading 0 where absent
	At         si.Instant // of capture; 0: absent
	Value      Value
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
	v, ok := m.Value.Float()
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

// lowered is the quality of a reading with or without a value: without one it is never good.
func lowered(q points.Quality, value bool) points.Quality {
	if !value && q == points.Good {
		return points.NoReply
	}
	return q
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
