package plant

import (
	"time"

	"gritwatch/protocol/si"
)

// A Condition is what is wrong with the equipment. The zero value is a healthy pot. A share lost of a conductance is 1
// where nothing flows any more; holes are sharp-edged, by their bore.
type Condition struct {
	// Exhaust.
	ExhaustShut si.Ratio         // share of the exhaust's conductance that is lost: 1 is shut
	ExhaustIce  si.Ratio         // share that freezes shut with the vent of a full vessel; ice thaws in ten minutes
	Trap        si.GaugePressure // over 0: in a vent the exhaust sticks shut and the nozzle path plugs at this pressure, until the next press

	// Air from the compressor to the nozzle.
	CompressorOff bool            // it also blows its receiver down, as portable ones do
	CapacityLost  si.Ratio        // share of the compressor's delivery that is lost
	SetLow        si.PressureDrop // by which the compressor's pressure is set too low
	Consumer      si.MassFlow     // that others draw from the receiver
	SupplyLost    si.Ratio        // share of the supply hose's conductance that is lost
	SeparatorLost si.Ratio        // of the separator's
	DrainHole     si.Length       // drain of the separator left open
	InletLeak     si.Length       // hole past the shut inlet valve
	InletStuck    Stuck           // inlet valve
	ChokeShut     si.Ratio        // share of the choke valve's conductance that is lost
	SealHole      si.Length       // leak at the sealing plug or the handhole
	HoseKink      si.Ratio        // share of the hose's conductance that is lost: 1 is plugged
	HoseHole      si.Length       // at the hose connection
	NozzlePlugged bool
	NozzleWorn    si.Length // bore grown by this, beside what the grit has worn

	// Abrasive.
	MeteringBy      si.Ratio // by which the operator has opened the metering valve: 0.5 is half as much again, -1 shut
	MeteringBlocked bool
	Bridged         bool     // where it begins, the grit bridges; a release brings the bridge down
	Clumps          si.Ratio // share of the time in which damp grit hangs in the metering valve
	BlowBy          si.Length

	// Water.
	CarryOver si.Ratio // share of the separator's efficiency that is lost
	DrainShut bool     // its sump fills

	// Control line.
	ControlSlow time.Duration // added to its lag
	ControlLeak si.Ratio      // share of its pressure that is lost: 1 is cut
}

// Stuck is where a valve sticks.
type Stuck uint8

// Not stuck, shut, open.
const (
	Free Stuck = iota
	StuckShut
	StuckOpen
)

// A Weather is the air around. Zeros stand for those of the Spec.
type Weather struct {
	Barometer si.AbsPressure
	Air       si.Temperature
	Humidity  si.Ratio // relative
}

// An Input is what people do in one tick, the weather, and the condition of the equipment.
type Input struct {
	Pressed  bool
	Refill   si.Ratio // over 0: the tender pours abrasive up to this level; only with the handle released and the vessel under half a psi
	Blowdown bool     // the hand valve that vents the vessel is open
	Weather  Weather
	Condition
}

// A Ledger sums up what crossed the system's border since the start.
type Ledger struct {
	AirIn, AirOut   si.Mass // compressor; nozzle, exhaust, leaks and other consumers
	GritIn, GritOut si.Mass // tender; nozzle
	Vented          si.Mass // of AirOut what went through exhaust and blowdown
	Drained         si.Mass // water out of the separator's drain
	Carried         si.Mass // liquid water past the separator, and what condenses behind it
	Heat            float64 // J, from wall and grit into the vessel's air
	Enthalpy        float64 // J, carried into the vessel by air, less what it carries out
	Work            float64 // J, done by the vessel's air on the abrasive that leaves it
}
