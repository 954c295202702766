// Package plant is a small physical model of one blasting pot with its compressor, piping, hose, nozzle, exhaust
// and control line. It is the simulator's own: nothing that estimates or judges shares a line with it.
//
// Seven places hold air: the compressor's receiver, the pot inlet, the separator outlet, the piping behind the inlet
// valve, the two halves of the blast hose, and the vessel, which hangs at that piping by a line of its own. The push
// line goes from there through the choke valve to the mixing tee and the hose. So the vessel sits a little above the
// tee; a choke valve left partly shut puts it far above, a leak at its seal below.
//
// Air flows through restrictions by ISO 6358 (supply hose, separator, inlet valve, vessel's line, exhaust with
// silencer, leaks) and by a square law (push line, tee, hose; the last two dearer with grit), and out of the nozzle as
// a choked or subsonic jet that the grit slows. Grit leaves by the metering valve by Beverloo's law, helped or hindered
// by the pressure of the vessel over the tee, and crosses the hose more slowly than the air.
//
// The vessel holds two airs of one pressure: that between the grains has their temperature, the free air above them
// only exchanges heat with the wall. So a full pot vents nearly isothermally, and an empty one cools. All other places
// have the weather's temperature.
//
// Water is drawn in with the weather's humidity, condenses as the air cools, and is caught by the separator but for a
// rest, which wets the grit; damp grit clumps.
//
// Its tests hold it to: the orifice table, ISO 6358 and friction factors (laws); the trade's consumption table, all 42
// cells within 10 % and the mean within 3 %; published hose losses; closed forms of a vessel's blowdown; a polytropic
// exponent of 1.00 with a full vessel and 1.14 to 1.22 with an empty one; published condensate; mass to a millionth and
// energy to a ten-thousandth over an hour.
//
// Its inner functions are not watched by the race detector, which would make every test of a simulated site fifteen times
// as slow; Step, Advance and what reads a Pot are.
//
// The model is pure: no clock, no I/O, and the same seed gives the same run. What it leaves out: kinetic pressure, lift
// of the sealing plug, check valves, and grit that settles in low bends of the hose.
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

// dt is Tick in seconds.
const dt = 1e-3

// A Pot is the model in some state. Not safe for concurrent use.
type Pot struct {
	spec Spec
	e    equipment
	rng  *rand.Rand

	air   [nodeCount]float64 // kg
	press [nodeCount]float64 // Pa absolute; of all but the vessel it follows from the mass
	tee   float64            // Pa absolute, at the mixing tee
	free  float64            // K, of the vessel's free air
	sinks bool               // free air goes down between the grains
	grit  float64            // kg in the vessel
	onWay float64            // kg of grit in the hose

	line   float64 // Pa gauge, control line
	open   float64 // stroke of the inlet valve, 0..1
	exh    float64 // stroke of the exhaust valve, 0..1
	push   float64 // stroke of push line and metering valve, 0..1
	hand   float64 // stroke of the hand valve, 0..1
	thr    float64 // delivery of the compressor, 0..1
	loaded bool

	pulse   float64 // metering pulsation
	fit     float64 // 0..1, drawn anew from time to time: whether grit comes in a fit of spitting
	phase   float64 // of the surge
	surge   float64 // factor on the hose's drag
	bridge  bool
	bridged bool // Condition.Bridged holds, so that only its beginning counts
	stuck   bool // the trap has closed

	worn   float64 // m of bore
	ice    float64 // share of the exhaust
	sump   float64 // kg of water in the separator
	wet    float64 // kg of water in the vessel's grit
	passed float64 // kg of air through the separator since the water was last reckoned

	weather   Weather
	amb, wall float64 // Pa, K
	root      float64 // of 293.15 K over wall
	thin      float64 // density of the weather's air over that of the Spec's

	perKg   [vessel]float64 // Pa that a kilogram makes in a place
	stiff   [vessel]float64 // kg/(s Pa) that fill it in a tick
	holes   holes
	nozzle  float64 // kg/s of air
	spray   float64 // kg/s of grit
	metered float64 // kg/s of grit
	pushed  float64 // kg/s of air through the tee
	ledger  Ledger
	ticks   int
}

