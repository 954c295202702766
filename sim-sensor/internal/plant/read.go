package plant

import (
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// Pressure is the true gauge pressure at a point.
func (p *Pot) Pressure(pt points.Point) si.GaugePressure {
	node := 0
	switch pt {
	case points.Supply:
		node = inlet
	case points.Separator:
		node = outlet
	case points.Vessel:
		node = vessel
	case points.Hose:
		node = tee
	case points.Nozzle:
		node = tip
	case points.Control:
		return si.GaugePressure(p.line)
	}
	return si.GaugePressure(p.press[node] - p.e.amb)
}

// Level is the abrasive in the vessel as a share of its capacity.
func (p *Pot) Level() si.Ratio { return si.Ratio(p.grit / p.e.capacity) }

// Grit is the abrasive in the vessel and in the hose.
func (p *Pot) Grit() (inVessel, inHose si.Mass) { return si.Mass(p.grit), si.Mass(p.onWay) }

// Air is the air in all places together.
func (p *Pot) Air() si.Mass {
	sum := 0.0
	for _, m := range p.air {
		sum += m
	}
	return si.Mass(sum)
}

// Temperature is that of the vessel's air.
func (p *Pot) Temperature() si.Temperature { return si.Temperature(p.temp) }

// AirRoom is the vessel's volume that abrasive leaves to the air.
func (p *Pot) AirRoom() si.Volume { return si.Volume(p.room(vessel)) }

// NozzleFlow is the mass flow of air and of grit out of the nozzle.
func (p *Pot) NozzleFlow() (air, grit si.MassFlow) {
	return si.MassFlow(p.nozzle), si.MassFlow(p.spray)
}

// Ledger is what crossed the border since the start.
func (p *Pot) Ledger() Ledger { return p.ledger }
