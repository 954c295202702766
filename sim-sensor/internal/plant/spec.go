package plant

import (
	"fmt"
	"math"
	"time"

	"gritwatch/protocol/si"
)

// A Spec is the equipment to simulate. Volume, HoseBore, HoseLength and NozzleBore are needed; a zero in any other
// field stands for the default beside it.
type Spec struct {
	Volume     si.Volume
	HoseBore   si.Length
	HoseLength si.Length
	NozzleBore si.Length
	Target     si.GaugePressure // at the nozzle, with which the piping is sized; 100 psi
	Bulk       si.Density       // of the abrasive as poured; 100 lb/ft3
	Solid      si.Density       // of its grains; 220 lb/ft3
	Fill       si.Ratio         // of the capacity at the start; 1
	Supply     si.GaugePressure // at which the compressor delivers nothing; what lets the nozzle reach Target
	VentTime   time.Duration    // choked time constant of the empty pot's exhaust; 3.6 s
	Atmosphere si.AbsPressure   // standard
	Ambient    si.Temperature   // 293.15 K
}

// Sizes that the defaults come from. The pressure losses are what a pot with sound piping shows; common practice,
// no source.
const (
	psi = si.PSI

	nominalLoading  = 1.32      // kg abrasive / kg air: mean of the trade's consumption table, nozzles 3 to 8
	airSlowing      = 0.39      // phi = 1/sqrt(1 + k mu): least squares through the 42 cells of the same table
	solidsDrag      = 2.3       // chosen so that 50 ft of 1 in hose loses 16 psi behind a 3/8 in nozzle, as a trade test has it
	hoseRoughness   = 1e-5      // m: reproduces the compressed-air handbook's 3/4 and 1 in hose within 3 %
	slip            = 0.5       // speed of the grit in the hose over that of the air; no source
	supplyHoseLoss  = 1.5 * psi // compressor to pot inlet, at nominal flow
	separatorLoss   = 1.5 * psi // supply to separator point
	valveLoss       = 1.5 * psi // separator to vessel point
	mixingLoss      = 1.5 * psi
	compressorSpare = 1.8      // delivery over the nozzle's air: at least the 50 % for wear and peaks that the trade asks for
	throttleBand    = 12 * psi // over which the compressor's inlet throttles from full to nothing
	throttleLag     = 0.7      // s
	pipingB         = 0.2      // critical ratio of pipes and filters
	valveB          = 0.3      // of valves (published 0.2 to 0.5)
	exhaustB        = 0.35     // of exhaust valve and silencer
	capacityShare   = 0.9      // of the vessel's volume that a full pot's abrasive takes
	pipeVolume      = 0.015    // m3: supply hose
	housingVolume   = 0.008    // m3: separator and piping
	pilotOpen       = 30 * psi // control pressure at which the main valves move
	pilotClose      = 20 * psi
	controlSupply   = 100 * psi // the handle's circuit is regulated to this at most
	controlLag      = 0.12      // s: a 50 ft twin line
	inletStroke     = 0.30      // s
	exhaustStroke   = 0.25      // s
	wallTransfer    = 50.0      // W/(m2 K): vessel wall to stirred air; gives the empty pot a polytropic exponent of about 1.2
	gritTransfer    = 1500.0    // W/K of a full pot's abrasive in a vessel of 0.184 m3; makes its vent nearly isothermal
	tailMass        = 0.4       // kg of abrasive in the cone under which the metering valve starves
	pulsation       = 0.04      // standard deviation of the metered flow, as a share
	pulsationTime   = 0.4       // s over which it forgets
	refillTime      = 25.0      // s for a whole pot from a hopper
	openLimit       = 0.5 * psi // over which nobody can pour abrasive in: the plug has not dropped
)

func (s Spec) withDefaults() Spec {
	def := func(v *float64, d float64) {
		if *v == 0 {
			*v = d
		}
	}
	def((*float64)(&s.Target), 100*psi)
	def((*float64)(&s.Bulk), 100*si.PoundPerCubicFoot)
	def((*float64)(&s.Solid), 220*si.PoundPerCubicFoot)
	def((*float64)(&s.Fill), 1)
	def((*float64)(&s.Atmosphere), float64(si.StandardAtmosphere))
	def((*float64)(&s.Ambient), refTemperature)
	if s.VentTime == 0 {
		s.VentTime = 3600 * time.Millisecond
	}
	return s
}

