package scenario

import (
	"math"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/sim-sensor/internal/plant"
)

// Reading is what a logger makes of a gauge of the i-th pot now: gauge Pa, nothing clamped; of an electric handle 1 or
// 0; NaN where the gauge gives nothing, or is not there. What the line does to it is left out.
func (w *World) Reading(i int, pt points.Point) float64 {
	p := w.pots[i]
	g := p.gauges[pt]
	switch {
	case g == nil:
		return math.NaN()
	case g.tr == nil:
		return g.raw
	}
	against := 0.0
	switch amb := p.spec.Atmosphere.Pressure(); p.spec.Pot.Gauges[pt].Kind {
	case vent.KindAbsolute:
		against = float64(amb)
	case vent.KindSealed:
		against = float64(amb - si.StandardAtmosphere)
	}
	return g.reads() - against
}

// Plant is the i-th pot itself, to look at; only the World steps it.
func (w *World) Plant(i int) *plant.Pot { return w.pots[i].plant }
