// Package plant is a small physical model of one blasting pot with its compressor, piping, hose, nozzle, exhaust
// and control line. It is the simulator's own: nothing that estimates or judges shares a line with it.
//
// Six places hold air: the compressor's receiver, the pot inlet, the separator outlet, the vessel, and the two
// halves of the blast hose. Air flows between them through restrictions by ISO 6358 (supply hose, separator, inlet
// valve, mixing path, exhaust with silencer), through the hose as isothermal pipe flow that the grit makes dearer,
// and out of the nozzle as a choked or subsonic jet that the grit slows. The vessel exchanges heat with its wall and
// with its grit, so a full pot vents nearly isothermally and an empty one cools; all other places stay at ambient
// temperature. Grit takes the room of its grains from the air, leaves by the metering valve in a fixed ratio to the
// push line's air (with a small pulsation), and crosses the hose more slowly than the air.
//
// The model is pure: no clock, no I/O, and the same seed gives the same run. What it leaves out: moisture, kinetic
// pressure, wear of the nozzle, lift of the sealing plug, and the separate push line (the vessel stands for it).
package plant

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"gritwatch/protocol/si"
)

// Tick is the length of one Step.
const Tick = time.Millisecond

// A Condition is what is wrong with the equipment. The zero value is a healthy pot.
type Condition struct {
	ExhaustShut   si.Ratio         // share of the exhaust's conductance that is lost: 1 is shut
	Trap          si.GaugePressure // over 0: in a vent the exhaust sticks shut and the nozzle path plugs at this pressure, until the next press
	SeparatorLost si.Ratio         // share of the separator's conductance that is lost
	CompressorOff bool
	NozzlePlugged bool
}

// An Input is what people do in one tick, and the condition of the equipment.
type Input struct {
	Pressed bool
	Refill  bool // the tender pours abrasive; only with the handle released and the vessel under half a psi
	Condition
}

// A Ledger sums up what crossed the system's border since the start.
type Ledger struct {
	AirIn, AirOut   si.Mass // compressor; nozzle and exhaust
	GritIn, GritOut si.Mass // tender; nozzle
}

// A Pot is the model in some state. Not safe for concurrent use.
type Pot struct {
	e   equipment
	rng *rand.Rand

	air    [nodeCount]float64 // kg
	press  [nodeCount]float64 // Pa absolute, of the masses
	heat   float64            // J, internal energy of the vessel's air
	temp   float64            // K, of the vessel's air
	grit   float64            // kg in the vessel
	onWay  float64            // kg of grit in the hose
	line   float64            // Pa gauge, control line
	open   float64            // stroke of the inlet valve, 0..1
	exh    float64            // stroke of the exhaust valve, 0..1
	thr    float64            // throttle of the compressor, 0..1
	pulse  float64            // metering pulsation
	stuck  bool               // the trap has closed
	nozzle float64            // kg/s of air
	spray  float64            // kg/s of grit
	ledger Ledger
	sub    int
}

// New is a pot at rest: vented, exhaust open, compressor up to pressure. Errors say which quantity is impossible.
func New(spec Spec, seed uint64) (*Pot, error) {
	spec = spec.withDefaults()
	if err := spec.check(); err != nil {
		return nil, err
	}
	e := spec.equip()
	p := &Pot{e: e, rng: rand.New(rand.NewPCG(seed, 0x706f74)), temp: e.wall, grit: float64(spec.Fill) * e.capacity, exh: 1}
	for i := range p.press {
		p.press[i] = e.amb
		if i <= outlet {
			p.press[i] = e.unload
		}
		p.air[i] = p.press[i] * p.room(i) / (gasR * e.wall)
	}
	p.heat = p.air[vessel] * heatCv * p.temp
	if p.sub = e.substeps(); p.sub > maxSubsteps {
		return nil, fmt.Errorf("plant: the hose holds so little air for its nozzle that a step would be under %v; make it longer or wider, or the nozzle smaller", Tick/maxSubsteps)
	}
	return p, nil
}

// maxSubsteps bounds what a pot costs: fifty thousand steps a second still take only a hundredth of a processor.
const maxSubsteps = 50

// substeps is how often a tick must be divided so that no place's air turns over by more than 60 % in a substep.
func (e *equipment) substeps() int {
	// Steepest slope of a restriction, dm/dp, is that of its linear range.
	slope := func(c, b float64) float64 {
		return c * refDensity * math.Sqrt(refTemperature/e.wall) * ellipse(b, linearRatio) / (1 - linearRatio)
	}
	hose := e.hose.area / math.Sqrt(gasR*e.wall*e.hose.z) * math.Sqrt(1-linearRatio*linearRatio) / (1 - linearRatio)
	jetSlope := chokedConstant * e.throat / math.Sqrt(e.wall)
	at := [nodeCount]float64{
		inlet:  slope(e.supplyHose, pipingB) + slope(e.separator, pipingB),
		outlet: slope(e.separator, pipingB) + slope(e.valve, valveB),
		tee:    slope(e.mixing, pipingB) + hose,
		tip:    hose + jetSlope,
	}
	worst := 0.0
	for i, s := range at {
		if e.nodes[i] > 0 {
			worst = max(worst, s*gasR*e.wall/e.nodes[i])
		}
	}
	return max(1, int(math.Ceil(worst*Tick.Seconds()/0.6)))
}

