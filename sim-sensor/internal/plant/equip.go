package plant

import (
	"math"

	"gritwatch/protocol/si"
)

// equipment is what New makes of a Spec: numbers in SI, absolute pressures.
type equipment struct {
	volume   float64 // m3, empty
	capacity float64 // kg of abrasive
	bulk     float64 // kg/m3
	solid    float64 // kg/m3
	perBulk  float64 // m3 that a kg of abrasive fills with the air between its grains
	perPores float64 // m3 of that air

	bore  float64 // m, of the new nozzle
	wear  float64 // m of bore for each kg of abrasive
	hose  pipe
	clear float64 // m: metering valve's hole less its empty rim, at the setting of the Spec

	supplyHose, separator, valve, vesselLine, metering, exhaust float64 // conductance, m3/(s Pa)

	relief float64 // conductance through which a stopped compressor blows down its receiver

	push, mixing float64 // (p1^2 - p2^2)/(m^2 T), Pa2 s2/(kg2 K), without grit

	nodes [vessel]float64 // volumes of all but the vessel, m3

	delivery, unload, band float64 // kg/s at the Spec's weather, Pa, Pa

	wallHeat float64 // W/K at working pressure
	work     float64 // Pa: working pressure of the vessel

	holds, cycles       bool
	lag, refill, warmer float64 // s, s for a whole pot, K
}

// Nodes: places that hold air, along the flow. The vessel hangs at the branch.
const (
	receiver = iota // of the compressor
	inlet           // pot inlet, the supply point
	outlet          // of the separator, the separator point
	branch          // behind the inlet valve, where the vessel's line and the push line part
	head            // hose connection with the first half of the hose, the hose point
	tip             // second half of the hose with the nozzle, the nozzle point
	vessel

	nodeCount
)

// equip sizes the equipment so that the nozzle has its target at nominal flow.
func (s Spec) equip() equipment {
	e := equipment{volume: float64(s.Volume), bulk: float64(s.Bulk), solid: float64(s.Solid), bore: float64(s.NozzleBore),
		holds: s.HoldsPressure, cycles: s.Compressor.Cycles, lag: s.ControlLag.Seconds(), refill: s.RefillTime.Seconds(), warmer: cooled}
	e.capacity = capacityShare * e.volume * e.bulk
	e.perBulk, e.perPores = 1/e.bulk, 1/e.bulk-1/e.solid
	if s.NozzleLife > 0 {
		e.wear = wearStep / float64(s.NozzleLife)
	}
	if s.Compressor.NoCooler {
		e.warmer = uncooled
	}
	amb, t := float64(s.Weather.Barometer), float64(s.Weather.Air)

	// Nominal flow, and the pressures it needs from the nozzle back to the compressor.
	p := float64(s.Target) + amb
	m := jet(circle(e.bore), p, amb, t) * (p - amb) / math.Sqrt(1+airSlowing*nominalLoading)
	bore := float64(s.HoseBore)
	area := circle(bore)
	f := friction(m*bore/(area*viscosity(t)), hoseRoughness/bore)
	e.hose = pipe{area: area, z: f * float64(s.HoseLength) / bore}
	p = e.hose.up(m, p, t, nominalLoading)
	squares := func(drop float64) float64 {
		r := (float64((p+drop)*(p+drop)) - float64(p*p)) / (m * m * t)
		p += drop
		return r
	}
	e.mixing = squares(mixingLoss) / (1 + mixingDrag*nominalLoading)
	e.push = squares(pushLoss)
	e.work = p
	lose := func(drop, b float64) float64 {
		p += drop
		return conductanceFor(m, b, p, drop, t)
	}
	e.vesselLine = conductanceFor(m, pipingB, p+vesselLineLoss, vesselLineLoss, t)
	e.valve = lose(valveLoss, valveB)
	e.separator = lose(separatorLoss, pipingB)
	e.supplyHose = lose(supplyHoseLoss, pipingB)
	spare := float64(s.Compressor.Capacity)
	e.delivery = spare * m
	e.band = float64(s.Compressor.Band)
	if e.unload = p + float64(e.band*min(1, 1/spare)); e.cycles {
		e.unload = p + e.band
	}
	if s.Compressor.Unload != 0 {
		e.unload = float64(s.Compressor.Unload) + amb
	}

	// The metering valve as the operator has set it: nominal loading with the assist that a healthy push line gives.
	drive := 1 + pushLoss/(e.bulk*gravity*assistLength)
	e.clear = math.Pow(float64(s.Metering)*nominalLoading*m/(beverloo(e.bulk, 1)*math.Sqrt(drive)), 0.4)
	e.metering = hole(circle(e.clear + float64(1.4*float64(s.Grain))))

	// tau = V/(R T C rho0 sqrt(T0/T)) of the choked isothermal vent, empty.
	e.exhaust = e.volume / (s.VentTime.Seconds() * gasR * t * refDensity * math.Sqrt(refTemperature/t))

	half := float64(area * float64(s.HoseLength) / 2)
	e.nodes = [vessel]float64{receiver: 0.2 + float64(2*e.volume), inlet: pipeVolume, outlet: housingVolume, branch: branchVolume, head: half + 1e-3, tip: half}

	e.relief = e.nodes[receiver] / (stopTime * gasR * t * refDensity * math.Sqrt(refTemperature/t))

	// Wall of a cylinder about as tall as wide: 5.54 V^(2/3).
	e.wallHeat = wallTransfer * 5.54 * math.Pow(e.volume, 2.0/3)
	return e
}

func circle(bore float64) float64 { return float64(si.CircleArea(si.Length(bore))) }