// New is a pot at rest: vented, exhaust open, compressor up to pressure. Errors say which quantity is impossible.
func New(spec Spec, seed uint64) (*Pot, error) {
	spec = spec.withDefaults()
	if err := spec.check(); err != nil {
		return nil, err
	}
	p := &Pot{spec: spec, e: spec.equip(), rng: rand.New(rand.NewPCG(seed, 0x706f74)), exh: 1, push: 1, surge: 1}
	e := &p.e
	p.grit = float64(spec.Fill) * e.capacity
	p.setWeather(Weather{})
	p.free, p.tee = p.wall, p.amb
	for i := range p.press {
		p.press[i] = p.amb
		if i <= outlet {
			p.press[i] = e.unload
		}
		p.air[i] = p.press[i] * p.room(i) / (gasR * p.wall)
	}
	if e.holds {
		p.exh, p.push = 0, 0
	}
	if rate := e.fastest(p.wall); rate*dt > 1 {
		return nil, fmt.Errorf("plant: the vessel holds so little air for its nozzle and exhaust that a step would be under %v; make it larger, or the nozzle smaller", Tick)
	}
	return p, nil
}

// fastest is how often a second the full vessel's air could turn over through what hangs at it.
func (e *equipment) fastest(t float64) float64 {
	// Steepest slope of a restriction, dm/dp, is that of its linear range.
	slope := func(c, b float64) float64 { return iso(c, b, 1, 1, math.Sqrt(refTemperature/t)) }
	room := e.volume - e.capacity/e.solid
	return (slope(e.vesselLine, pipingB) + slope(2*e.exhaust, exhaustB) + slope(e.metering, holeB)) * gamma * gasR * t / room
}

// room is the volume that air takes at a place, m3.
//
//go:norace
func (p *Pot) room(i int) float64 {
	if i == vessel {
		return p.e.volume - p.grit/p.e.solid
	}
	return p.e.nodes[i]
}

// Step advances the pot by one Tick.
func (p *Pot) Step(in Input) { p.tick(&in) }

// Advance is so many Steps with the same Input.
func (p *Pot) Advance(in Input, ticks int) {
	for range ticks {
		p.tick(&in)
	}
}

//go:norace
func (p *Pot) tick(in *Input) {
	if in.Weather != p.weather {
		p.setWeather(in.Weather)
	}
	p.move(in)
	p.flow(in)
	if p.ticks++; p.ticks%waterEvery == 0 {
		p.water(in)
	}
}

// setWeather takes the weather; its zeros stand for the Spec's.
func (p *Pot) setWeather(w Weather) {
	p.weather = w
	was := p.spec.Weather
	if w.Barometer == 0 {
		w.Barometer = was.Barometer
	}
	if w.Air == 0 {
		w.Air = was.Air
	}
	p.amb, p.wall = float64(w.Barometer), float64(w.Air)
	p.root = math.Sqrt(refTemperature / p.wall)
	for i, v := range p.e.nodes {
		p.perKg[i] = gasR * p.wall / v
		p.stiff[i] = 1 / (p.perKg[i] * dt)
	}
	p.thin = float64(w.Barometer/was.Barometer) * float64(was.Air/w.Air)
}

