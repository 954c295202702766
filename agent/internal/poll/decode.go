package poll

import (
	"math"

	"gritwatch/agent/internal/config"
	"gritwatch/protocol/modbus"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// Loop currents by NAMUR NE 43: within the first two a reading is good; at or under 3.6 mA and at or over 21 mA the
// loop has failed; between them the transducer is at its stop, and its reading is not good either.
const (
	loopGoodLo si.Current = 3.8e-3
	loopGoodHi si.Current = 20.5e-3
	loopSpan              = config.LoopFull - config.LoopZero
)

// The same limits as shares of a range, for transducers that give their value in digits: 1.25 % under, 3.125 % over.
const (
	underRange = float64(config.LoopZero-loopGoodLo) / float64(loopSpan)
	overRange  = float64(loopGoodHi-config.LoopFull) / float64(loopSpan)
)

// A current computed from counts may miss a limit by rounding; a count of a 15-bit input is a thousand times more.
const loopRounding si.Current = 1e-9

// Decode takes the field's value from the data of its request's reply, which must be whole. At is the instant of the
// reply. The sample's value is gauge pressure; recorded zeros are not subtracted here.
//
// A value beyond the transducer's limits keeps its figure and is OutOfRange. What is no number, or is more than a
// float32 of pascals can hold, is OutOfRange with the figure 0: there is an answer, but nothing to show.
func (f *Field) Decode(d modbus.Data, at si.Instant) points.Sample {
	s := points.Sample{Point: f.Point, Quality: points.Good, At: at}
	var raw float64
	switch f.Type {
	case config.Discrete:
		s.Pressed = d.Input(f.Offset)
		return s
	case config.Int16:
		raw = float64(int16(d.Register(f.Offset)))
	case config.Uint16:
		raw = float64(d.Register(f.Offset))
	case config.Float32:
		hi, lo := d.Register(f.Offset), d.Register(f.Offset+1)
		if f.LowFirst {
			hi, lo = lo, hi
		}
		raw = float64(math.Float32frombits(uint32(hi)<<16 | uint32(lo)))
	}
	own, good := f.own(raw)
	s.Value = f.Scale.Gauge(own)
	switch v := math.Abs(float64(s.Value)); {
	case math.IsNaN(v), v > math.MaxFloat32:
		s.Value, s.Quality = 0, points.OutOfRange
	case !good:
		s.Quality = points.OutOfRange
	}
	return s
}

// own is a raw value as a pressure in the transducer's own terms, and whether it is within its limits.
func (f *Field) own(raw float64) (si.GaugePressure, bool) {
	c := &f.Scale
	span := float64(c.Hi - c.Lo)
	if c.PerUnit == 0 {
		i := c.Current(raw)
		share := float64(i-config.LoopZero) / float64(loopSpan)
		return c.Lo + si.GaugePressure(share*span), i >= loopGoodLo-loopRounding && i <= loopGoodHi+loopRounding
	}
	p := si.GaugePressure(raw * c.PerUnit)
	if span == 0 {
		return p, true // no range is known
	}
	share := float64(p-c.Lo) / span
	return p, share >= -underRange && share <= 1+overRange
}

// Silent is the sample of a point that gave no answer.
func (f *Field) Silent(at si.Instant) points.Sample {
	return points.Sample{Point: f.Point, Quality: points.NoReply, At: at}
}
