// Package scenario is a simulated site as a file describes it: pots with a script of presses, refills and faults, and the
// serial lines on which their transducers stand. Reference is a file with every key.
//
// World plays it: pure, in steps of Tick, without a clock; whoever runs it decides how fast time goes.
package scenario

import (
	_ "embed"
	"time"

	"gritwatch/internal/potfile"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/sim-sensor/internal/fault"
	"gritwatch/sim-sensor/internal/line"
	"gritwatch/sim-sensor/internal/plant"
	"gritwatch/sim-sensor/internal/transducer"
)

// Reference is a sim.yaml with every key, its comments the documentation of the format.
//
//go:embed reference.yaml
var Reference string

// A Scenario is one simulated site.
type Scenario struct {
	About   string // one line for people
	Seed    uint64
	Weather Weather
	Rate    float64 // rows a second that a logger of this site keeps; 0: whoever logs it decides
	Pots    []Pot
	Lines   []Line
}

// A Weather is the air at the start and, after a time, then; between the two it goes evenly. Zeros stand for the
// defaults of package plant, and in Then for those at the start. The barometer at the start is the pots' atmosphere.
type Weather struct {
	plant.Weather
	Then  plant.Weather
	After time.Duration // 0: it stays
}

// A Pot is one simulated pot.
type Pot struct {
	potfile.Pot
	Fill      si.Ratio // abrasive at the start, share of capacity
	Gauges    Gauges
	Equipment Equipment
	Script    Script
}

// Equipment is what the configuration of a pot does not tell; zeros stand for the defaults of plant.Spec.
type Equipment struct {
	Metering   si.Ratio
	Grain      si.Length
	NozzleLife si.Mass
	VentTime   time.Duration
	ControlLag time.Duration
	Compressor plant.Compressor
}

// Gauges are what a pot's transducers have in common. Their ranges stand with the pot's points.
type Gauges struct {
	Noise, Resolution si.Ratio // shares of the range
	Lag               time.Duration
	Zero              si.PressureDrop // every gauge has a constant error of its own, drawn evenly from within this either way
	Span              si.Ratio        // likewise, share of the reading
}

// A Script is what happens at a pot.
type Script struct {
	Cycle  *Cycle // nil: presses and refills are events
	Events []Event
}

// A Cycle presses and releases the handle for ever. When the abrasive runs low the tender refills it after a release,
// and the next press waits. A pot that holds its pressure is blown down by hand before a refill and in a break.
type Cycle struct {
	Press, Rest time.Duration
	Vary        si.Ratio      // standard deviation of their logarithms: how restless the operator is
	Start       time.Duration // of the first press
	RefillBelow si.Ratio      // share of capacity
	RefillPause time.Duration // from the release to the next press
	RefillTo    si.Ratio      // share of capacity; with Vary from this to full; 0: full
	RefillTime  time.Duration // for a whole pot; 0: plant's
	Notices     time.Duration // the operator lets go when no abrasive has come for so long; 0: he blasts on
	BreakEvery  time.Duration // 0: none
	BreakFor    time.Duration
	Blowdown    int // after every so many releases a pot that holds its pressure is blown down; 0: only before refills and in breaks
}

// An Event is something that holds in a window. Exactly one of its kinds is set.
type Event struct {
	fault.Window
	Over time.Duration // what grows grows to its value in this time; 0: at once

	Press     bool
	Refill    si.Ratio // up to this level; 0: none
	Blowdown  bool
	Handle    string // tied: once pressed it stays so; flickers: it lets go by itself now and then
	Equipment plant.Condition
	Gauge     *GaugeFault
	Name      string // as the truth file shows it
}

// A GaugeFault is a fault of the transducer at a point.
type GaugeFault struct {
	Point   points.Point
	Fault   transducer.Fault
	Reads   *Place        // wired to another pot's point
	Swapped *points.Point // wired to another point of the pot, whose transducer has this one's
}

// A Place is a point of a pot.
type Place struct {
	Pot   string
	Point points.Point
}

// A Line is a serial line with its units, or its gauges of text.
type Line struct {
	Link       string
	Mode       line.Mode
	Turnaround time.Duration // between the end of a request and its reply
	Strict     bool          // nothing is heard at another speed
	Units      []Unit
	Texts      []Speaker
	Faults     []fault.Fault
}

// A Unit is a Modbus slave: a digital transmitter, a module of 4-20 mA inputs, switches, or a relay.
type Unit struct {
	ID       uint8
	Module   *transducer.Module // nil: not a module
	Switches bool
	Channels []Channel
	Outputs  []Output      // of a relay, which has no channels
	Watchdog time.Duration // of a relay; 0: it has none
}

// An Output is an output of a relay, for example of a beacon at a pot.
type Output struct {
	line.Output
	Pot  string // in whose truth it stands
	Name string // there
}

// A Channel is a transducer's or a switch's place in the unit's map.
type Channel struct {
	Place
	Address  uint16
	Type     Type
	LowFirst bool    // of two registers the one with the low half comes first
	Swapped  bool    // inside a register the low byte comes first
	PerUnit  float64 // Pa that 1 of the value stands for; modules and switches: 0
	Lo, Hi   si.GaugePressure
}

// A Speaker is a gauge that speaks lines of text.
type Speaker struct {
	Channel // its place, range and unit
	Query   string
	Every   time.Duration
	Reply   *line.Template
}

// active tells whether the event holds at the time given, and how far it has grown, 0 to 1.
func (e *Event) active(at time.Duration) (grown float64, ok bool) {
	since, ok := e.Since(at)
	if !ok {
		return 0, false
	}
	if e.Over > 0 {
		return min(1, float64(since)/float64(e.Over)), true
	}
	return 1, true
}