// move lets the control line, the valves, the compressor and the metering's moods follow for one tick.
//
//go:norace
func (p *Pot) move(in *Input) {
	e := &p.e
	want := 0.0
	if in.Pressed {
		want = max(0, min(controlSupply, p.press[outlet]-p.amb)*(1-float64(in.ControlLeak)))
	}
	p.line += (want - p.line) * dt / (e.lag + in.ControlSlow.Seconds())

	pressed, released := p.line > pilotOpen, p.line < pilotClose
	switch {
	case in.InletStuck == StuckOpen || in.InletStuck == Free && pressed:
		p.open = min(1, p.open+dt/inletStroke)
	case in.InletStuck == StuckShut || released:
		p.open = max(0, p.open-dt/inletStroke)
	}
	exhaust, push := released, true
	if e.holds {
		exhaust, push = false, pressed || p.push > 0 && !released
	}
	switch {
	case exhaust:
		p.exh = min(1, p.exh+dt/exhaustStroke)
	case pressed:
		p.exh = max(0, p.exh-dt/exhaustStroke)
	}
	p.push = follow(p.push, push, inletStroke)
	p.hand = follow(p.hand, in.Blowdown, handStroke)

	if pressed || in.Pressed || in.Trap <= 0 {
		p.stuck = false
	} else if p.open == 0 && p.press[vessel]-p.amb <= float64(in.Trap) {
		p.stuck = true
	}
	p.ice = min(0.97, p.ice-float64(p.ice*(dt/iceThaws)))

	p.compress(in)
	p.mood(in)
	p.holes.set(in)
}

// follow moves a stroke towards open or shut.
func follow(at float64, open bool, stroke float64) float64 {
	if open {
		return min(1, at+dt/stroke)
	}
	return max(0, at-dt/stroke)
}

// compress lets the compressor follow the receiver.
//
//go:norace
func (p *Pot) compress(in *Input) {
	e := &p.e
	unload := e.unload - float64(in.SetLow)
	wish, lag := 0.0, throttleLag
	if e.cycles {
		lag = loadLag
		if p.press[receiver] >= unload {
			p.loaded = false
		} else if p.press[receiver] <= unload-e.band {
			p.loaded = true
		}
		if p.loaded {
			wish = 1
		}
	} else {
		wish = min(1, max(0, (unload-p.press[receiver])/e.band))
	}
	if in.CompressorOff {
		wish, p.loaded = 0, false
	}
	p.thr += (wish - p.thr) * dt / lag
}

// mood is what in the flow of the grit is not steady.
//
//go:norace
func (p *Pot) mood(in *Input) {
	p.pulse += float64(pulseStep*p.rng.NormFloat64()) - float64(p.pulse*(dt/pulsationTime))
	if p.rng.Float64() < dt/fitTime {
		p.fit = p.rng.Float64()
	}
	p.surge = 1
	if a := (p.loading() - surgeFrom) / 2; a > 0 {
		p.phase += float64(2 * math.Pi * surgeRate * dt * (1 + p.pulse))
		if p.phase > 2*math.Pi {
			p.phase -= 2 * math.Pi
		}
		p.surge = 1 + float64(min(0.8, a)*math.Sin(p.phase))
	}
	if in.Bridged && !p.bridged {
		p.bridge = true
	}
	p.bridged = in.Bridged
	p.bridge = p.bridge && p.line > pilotClose
}

// pulseStep is the deviation of a tick's shock that keeps the pulsation at its own.
var pulseStep = pulsation * math.Sqrt(2*dt/pulsationTime)

// loading is the grit in the hose over the air in it, less the grit's slip.
//
//go:norace
func (p *Pot) loading() float64 { return min(8, slip*p.onWay/(p.air[head]+p.air[tip])) }

// holes are the conductances of what leaks, m3/(s Pa).
type holes struct {
	drain, inlet, seal, hose, blowBy float64
}

//go:norace
func (h *holes) set(in *Input) {
	*h = holes{}
	of := func(bore si.Length) float64 {
		if bore <= 0 {
			return 0
		}
		return hole(circle(float64(bore)))
	}
	h.drain, h.inlet, h.seal, h.hose, h.blowBy = of(in.DrainHole), of(in.InletLeak), of(in.SealHole), of(in.HoseHole), of(in.BlowBy)
}
