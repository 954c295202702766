// Package config reads agent.yaml: which registers of which units on which lines are which points of which pots.
// Reference is a file with every key. Everything that can be known to be wrong before a line is opened is refused
// here, with file, line, field and what to write instead.
package config

import (
	_ "embed"
	"math"
	"time"

	"gritwatch/agent/internal/serialport"
	"gritwatch/internal/brokerlink"
	"gritwatch/internal/potfile"
	"gritwatch/internal/vent"
	"gritwatch/protocol/modbus"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// Reference is an agent.yaml with every key, its comments the documentation of the format.
//
//go:embed reference.yaml
var Reference string

// Defaults of what may be left out.
const (
	DefaultFlush      = 500 * time.Millisecond
	DefaultTimeout    = 100 * time.Millisecond
	DefaultTurnaround = 5 * time.Millisecond // common practice, no source
	DefaultJournal    = "./journal"
	DefaultSize       = 512_000_000 // bytes
	DefaultAge        = 24 * time.Hour
	DefaultSync       = 5 * time.Second
)

// A Config is a whole agent.yaml.
type Config struct {
	Agent      string // the edge node's name
	Site       string // the group's name
	Broker     brokerlink.Settings
	Primary    string // id of the host without which nothing is published; empty: none
	Journal    Journal
	Flush      time.Duration
	Simulated  bool // the sources are simulated, and everything downstream says so
	Atmosphere potfile.Atmosphere
	Buses      []Bus
	Pots       []potfile.Pot
}

// A Journal is where readings are kept until the server has them for good, and how much of them.
type Journal struct {
	Path string        // folder, as written
	Size int64         // bytes on disk at most
	Age  time.Duration // of what is kept, in running time
	Sync time.Duration // between two syncs of the disk: the most that a cut of the power can lose
}

// A Bus is one serial line.
type Bus struct {
	Port       string
	Mode       serialport.Mode
	Period     time.Duration // every point of the line is read once in it
	Timeout    time.Duration // from the end of a request to the first byte of its reply
	Turnaround time.Duration // what a unit is allowed to think in the reckoning of the bus time
	Units      []Unit
	Text       []Text // gauges that speak lines of text; nil: Modbus RTU
}

// A Unit is one slave of a line.
type Unit struct {
	Unit    uint8 // 1 to 247
	Read    []Read
	Beacons []Beacon // outputs of it that light lamps at pots
}

// A Type is how a value stands in registers.
type Type uint8

// The types. Discrete is a switch: one coil or discrete input, as the function says.
const (
	Int16 Type = iota
	Uint16
	Int32
	Float32
	Discrete
)

var typeNames = [...]string{"int16", "uint16", "int32", "float32", "discrete"}

// String is the type as it stands in the file.
func (t Type) String() string { return typeNames[t] }

// Size is how many registers (or coils, or discrete inputs) a value takes.
func (t Type) Size() int {
	if t == Int32 || t == Float32 {
		return 2
	}
	return 1
}

// Counts are the least and the most that a type of whole numbers can say; both 0 for the others.
func (t Type) Counts() (lo, hi int64) {
	switch t {
	case Int16:
		return math.MinInt16, math.MaxInt16
	case Uint16:
		return 0, math.MaxUint16
	case Int32:
		return math.MinInt32, math.MaxInt32
	}
	return 0, 0
}

// A Read is one point's value on a unit.
type Read struct {
	Pot      string
	Point    points.Point
	Function modbus.Function
	Address  uint16 // as on the wire, counted from 0
	Type     Type
	LowFirst bool // Int32, Float32: the register with the low half comes first
	BytesLow bool // the low byte of each register comes first, which the standard does not have
	Inverse  bool // Discrete: 0 means pressed
	Scale    Scale
}

// A Scale turns a raw value into a pressure. Either PerUnit is set, and the value is in the transducer's own terms;
// or the value is a count of a 4-20 mA input, CountLo to CountHi standing for CurrentLo to CurrentHi, and 4 to 20 mA
// for Lo to Hi.
type Scale struct {
	PerUnit              float64 // Pa that 1 of the value stands for, unit and scale together; 0: counts
	CountLo, CountHi     int
	CurrentLo, CurrentHi si.Current
	Lo, Hi               si.GaugePressure // the transducer's range in its own terms; both 0: not known
	Kind                 vent.Kind
	Ambient              si.AbsPressure
}

// Current is the loop's current at a count.
func (s Scale) Current(count float64) si.Current {
	lo, hi := float64(s.CountLo), float64(s.CountHi) // apart: an int32's span is more than an int of 32 bits holds
	return s.CurrentLo + si.Current((count-lo)/(hi-lo)*float64(s.CurrentHi-s.CurrentLo))
}

// Gauge is a pressure in the transducer's own terms as a gauge pressure.
func (s Scale) Gauge(own si.GaugePressure) si.GaugePressure {
	switch s.Kind {
	case vent.KindAbsolute:
		return si.AbsPressure(own).Gauge(s.Ambient)
	case vent.KindSealed:
		return own.Absolute(si.StandardAtmosphere).Gauge(s.Ambient)
	}
	return own
}
