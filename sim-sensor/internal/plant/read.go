package plant

import (
	"math"
	"time"

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
		node = head
	case points.Nozzle:
		node = tip
	case points.Control:
		return si.GaugePressure(p.line)
	}
	return si.GaugePressure(p.press[node] - p.amb)
}

// Barometer is the ambient pressure of the moment.
func (p *Pot) Barometer() si.AbsPressure { return si.AbsPressure(p.amb) }

// Ambient is the temperature of the weather, and of all air outside the vessel.
func (p *Pot) Ambient() si.Temperature { return si.Temperature(p.wall) }

// At is how long it has been stepped.
func (p *Pot) At() time.Duration { return time.Duration(p.ticks) * Tick }

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

// VesselAir is the air in the vessel.
func (p *Pot) VesselAir() si.Mass { return si.Mass(p.air[vessel]) }

// Temperature is the mean of the vessel's air, free and between the grains.
func (p *Pot) Temperature() si.Temperature {
	return si.Temperature(p.press[vessel] * p.room(vessel) / (gasR * p.air[vessel]))
}

// Free is the temperature of the vessel's air above the abrasive.
func (p *Pot) Free() si.Temperature { return si.Temperature(p.free) }

// Energy is the internal energy of the vessel's air, J.
func (p *Pot) Energy() float64 { return p.press[vessel] * p.room(vessel) / (gamma - 1) }

// AirRoom is the vessel's volume that abrasive leaves to the air.
func (p *Pot) AirRoom() si.Volume { return si.Volume(p.room(vessel)) }

// NozzleFlow is the mass flow of air and of grit out of the nozzle.
func (p *Pot) NozzleFlow() (air, grit si.MassFlow) {
	return si.MassFlow(p.nozzle), si.MassFlow(p.spray)
}

// Metered is the mass flow of grit through the metering valve.
func (p *Pot) Metered() si.MassFlow { return si.MassFlow(p.metered) }

// Bore is the nozzle's, as worn.
func (p *Pot) Bore(c *Condition) si.Length { return si.Length(p.e.bore+p.worn) + c.NozzleWorn }

// Water is the liquid in the separator's sump and in the vessel's grit.
func (p *Pot) Water() (sump, grit si.Mass) { return si.Mass(p.sump), si.Mass(p.wet) }

// Ledger is what crossed the border since the start.
func (p *Pot) Ledger() Ledger { return p.ledger }

// Resistances are those of the segments and the exhaust's conductance, as ratios to the healthy equipment's: 1 is as
// commissioned. A segment's is (p1^2 - p2^2)/m^2 of air without grit.
type Resistances struct {
	Separator, Valve, Mixing, Hose float64 // +Inf: shut
	Exhaust                        float64 // 0: shut
}

// Resistances under a condition. The valve's is that of the open inlet valve.
func (p *Pot) Resistances(c *Condition) Resistances {
	lost := func(share si.Ratio) float64 {
		left := 1 - float64(share)
		return 1 / (left * left)
	}
	r := Resistances{Separator: lost(c.SeparatorLost), Valve: 1, Hose: lost(c.HoseKink), Exhaust: (1 - float64(c.ExhaustShut)) * (1 - p.ice)}
	r.Mixing = (float64(p.e.push*lost(c.ChokeShut)) + p.e.mixing) / (p.e.push + p.e.mixing)
	if c.InletStuck == StuckShut {
		r.Valve = math.Inf(1)
	}
	if p.stuck {
		r.Exhaust = 0
	}
	return r
}