// room is the volume that air takes at a place, m3.
func (p *Pot) room(i int) float64 {
	if i == vessel {
		return p.e.volume - p.grit/p.e.solid
	}
	return p.e.nodes[i]
}

// Step advances the pot by one Tick.
func (p *Pot) Step(in Input) {
	dt := Tick.Seconds() / float64(p.sub)
	p.move(in)
	for range p.sub {
		p.flow(in, dt)
	}
}

// move lets the control line, the valves, the throttle and the pulsation follow for one tick.
func (p *Pot) move(in Input) {
	dt := Tick.Seconds()
	want := 0.0
	if in.Pressed {
		want = min(controlSupply, p.press[outlet]-p.e.amb)
	}
	p.line += (want - p.line) * dt / controlLag

	switch {
	case p.line > pilotOpen:
		p.open = min(1, p.open+dt/inletStroke)
		p.exh = max(0, p.exh-dt/exhaustStroke)
	case p.line < pilotClose:
		p.open = max(0, p.open-dt/inletStroke)
		p.exh = min(1, p.exh+dt/exhaustStroke)
	}
	if in.Pressed || in.Trap <= 0 {
		p.stuck = false
	} else if p.open == 0 && p.press[vessel]-p.e.amb <= float64(in.Trap) {
		p.stuck = true
	}

	wish := 0.0
	if !in.CompressorOff {
		wish = min(1, max(0, (p.e.unload-p.press[receiver])/throttleBand))
	}
	p.thr += (wish - p.thr) * dt / throttleLag
	p.pulse += -p.pulse*dt/pulsationTime + pulsation*math.Sqrt(2*dt/pulsationTime)*p.rng.NormFloat64()
}

// flow moves air, grit and heat for dt seconds.
func (p *Pot) flow(in Input, dt float64) {
	e, t := &p.e, p.e.wall
	pr := &p.press

	mixing, exhaust := e.mixing, e.exhaust*p.exh*(1-float64(in.ExhaustShut))
	if p.stuck {
		mixing, exhaust = 0, 0
	}
	throat := e.throat
	if in.NozzlePlugged {
		throat = 0
	}

	mIn := e.delivery * p.thr
	mA := restrict(e.supplyHose, pipingB, pr[receiver], pr[inlet], t, t)
	mB := restrict(e.separator*(1-float64(in.SeparatorLost)), pipingB, pr[inlet], pr[outlet], t, t)
	mC := restrict(e.valve*p.open, valveB, pr[outlet], pr[vessel], t, p.temp)
	mD := restrict(mixing, pipingB, pr[vessel], pr[tee], p.temp, t)
	mE := restrict(exhaust, exhaustB, pr[vessel], e.amb, p.temp, t)

	// Loading in the hose: grit on the way over air on the way, less the grit's slip.
	hoseAir := p.air[tee] + p.air[tip]
	mu := min(8, slip*p.onWay/hoseAir)
	mF := e.hose.flow(pr[tee], pr[tip], t, mu)
	mG := jet(throat, pr[tip], e.amb, t) / math.Sqrt(1+airSlowing*mu)

	gritOut := 0.0
	if mD > 0 {
		gritOut = nominalLoading * mD * max(0, 1+p.pulse) * min(1, p.grit/tailMass)
	}
	spray := mu * mG
	refill := 0.0
	if in.Refill && !in.Pressed && pr[vessel]-e.amb < openLimit {
		refill = min(e.capacity/refillTime, (e.capacity-p.grit)/dt)
	}
	gritOut = min(gritOut, p.grit/dt)
	spray = min(spray, p.onWay/dt)

	// Heat of the vessel's air: enthalpy in and out, wall and grit, and the work done on the grit that leaves.
	exchange := e.wallHeat + e.gritHeat*p.grit/e.capacity
	dq := exchange * (e.wall - p.temp)
	work := pr[vessel] * (gritOut - refill) / e.solid
	p.heat += dt * (enthalpy(mC, t, p.temp) - enthalpy(mD, p.temp, t) - enthalpy(mE, p.temp, t) + dq - work)

	p.air[receiver] += dt * (mIn - mA)
	p.air[inlet] += dt * (mA - mB)
	p.air[outlet] += dt * (mB - mC)
	p.air[vessel] += dt * (mC - mD - mE)
	p.air[tee] += dt * (mD - mF)
	p.air[tip] += dt * (mF - mG)
	p.grit += dt * (refill - gritOut)
	p.onWay += dt * (gritOut - spray)

	p.temp = p.heat / (p.air[vessel] * heatCv)
	for i := range pr {
		pr[i] = p.air[i] * gasR * t / p.room(i)
	}
	pr[vessel] = p.air[vessel] * gasR * p.temp / p.room(vessel)

	p.nozzle, p.spray = mG, spray
	p.ledger.AirIn += si.Mass(dt * mIn)
	p.ledger.AirOut += si.Mass(dt * (mG + mE))
	p.ledger.GritIn += si.Mass(dt * refill)
	p.ledger.GritOut += si.Mass(dt * spray)
}

// enthalpy is what a flow m carries, W: at tUp where it flows forwards, at tDown where it flows back.
func enthalpy(m, tUp, tDown float64) float64 {
	if m < 0 {
		return m * heatCp * tDown
	}
	return m * heatCp * tUp
}