func (s Spec) check() error {
	switch {
	case s.Volume <= 0 || s.HoseBore <= 0 || s.HoseLength <= 0 || s.NozzleBore <= 0:
		return fmt.Errorf("plant: volume, hose bore, hose length and nozzle bore must be above zero")
	case s.NozzleBore >= s.HoseBore:
		return fmt.Errorf("plant: a nozzle of %.1f mm does not fit a hose of %.1f mm bore", s.NozzleBore*1e3, s.HoseBore*1e3)
	case s.Solid <= s.Bulk:
		return fmt.Errorf("plant: the abrasive's grains must be denser than the abrasive as poured")
	case s.Fill < 0 || s.Fill > 1:
		return fmt.Errorf("plant: the fill must lie between 0 and 100 %%")
	case s.VentTime < 100*time.Millisecond:
		return fmt.Errorf("plant: a vent time constant under 0.1 s is not simulated")
	}
	return nil
}

// equipment is what New makes of a Spec: numbers in SI, absolute pressures.
type equipment struct {
	amb, wall float64 // Pa, K
	volume    float64 // m3, empty
	capacity  float64 // kg of abrasive
	solid     float64 // kg/m3

	throat     float64 // m2
	hose       pipe
	hoseLength float64

	supplyHose, separator, valve, mixing, exhaust float64 // conductance, m3/(s Pa)

	nodes [nodeCount]float64 // volumes of all but the vessel, m3

	delivery, unload float64 // kg/s, Pa

	wallHeat, gritHeat float64 // W/K
}

// Nodes: places that hold air.
const (
	receiver = iota // of the compressor
	inlet           // pot inlet, the supply point
	outlet          // of the separator, the separator point
	vessel
	tee // hose connection with the first half of the hose, the hose point
	tip // second half of the hose with the nozzle, the nozzle point

	nodeCount
)

func (s Spec) equip() equipment {
	e := equipment{amb: float64(s.Atmosphere), wall: float64(s.Ambient), volume: float64(s.Volume), solid: float64(s.Solid)}
	e.capacity = capacityShare * e.volume * float64(s.Bulk)
	e.throat = float64(si.CircleArea(s.NozzleBore))

	// Nominal flow, and the pressures it needs from the nozzle back to the compressor.
	p := float64(s.Target.Absolute(s.Atmosphere))
	m := jet(e.throat, p, e.amb, e.wall) / math.Sqrt(1+airSlowing*nominalLoading)
	bore := float64(s.HoseBore)
	area := float64(si.CircleArea(s.HoseBore))
	f := friction(m*bore/(area*viscosity(e.wall)), hoseRoughness/bore)
	e.hose = pipe{area: area, z: f * float64(s.HoseLength) / bore}
	e.hoseLength = float64(s.HoseLength)
	p = e.hose.up(m, p, e.wall, nominalLoading)
	lose := func(drop, b float64) float64 {
		p += drop
		return conductanceFor(m, b, p, drop, e.wall)
	}
	e.mixing = lose(mixingLoss, pipingB)
	e.valve = lose(valveLoss, valveB)
	e.separator = lose(separatorLoss, pipingB)
	e.supplyHose = lose(supplyHoseLoss, pipingB)
	e.delivery = compressorSpare * m
	e.unload = p + throttleBand/compressorSpare
	if s.Supply != 0 {
		e.unload = float64(s.Supply.Absolute(s.Atmosphere))
	}

	// tau = V/(R T C rho0 sqrt(T0/T)) of the choked isothermal vent, empty.
	e.exhaust = e.volume / (s.VentTime.Seconds() * gasR * e.wall * refDensity * math.Sqrt(refTemperature/e.wall))

	half := area * e.hoseLength / 2
	e.nodes = [nodeCount]float64{receiver: 0.2 + 2*e.volume, inlet: pipeVolume, outlet: housingVolume, tee: half + 1e-3, tip: half}

	// Wall of a cylinder about as tall as wide: 5.54 V^(2/3).
	size := math.Pow(e.volume, 2.0/3)
	e.wallHeat = wallTransfer * 5.54 * size
	e.gritHeat = gritTransfer * e.volume / 0.184
	return e
}
