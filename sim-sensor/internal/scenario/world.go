package scenario

import (
	"fmt"
	"hash/fnv"
	"math"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/sim-sensor/internal/line"
	"gritwatch/sim-sensor/internal/plant"
	"gritwatch/sim-sensor/internal/transducer"
)

// Tick is the length of one Step of a World; transducers update their outputs once in it.
const Tick = 10 * time.Millisecond

// A World is a scenario in play. Step and Truth are for one goroutine; the units of Lines may be read by others.
type World struct {
	at    time.Duration
	pots  []*pot
	lines []LineUnits
}

// LineUnits is a line with its units made.
type LineUnits struct {
	Link  string
	Mode  line.Mode
	Units []*line.Unit
}

type pot struct {
	spec    *Pot
	plant   *plant.Pot
	hand    hand
	in      plant.Input
	faults  [points.Count]transducer.Fault
	sources []*source             // by event; nil: the event wires nothing
	wired   [points.Count]*source // in place of the gauge's own; nil: its own
	gauges  [points.Count]*gauge
	active  []string // names of the events that hold
}

// A source is where a transducer's pressure comes from.
type source struct {
	plant *plant.Pot
	point points.Point
}

// A gauge is a transducer with its place in a register map.
type gauge struct {
	own     source
	tr      *transducer.Transducer
	cell    *line.Cell
	module  *transducer.Module // nil: a transmitter
	channel *Channel
}

// NewWorld is the scenario at its start: all pots at rest. An impossible pot is an error.
func NewWorld(s *Scenario) (*World, error) {
	w := &World{}
	byName := map[string]*pot{}
	for i := range s.Pots {
		spec := &s.Pots[i]
		p, err := plant.New(plant.Spec{Volume: spec.Vessel.Volume, HoseBore: spec.Hose.Bore, HoseLength: spec.Hose.Length,
			NozzleBore: spec.Nozzle.Bore, Target: spec.Nozzle.Target, Bulk: spec.Abrasive.Bulk, Solid: spec.Abrasive.Solid,
			Fill: spec.Fill, Atmosphere: spec.Atmosphere.Pressure()}, s.Seed^hash(spec.Name))
		if err != nil {
			return nil, fmt.Errorf("pot %s: %w", spec.Name, err)
		}
		byName[spec.Name] = &pot{spec: spec, plant: p, hand: hand{script: &spec.Script}}
		w.pots = append(w.pots, byName[spec.Name])
	}
	for i := range s.Lines {
		l := &s.Lines[i]
		lu := LineUnits{Link: l.Link, Mode: l.Mode}
		for j := range l.Units {
			u, err := w.unit(s, &l.Units[j], byName)
			if err != nil {
				return nil, fmt.Errorf("line %s: %w", l.Link, err)
			}
			lu.Units = append(lu.Units, u)
		}
		w.lines = append(w.lines, lu)
	}
	if err := w.resolve(byName); err != nil {
		return nil, err
	}
	w.update()
	return w, nil
}

func (w *World) unit(s *Scenario, spec *Unit, byName map[string]*pot) (*line.Unit, error) {
	var channels []line.Channel
	for i := range spec.Channels {
		c := &spec.Channels[i]
		p := byName[c.Pot]
		if p == nil {
			return nil, fmt.Errorf("unit %d: the pot %s is not there", spec.ID, c.Pot)
		}
		against := si.PressureDrop(0)
		switch amb := p.spec.Atmosphere.Pressure(); p.spec.Pot.Gauges[c.Point].Kind {
		case vent.KindAbsolute:
			against = si.PressureDrop(amb)
		case vent.KindSealed:
			against = si.PressureDrop(amb - si.StandardAtmosphere)
		}
		tr, err := transducer.New(transducer.Spec{Lo: c.Lo, Hi: c.Hi, Against: against, Noise: p.spec.Gauges.Noise,
			Resolution: p.spec.Gauges.Resolution, Lag: p.spec.Gauges.Lag}, s.Seed^hash(c.Pot+"/"+c.Point.String()))
		if err != nil {
			return nil, fmt.Errorf("unit %d: %w", spec.ID, err)
		}
		g := &gauge{own: source{p.plant, c.Point}, tr: tr, cell: new(line.Cell), module: spec.Module, channel: c}
		p.gauges[c.Point] = g
		enc := line.Int16
		if spec.Module == nil {
			enc = line.FloatHighFirst
			if c.LowFirst {
				enc = line.FloatLowFirst
			}
		}
		channels = append(channels, line.Channel{Address: c.Address, Encoding: enc, Cell: g.cell})
	}
	return line.NewUnit(spec.ID, channels)
}

