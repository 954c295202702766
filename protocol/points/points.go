// Package points names the measuring points of a pot, the segments between them, and one reading of a point.
//
// In the order of the air: supply (pot inlet, before the moisture separator), separator (its outlet), vessel,
// hose (blast-hose connection, after the mixing tee), nozzle (nozzle inlet). Control is the pneumatic line of
// the operator's handle, or a discrete input where the handle is a switch.
package points

import (
	"fmt"
	"strings"

	"gritwatch/protocol/si"
)

// A Point is one of the six measuring points of a pot.
type Point uint8

// The measuring points, in the order of the air; Control comes last.
const (
	Supply Point = iota
	Separator
	Vessel
	Hose
	Nozzle
	Control

	Count = 6 // how many there are

	// Path is how many of them the air passes, the first ones: all but the control.
	Path = int(Nozzle) + 1
)

var pointNames = [Count]string{"supply", "separator", "vessel", "hose", "nozzle", "control"}

// metricNames are the Sparkplug names of the pressures, by point.
var metricNames = [Count]string{"Pressure/Supply", "Pressure/Separator", "Pressure/Vessel",
	"Pressure/Hose", "Pressure/Nozzle", "Pressure/Control"}

// MetricControlPressed is the Sparkplug name of the discrete input of an electric handle.
const MetricControlPressed = "Control/Pressed"

// All returns the points in the order of the air.
func All() [Count]Point { return [Count]Point{Supply, Separator, Vessel, Hose, Nozzle, Control} }

// String is the point's name in files, CSV headers and JSON.
func (p Point) String() string {
	if int(p) < Count {
		return pointNames[p]
	}
	return fmt.Sprintf("point(%d)", uint8(p))
}

// Metric is the Sparkplug metric that carries the point's pressure.
func (p Point) Metric() string { return metricNames[p] }

// Parse is the point of a name.
func Parse(name string) (Point, error) {
	for i, n := range pointNames {
		if n == name {
			return Point(i), nil
		}
	}
	return 0, fmt.Errorf("%q is not a measuring point; points: %s", name, strings.Join(pointNames[:], ", "))
}

// FromMetric is the point whose pressure a Sparkplug metric carries.
func FromMetric(name string) (Point, bool) {
	for i, n := range metricNames {
		if n == name {
			return Point(i), true
		}
	}
	return 0, false
}

// A Set is a set of points.
type Set uint8

// SetOf is the set of the points given.
func SetOf(ps ...Point) Set {
	var s Set
	for _, p := range ps {
		s |= 1 << p
	}
	return s
}

// Has tells whether p is in the set.
func (s Set) Has(p Point) bool { return s&(1<<p) != 0 }

// A Segment is the path between two neighbouring measuring points.
type Segment uint8

// The segments, in the order of the air.
const (
	SeparatorSegment Segment = iota // supply to separator
	ValveSegment                    // separator to vessel
	MixingSegment                   // vessel to hose
	HoseSegment                     // hose to nozzle

	SegmentCount = 4
)

var segmentNames = [SegmentCount]string{"separator", "valve", "mixing", "hose"}

// String is the segment's name in JSON and metrics.
func (s Segment) String() string {
	if int(s) < SegmentCount {
		return segmentNames[s]
	}
	return fmt.Sprintf("segment(%d)", uint8(s))
}

// Ends are the points a segment runs between.
func (s Segment) Ends() (from, to Point) { return Point(s), Point(s) + 1 }

// A Quality says what a reading is worth.
type Quality uint8

// The qualities. The zero value is the worst, so that a forgotten one is never taken for a good reading.
const (
	NoReply    Quality = iota // no value: the transducer did not answer, or refused
	OutOfRange                // a value outside the transducer's limits, or its loop failed; the value is kept
	Good
)

// Code is the quality's Sparkplug property value: 192 good, 0 bad, 500 stale.
func (q Quality) Code() int32 {
	switch q {
	case Good:
		return 192
	case OutOfRange:
		return 0
	}
	return 500
}

// QualityOf is the quality of a Sparkplug property value; an unknown code counts as OutOfRange.
func QualityOf(code int32) Quality {
	switch code {
	case 192:
		return Good
	case 500:
		return NoReply
	}
	return OutOfRange
}

// String is the quality's name in JSON.
func (q Quality) String() string {
	switch q {
	case Good:
		return "good"
	case OutOfRange:
		return "out-of-range"
	}
	return "no-reply"
}

// A Sample is one reading of one point.
type Sample struct {
	Point   Point
	Quality Quality
	Pressed bool             // the handle, where Control is a discrete input; else false
	At      si.Instant       // when the last byte of the reply arrived
	Value   si.GaugePressure // meaningless with NoReply, and where Control is a discrete input
}
