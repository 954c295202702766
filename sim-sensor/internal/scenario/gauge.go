package scenario

import (
	"fmt"
	"math"
	"math/rand/v2"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/sim-sensor/internal/line"
	"gritwatch/sim-sensor/internal/plant"
	"gritwatch/sim-sensor/internal/transducer"
)

// A source is where a transducer's pressure comes from.
type source struct {
	plant *plant.Pot
	point points.Point
}

// A gauge is a transducer, or an electric handle's switch, with its place on a line.
type gauge struct {
	own     source
	tr      *transducer.Transducer // nil: a switch
	cell    *line.Cell
	module  *transducer.Module // nil: not on a module
	text    *line.Template     // nil: in registers
	channel *Channel
	sealed  bool            // it feels the barometer
	zero    si.PressureDrop // its own constant error
	on      bool            // of a switch
	raw     float64         // what the line offers, exactly; NaN: nothing
}

// gauge makes the transducer or switch of a channel and puts it at its point.
func (w *World) gauge(s *Scenario, c *Channel, byName map[string]*pot) (*gauge, error) {
	p := byName[c.Pot]
	if p == nil {
		return nil, fmt.Errorf("the pot %s is not there", c.Pot)
	}
	g := &gauge{own: source{p.plant, c.Point}, cell: new(line.Cell), channel: c}
	p.gauges[c.Point] = g
	if c.Type == Switch {
		return g, nil
	}
	against := si.PressureDrop(0)
	switch amb := p.spec.Atmosphere.Pressure(); p.spec.Pot.Gauges[c.Point].Kind {
	case vent.KindAbsolute:
		against, g.sealed = si.PressureDrop(amb), true
	case vent.KindSealed:
		against, g.sealed = si.PressureDrop(amb-si.StandardAtmosphere), true
	}
	var err error
	seed, has := s.Seed^hash(c.Pot+"/"+c.Point.String()), &p.spec.Gauges
	errs := rand.New(rand.NewPCG(seed, 0x657272))
	within := func(most float64) float64 { return float64(most * (float64(2*errs.Float64()) - 1)) }
	g.zero = si.PressureDrop(within(float64(has.Zero)))
	g.tr, err = transducer.New(transducer.Spec{Lo: c.Lo, Hi: c.Hi, Against: against, Noise: has.Noise, Resolution: has.Resolution, Lag: has.Lag,
		Zero: g.zero, Span: si.Ratio(within(float64(has.Span)))}, seed)
	return g, err
}

// turn sets a switch.
func (g *gauge) turn(pressed bool, f transducer.Fault) {
	if !f.Stuck {
		g.on = pressed
	}
	g.cell.SetSwitch(g.on)
	g.cell.SetSilent(f.Unplugged)
	g.raw = 0
	switch {
	case f.Unplugged:
		g.raw = math.NaN()
	case g.on:
		g.raw = 1
	}
}

// follow lets a transducer have the pressure of its source and stores its output where the line finds it.
func (g *gauge) follow(p si.GaugePressure, f transducer.Fault) {
	g.tr.Step(Tick, p, f)
	out := g.tr.Output()
	if g.module != nil {
		g.raw = g.channel.Type.whole(g.module.Counts(out.Current))
		g.cell.SetInt(int32(g.raw))
		return
	}
	v := float64(out.Value) / g.channel.PerUnit
	switch {
	case g.text != nil:
		g.cell.SetFloat(float32(v))
		g.raw = g.text.Shown(float64(float32(v)))
	case g.channel.Type == Float32:
		g.cell.SetFloat(float32(v))
		g.raw = float64(float32(v))
	default:
		g.raw = g.channel.Type.whole(v)
		g.cell.SetInt(int32(g.raw))
	}
	g.cell.SetSilent(out.Silent)
	if out.Silent {
		g.raw = math.NaN()
	}
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
	return float64(g.channel.Lo) + float64(float64((out.Current-4e-3)/16e-3)*float64(g.channel.Hi-g.channel.Lo))
}
