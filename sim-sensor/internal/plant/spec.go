package plant

import (
	"fmt"
	"time"

	"gritwatch/protocol/si"
)

// A Spec is the equipment to simulate. Volume, HoseBore, HoseLength and NozzleBore are needed; a zero in any other
// field stands for the default beside it.
type Spec struct {
	Volume        si.Volume
	HoldsPressure bool // at a release the push line and the metering valve shut and the vessel stays up; only the hand valve vents it
	HoseBore      si.Length
	HoseLength    si.Length
	NozzleBore    si.Length
	NozzleLife    si.Mass          // of abrasive, that wears the bore by 1/16 in; no wear
	Target        si.GaugePressure // at the nozzle, with which the piping is sized; 100 psi
	Bulk          si.Density       // of the abrasive as poured; 100 lb/ft3
	Solid         si.Density       // of its grains; 220 lb/ft3
	Grain         si.Length        // diameter of its grains; 0.6 mm
	Fill          si.Ratio         // of the capacity at the start; 1
	Metering      si.Ratio         // setting of the metering valve: grit flow over that of the trade's table; 1
	RefillTime    time.Duration    // that the tender takes for a whole pot; 25 s, from a hopper
	VentTime      time.Duration    // choked time constant of the empty pot's exhaust; 3.6 s
	ControlLag    time.Duration    // first-order time constant of the control line; 0.12 s: 50 ft of twin line
	Compressor    Compressor
	Weather       Weather // standard atmosphere, 293.15 K, 60 % humidity
}

// A Compressor feeds one pot.
type Compressor struct {
	Capacity si.Ratio         // delivery over the air that the nozzle takes at Target; 1.8
	Unload   si.GaugePressure // at which it delivers nothing; what lets the nozzle reach Target
	Band     si.PressureDrop  // under Unload, at which it delivers all; 12 psi
	Cycles   bool             // loads and unloads between the two, in place of throttling its intake
	NoCooler bool             // its air comes 56 K warmer than the weather, in place of 6 K
}

// UsualAir (K) and UsualHumidity are the weather where the Spec has none.
const (
	UsualAir      = refTemperature
	UsualHumidity = 0.6
)

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
	valveLoss       = 1.5 * psi // separator to where the vessel's line branches off
	vesselLineLoss  = 5.0 * psi // from there to the vessel, if all of the nominal flow went there
	pushLoss        = 0.3 * psi // from there to the mixing tee, choke valve open
	mixingLoss      = 1.2 * psi // tee to hose connection, with grit
	mixingDrag      = 0.6       // what a kg of grit costs in the tee over a kg of air
	throttleLag     = 0.7       // s
	stopTime        = 20.0      // s: choked time constant with which a stopped compressor blows down its receiver; no source
	loadLag         = 0.3       // s
	pipingB         = 0.2       // critical ratio of pipes and filters
	valveB          = 0.3       // of valves (published 0.2 to 0.5)
	exhaustB        = 0.35      // of exhaust valve and silencer
	holeB           = 0.5       // of holes
	holeCoefficient = 0.62      // of a sharp edge (published 0.59 to 0.65)
	capacityShare   = 0.9       // of the vessel's volume that a full pot's abrasive takes
	pipeVolume      = 0.015     // m3: supply hose
	housingVolume   = 0.008     // m3: separator and piping
	branchVolume    = 0.003     // m3: piping around the pot
	pilotOpen       = 30 * psi  // control pressure at which the main valves move
	pilotClose      = 20 * psi
	controlSupply   = 100 * psi // the handle's circuit is regulated to this at most
	inletStroke     = 0.30      // s
	exhaustStroke   = 0.25      // s
	handStroke      = 1.0       // s: a hand valve
	wallTransfer    = 130.0     // W/(m2 K) at working pressure: vessel wall to free air; gives the empty pot a polytropic exponent of about 1.2
	gravity         = 9.80665
	assistLength    = 0.2       // m of grit over the metering valve across which vessel and tee differ; no source
	tailMass        = 0.4       // kg of abrasive in the cone under which the metering valve starves
	carryLimit      = 6         // kg of grit that a kg of air can take up in the tee; no source
	packedLeak      = 0.03      // air through a metering valve full of grit, share of an empty one; no source
	pulsation       = 0.04      // standard deviation of the metered flow, as a share
	pulsationTime   = 0.4       // s over which it forgets
	fitTime         = 0.4       // s that a fit of spitting, or a clump, lasts
	surgeFrom       = 2.0       // loading above which a stream surges; no source
	surgeRate       = 1.0       // Hz: "about once a second"
	iceThaws        = 600.0     // s in which ice in the silencer thaws to 1/e
	openLimit       = 0.5 * psi // over which nobody can pour abrasive in: the plug has not dropped
	cooled          = 6.0       // K over the weather behind an aftercooler
	uncooled        = 56.0      // K without one
	separatorCatch  = 0.98      // of liquid water, by a healthy separator
	sumpHolds       = 1.5       // kg of water; a full one lets all pass
	intoGrit        = 0.3       // share of carried water that stays in the vessel's grit
	dampFrom        = 0.0005    // kg of water a kg of grit, from which it clumps; no source
	dampSpan        = 0.003     // over which the clumping grows to all of the time
	wearStep        = si.Inch / 16
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
	def((*float64)(&s.Grain), 0.6e-3)
	def((*float64)(&s.Fill), 1)
	def((*float64)(&s.Metering), 1)
	def((*float64)(&s.Compressor.Capacity), 1.8) // at least the 50 % for wear and peaks that the trade asks for
	def((*float64)(&s.Compressor.Band), 12*psi)
	def((*float64)(&s.Weather.Barometer), float64(si.StandardAtmosphere))
	def((*float64)(&s.Weather.Air), UsualAir)
	def((*float64)(&s.Weather.Humidity), UsualHumidity)
	last := func(v *time.Duration, d time.Duration) {
		if *v == 0 {
			*v = d
		}
	}
	last(&s.VentTime, 3600*time.Millisecond)
	last(&s.RefillTime, 25*time.Second)
	last(&s.ControlLag, 120*time.Millisecond)
	return s
}

func (s Spec) check() error {
	switch c := s.Compressor; {
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
	case s.ControlLag < 10*time.Millisecond || s.RefillTime < time.Second:
		return fmt.Errorf("plant: the control line must take at least 10 ms, and a refill 1 s")
	case s.Metering < 0.05 || s.Metering > 5 || c.Capacity < 0.1 || c.Capacity > 20 || c.Band < 0.5*psi:
		return fmt.Errorf("plant: metering must lie from 5 to 500 %%, the compressor's capacity from 10 to 2000 %%, its band above 0.5 psi")
	case s.Grain < 0 || s.NozzleLife < 0 || s.Weather.Humidity < 0 || s.Weather.Humidity > 1 || s.Weather.Air < 220 || s.Weather.Air > 340 || s.Weather.Barometer < 4e4:
		return fmt.Errorf("plant: grain, nozzle life or weather is none of this world")
	}
	return nil
}
