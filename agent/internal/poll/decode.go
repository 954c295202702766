package poll

import (
	"math"
	"math/bits"

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
	if f.Type == config.Discrete {
		s.Pressed = d.Input(f.Offset) != f.Inverse
		return s
	}
	own, good := f.own(f.raw(d))
	return pressure(f.Point, &f.Scale, own, good, at)
}

// pressure is the sample of a pressure in the transducer's own terms, good where it is within its limits.
func pressure(point points.Point, c *config.Scale, own si.GaugePressure, good bool, at si.Instant) points.Sample {
	s := points.Sample{Point: point, Quality: points.Good, At: at, Value: c.Gauge(own)}
	switch v := math.Abs(float64(s.Value)); {
	case math.IsNaN(v), v > math.MaxFloat32:
		s.Value, s.Quality = 0, points.OutOfRange
	case !good:
		s.Quality = points.OutOfRange
	}
	return s
}

// raw is the number that the field's registers hold.
func (f *Field) raw(d modbus.Data) float64 {
	switch f.Type {
	case config.Uint16:
		return float64(f.register(d, 0))
	case config.Int32:
		return float64(int32(f.double(d)))
	case config.Float32:
		return float64(math.Float32frombits(f.double(d)))
	}
	return float64(int16(f.register(d, 0)))
}

// register is the i-th register of the field.
func (f *Field) register(d modbus.Data, i int) uint16 {
	v := d.Register(f.Offset + i)
	if f.BytesLow {
		return bits.ReverseBytes16(v)
	}
	return v
}

// double is the field's two registers as one word.
func (f *Field) double(d modbus.Data) uint32 {
	hi, lo := f.register(d, 0), f.register(d, 1)
	if f.LowFirst {
		hi, lo = lo, hi
	}
	return uint32(hi)<<16 | uint32(lo)
}

// own is a raw value as a pressure in the transducer's own terms, and whether it is within its limits.
func (f *Field) own(raw float64) (si.GaugePressure, bool) {
	c := &f.Scale
	if c.PerUnit == 0 {
		i := c.Current(raw)
		share, span := float64(i-config.LoopZero)/float64(loopSpan), float64(c.Hi-c.Lo)
		return c.Lo + si.GaugePressure(share*span), i >= loopGoodLo-loopRounding && i <= loopGoodHi+loopRounding
	}
	p := si.GaugePressure(raw * c.PerUnit)
	return p, within(c, p)
}

// within tells whether a pressure in the transducer's own terms is within its limits.
func within(c *config.Scale, own si.GaugePressure) bool {
	span := float64(c.Hi - c.Lo)
	if span == 0 {
		return true // no range is known
	}
	share := float64(own-c.Lo) / span
	return share >= -underRange && share <= 1+overRange
}

// Silent is the sample of a point that gave no answer.
func (f *Field) Silent(at si.Instant) points.Sample {
	return points.Sample{Point: f.Point, Quality: points.NoReply, At: at}
}