// resolve finds the sources of transducers that an event wires to another pot.
func (w *World) resolve(byName map[string]*pot) error {
	for _, p := range w.pots {
		p.sources = make([]*source, len(p.spec.Script.Events))
		for i := range p.spec.Script.Events {
			g := p.spec.Script.Events[i].Gauge
			if g == nil || g.Reads == nil {
				continue
			}
			other := byName[g.Reads.Pot]
			if other == nil {
				return fmt.Errorf("pot %s: an event names the pot %s, which is not there", p.spec.Name, g.Reads.Pot)
			}
			p.sources[i] = &source{other.plant, g.Reads.Point}
		}
	}
	return nil
}

// Lines are the lines to open.
func (w *World) Lines() []LineUnits { return w.lines }

// At is the time since the start.
func (w *World) At() time.Duration { return w.at }

// Step plays one Tick.
func (w *World) Step() {
	w.at += Tick
	for _, p := range w.pots {
		p.script(w.at)
		for range Tick / plant.Tick {
			p.plant.Step(p.in)
		}
	}
	w.update()
}

// script turns the events that hold into what people do and what is wrong.
func (p *pot) script(at time.Duration) {
	p.in = plant.Input{}
	p.in.Pressed, p.in.Refill = p.hand.move(at, p.plant.Level())
	p.faults, p.wired = [points.Count]transducer.Fault{}, [points.Count]*source{}
	p.active = p.active[:0]
	for i := range p.spec.Script.Events {
		e := &p.spec.Script.Events[i]
		grown, ok := e.active(at)
		if !ok {
			continue
		}
		p.in.Pressed = p.in.Pressed || e.Press
		p.in.Refill = p.in.Refill || e.Refill
		if !e.Press && !e.Refill {
			p.active = append(p.active, e.Name)
		}
		c := e.Equipment
		p.in.ExhaustShut = max(p.in.ExhaustShut, c.ExhaustShut*si.Ratio(grown))
		p.in.SeparatorLost = max(p.in.SeparatorLost, c.SeparatorLost*si.Ratio(grown))
		p.in.Trap = max(p.in.Trap, c.Trap)
		p.in.CompressorOff = p.in.CompressorOff || c.CompressorOff
		p.in.NozzlePlugged = p.in.NozzlePlugged || c.NozzlePlugged
		if e.Gauge != nil {
			p.fault(e.Gauge, grown)
			if p.sources[i] != nil {
				p.wired[e.Gauge.Point] = p.sources[i]
			}
		}
	}
}

func (p *pot) fault(g *GaugeFault, grown float64) {
	f, add := &p.faults[g.Point], g.Fault
	f.Drift += add.Drift * si.PressureDrop(grown)
	if add.Gain != 0 {
		f.Gain = add.Gain
	}
	f.Stuck = f.Stuck || add.Stuck
	f.Failed = f.Failed || add.Failed
	f.Unplugged = f.Unplugged || add.Unplugged
	if add.Isolated {
		f.Isolated, f.Leak = true, add.Leak
	}
	if add.Driven {
		f.Driven, f.Current = true, add.Current
	}
}

// update lets all transducers follow and stores their outputs in the registers.
func (w *World) update() {
	for _, p := range w.pots {
		for _, pt := range points.All() {
			g := p.gauges[pt]
			if g == nil {
				continue
			}
			src := g.own
			if other := p.wired[pt]; other != nil {
				src = *other
			}
			g.tr.Step(Tick, src.plant.Pressure(src.point), p.faults[pt])
			out := g.tr.Output()
			if g.module != nil {
				g.cell.SetInt(g.module.Counts(out.Current))
				continue
			}
			g.cell.SetFloat(float32(float64(out.Value) / g.channel.PerUnit))
			g.cell.SetSilent(out.Silent)
		}
	}
}

func hash(s string) uint64 {
	h := fnv.New64a()
	_, _ = h.Write([]byte(s)) // never fails
	return h.Sum64()
}

// reads is what a reader of the gauge makes of it, Pa in the gauge's own terms; NaN: nothing.
func (g *gauge) reads() float64 {
	out := g.tr.Output()
	if g.module == nil {
		return float64(out.Value)
	}
	if out.Current < 3.6e-3 { // NAMUR NE 43: a failed loop
		return math.NaN()
	}
	return float64(g.channel.Lo) + float64((out.Current-4e-3)/16e-3)*float64(g.channel.Hi-g.channel.Lo)
}
