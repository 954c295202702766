package watch

import (
	"fmt"
	"math"
	"strconv"

	"gritwatch/agent/internal/config"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// Loop currents by NAMUR NE 43: at or beyond the first and the last the loop has failed, beyond the others the gauge
// is at its stop.
const (
	failedLow, stopLow   si.Current = config.LoopFailed, 3.8e-3
	stopHigh, failedHigh si.Current = 20.5e-3, 21e-3
)

// hasValue tells whether a sample has a figure to show. What is no number in registers comes as zero out of range;
// lines of text without a number are not understood in the first place.
func (p *point) hasValue(s points.Sample) bool {
	return s.Quality == points.Good || s.Quality == points.OutOfRange && (s.Value != 0 || p.text != nil)
}

// pressure is a pressure in the pot's unit.
func (p *point) pressure(v si.GaugePressure) string {
	decimals := map[string]int{"psi": 2, "bar": 3}[p.pot.Units.Pressure]
	if decimals == 0 {
		decimals = 1
	}
	u := float64(v) / p.pot.Units.Pa()
	if math.Abs(u) >= 1e6 {
		return fmt.Sprintf("%.3g %s", u, p.pot.Units.Pressure)
	}
	return strconv.FormatFloat(u, 'f', decimals, 64) + " " + p.pot.Units.Pressure
}

// value is what a sample shows: a pressure, the handle, or "-".
func (p *point) value(s points.Sample) string {
	switch {
	case !p.hasValue(s):
		return "-"
	case p.electric() && s.Pressed:
		return "pressed"
	case p.electric():
		return "released"
	}
	return p.pressure(s.Value)
}

// quality is what a sample is worth, in a few words and in a sentence that says what to do; the sentence is empty
// where the sample is good or there was none.
func (p *point) quality(s points.Sample) (short, long string) {
	switch s.Quality {
	case points.Good:
		return "good", ""
	case points.NoReply:
		return "no reply", ""
	}
	c := p.scale()
	switch {
	case !p.hasValue(s):
		return "no number", "what comes is no number, or an absurd one: look at address, type and order"
	case c.PerUnit == 0:
		return p.loop(s)
	}
	own := s.Value - c.Gauge(0) // kinds differ by an offset
	span := fmt.Sprintf("%s to %s", p.pressure(c.Lo), p.pressure(c.Hi))
	known := c.Lo != 0 || c.Hi != 0
	switch {
	case known && own < c.Lo:
		return "under range", fmt.Sprintf("%s is under the range of %s: look at unit, type and order, and at the gauge's zero", p.pressure(own), span)
	case known && own > c.Hi:
		return "over range", fmt.Sprintf("%s is over the range of %s: look at unit, scale, type and order, and at the gauge", p.pressure(own), span)
	}
	return "too coarse", p.pressure(own) + " comes in steps so coarse that pressure may look like none: let the gauge send more decimals"
}

// loop says what is wrong with a 4-20 mA loop.
func (p *point) loop(s points.Sample) (short, long string) {
	c := p.scale()
	share := float64(s.Value-c.Gauge(0)-c.Lo) / float64(c.Hi-c.Lo)
	i := config.LoopZero + si.Current(share)*(config.LoopFull-config.LoopZero)
	mA := fmt.Sprintf("%.2f mA", float64(i)*1e3)
	const slack = si.Current(1e-8) // what the way back from a pressure may lose
	switch {
	case i <= failedLow+slack:
		return "loop at " + mA, mA + ", at or under 3.6: the loop has failed: a broken wire, no loop power, a failed gauge, or counts and current that are not this module's"
	case i < stopLow:
		return "loop at " + mA, mA + ", under 3.8: the gauge is at its lower stop: is it a vacuum, is its zero off, are counts and current those of this module?"
	case i >= failedHigh-slack:
		return "loop at " + mA, mA + ", at or over 21: the loop has failed: a short circuit, a failed gauge, or counts and current that are not this module's"
	}
	return "loop at " + mA, mA + ", over 20.5: the gauge is at its upper stop: the pressure is over its range, or counts and current are not this module's"
}
