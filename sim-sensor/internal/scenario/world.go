package scenario

import (
	"fmt"
	"hash/fnv"
	"math/rand/v2"
	"slices"
	"sync/atomic"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/sim-sensor/internal/fault"
	"gritwatch/sim-sensor/internal/line"
	"gritwatch/sim-sensor/internal/plant"
	"gritwatch/sim-sensor/internal/transducer"
)

// Tick is the length of one Step of a World; transducers update their outputs once in it.
const Tick = 10 * time.Millisecond

// A World is a scenario in play. Step and Truth are for one goroutine; the units of Lines may be read by others.
type World struct {
	at    time.Duration
	now   atomic.Int64 // at, for the lines
	pots  []*pot
	lines []LineUnits

	weather *Weather
}

// A LineUnits is a line with what stands on it made.
type LineUnits struct {
	Link    string
	Options line.Options // without its events
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
	relays  []wire         // outputs at the pot
	line    []*fault.Fault // of its lines
	active  []string       // names of the events that hold
	misled  []misled       // their faults of transducers
	doing   []string       // what people do

	barometer si.AbsPressure // at the start, as the configuration has it
	tied      bool           // the handle
	lets      bool           // a flickering handle has let go
	until     time.Duration  // its next mood
}

// NewWorld is the scenario at its start: all pots at rest. An impossible pot is an error.
func NewWorld(s *Scenario) (*World, error) {
	w := &World{weather: &s.Weather}
	byName := map[string]*pot{}
	for i := range s.Pots {
		spec := &s.Pots[i]
		p, err := plant.New(spec.plant(s), s.Seed^hash(spec.Name))
		if err != nil {
			return nil, fmt.Errorf("pot %s: %w", spec.Name, err)
		}
		byName[spec.Name] = &pot{spec: spec, plant: p, barometer: p.Barometer(),
			hand: hand{cycle: spec.Script.Cycle, holds: spec.Vessel.HoldsPressure, rng: rand.New(rand.NewPCG(s.Seed^hash(spec.Name), 0x68616e64))}}
		w.pots = append(w.pots, byName[spec.Name])
	}
	for i := range s.Lines {
		lu, err := w.line(s, i, byName)
		if err != nil {
			return nil, fmt.Errorf("line %s: %w", s.Lines[i].Link, err)
		}
		w.lines = append(w.lines, lu)
	}
	if err := w.resolve(byName); err != nil {
		return nil, err
	}
	w.update()
	return w, nil
}

// line makes what stands on a line.
func (w *World) line(s *Scenario, i int, byName map[string]*pot) (LineUnits, error) {
	l := &s.Lines[i]
	lu := LineUnits{Link: l.Link, Options: line.Options{Mode: l.Mode, Turnaround: l.Turnaround, Strict: l.Strict,
		Faults: fault.NewPlayer(l.Faults, s.Seed^hash(fmt.Sprintf("line %d", i))), Clock: w.Now}}
	for j := range l.Units {
		spec := &l.Units[j]
		var channels []line.Channel
		for k := range spec.Channels {
			c := &spec.Channels[k]
			g, err := w.gauge(s, c, byName)
			if err != nil {
				return lu, fmt.Errorf("unit %d: %w", spec.ID, err)
			}
			g.module = spec.Module
			channels = append(channels, line.Channel{Address: c.Address, Encoding: c.encoding(), Cell: g.cell})
			byName[c.Pot].standsOn(l, spec.ID)
		}
		if len(spec.Outputs) > 0 {
			r, err := relay(spec, l, byName)
			if err != nil {
				return lu, err
			}
			lu.Options.Relays = append(lu.Options.Relays, r)
			continue
		}
		build := line.NewUnit
		if spec.Switches {
			build = line.NewSwitches
		}
		u, err := build(spec.ID, channels)
		if err != nil {
			return lu, err
		}
		lu.Options.Units = append(lu.Options.Units, u)
	}
	for j := range l.Texts {
		spec := &l.Texts[j]
		g, err := w.gauge(s, &spec.Channel, byName)
		if err != nil {
			return lu, err
		}
		g.text = spec.Reply
		lu.Options.Texts = append(lu.Options.Texts, line.Text{Query: spec.Query, Every: spec.Every, Reply: spec.Reply, Cell: g.cell})
		byName[spec.Pot].standsOn(l, 0)
	}
	return lu, nil
}

// standsOn takes note of the faults of a line that meet a unit on it.
func (p *pot) standsOn(l *Line, unit uint8) {
	for i := range l.Faults {
		if f := &l.Faults[i]; (f.Unit == 0 || f.Unit == unit) && !slices.Contains(p.line, f) {
			p.line = append(p.line, f)
		}
	}
}

// resolve finds the sources of transducers that an event wires to another pot.
func (w *World) resolve(byName map[string]*pot) error {
	for _, p := range w.pots {
		p.sources = make([]*source, len(p.spec.Script.Events))
		for i := range p.spec.Script.Events {
			g := p.spec.Script.Events[i].Gauge
			if g != nil && g.Swapped != nil {
				p.sources[i] = &source{p.plant, *g.Swapped}
			}
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

// Now is At for other goroutines.
func (w *World) Now() time.Duration { return time.Duration(w.now.Load()) }

// Step plays one Tick.
func (w *World) Step() {
	if w.at%time.Second == 0 {
		w.blow()
	}
	w.at += Tick
	for _, p := range w.pots {
		p.script(w.at)
		p.plant.Advance(p.in, int(Tick/plant.Tick))
	}
	w.update()
	w.now.Store(int64(w.at))
}

// blow lets the weather be what it is now.
func (w *World) blow() {
	if w.weather.After == 0 {
		return
	}
	grown := min(1, float64(w.at)/float64(w.weather.After))
	for _, p := range w.pots {
		p.in.Weather = w.weather.at(grown, p.barometer)
	}
}

// script turns the events that hold into what people do and what is wrong.
func (p *pot) script(at time.Duration) {
	d := p.hand.move(at, p.plant.Level(), p.dry())
	p.in = plant.Input{Pressed: d.pressed, Refill: d.refill, Blowdown: d.blowdown, Weather: p.in.Weather}
	p.faults, p.wired = [points.Count]transducer.Fault{}, [points.Count]*source{}
	p.active, p.misled, p.doing = p.active[:0], p.misled[:0], p.doing[:0]
	tied, flickers := false, false
	for i := range p.spec.Script.Events {
		e := &p.spec.Script.Events[i]
		grown, ok := e.active(at)
		if !ok {
			continue
		}
		p.in.Pressed = p.in.Pressed || e.Press
		p.in.Refill = max(p.in.Refill, e.Refill)
		p.in.Blowdown = p.in.Blowdown || e.Blowdown
		if !e.Press && e.Refill == 0 && !e.Blowdown {
			p.active = append(p.active, e.Name)
		}
		tied = tied || e.Handle == "tied"
		flickers = flickers || e.Handle == "flickers"
		if grown > 0 {
			merge(&p.in.Condition, &e.Equipment, grown)
		}
		if e.Gauge != nil {
			p.fault(e.Gauge, grown)
			p.misled = append(p.misled, misled{e, grown})
			if p.sources[i] != nil {
				p.wired[e.Gauge.Point] = p.sources[i]
			}
			if other := e.Gauge.Swapped; other != nil {
				p.wired[*other] = &p.gauges[e.Gauge.Point].own
			}
		}
	}
	p.handle(at, tied, flickers)
	for _, does := range [...]struct {
		name string
		is   bool
	}{{"press", p.in.Pressed}, {"refill", p.in.Refill > 0}, {"blowdown", p.in.Blowdown}} {
		if does.is {
			p.doing = append(p.doing, does.name)
		}
	}
	for _, f := range p.line {
		name := "line " + f.Kind.String()
		if _, ok := f.Since(at); ok && !slices.Contains(p.active, name) {
			p.active = append(p.active, name)
		}
	}
}

// aTrace is a flow of abrasive that nobody sees.
const aTrace si.MassFlow = 2e-3 // kg/s

// dry tells whether no abrasive comes out of the nozzle though the vessel is up and the metering valve not shut on purpose.
func (p *pot) dry() bool {
	_, grit := p.plant.NozzleFlow()
	return grit < aTrace && p.in.MeteringBy > -1 && p.plant.Pressure(points.Vessel) > p.plant.Pressure(points.Hose)
}

// flickerTime is how long a flickering handle holds a mood.
const flickerTime = 600 * time.Millisecond

// handle is what a tied handle or one that flickers makes of a press.
func (p *pot) handle(at time.Duration, tied, flickers bool) {
	p.tied = tied && (p.tied || p.in.Pressed)
	p.in.Pressed = p.in.Pressed || p.tied
	if !flickers {
		return
	}
	if at >= p.until {
		p.lets, p.until = p.hand.rng.Float64() < 0.35, at+flickerTime
	}
	p.in.Pressed = p.in.Pressed && !p.lets
}

func (p *pot) fault(g *GaugeFault, grown float64) {
	f, add := &p.faults[g.Point], g.Fault
	f.Drift += si.PressureDrop(add.Drift * si.PressureDrop(grown))
	f.Span += si.Ratio(add.Span * si.Ratio(grown))
	f.Noise += si.Ratio(add.Noise * si.Ratio(grown))
	f.Lag, f.Port = max(f.Lag, add.Lag), max(f.Port, add.Port)
	if add.Spikes > 0 {
		f.Spikes, f.Spike = add.Spikes, add.Spike
	}
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
			if g.tr == nil {
				g.turn(p.in.Pressed, p.faults[pt])
				continue
			}
			src := g.own
			if other := p.wired[pt]; other != nil {
				src = *other
			}
			f := p.faults[pt]
			if g.sealed {
				f.Drift += si.PressureDrop(p.plant.Barometer() - p.barometer)
			}
			g.follow(src.plant.Pressure(src.point), f)
		}
	}
}

func hash(s string) uint64 {
	h := fnv.New64a()
	_, _ = h.Write([]byte(s)) // never fails
	return h.Sum64()
}
